"""Where workers ask for their next notice and say what was taken: many of them in one transaction of the store.

Each commit waits for the disk, so ten thousand notices would take minutes one by one. Requests that come while the
store is busy go together into the next transaction; nobody waits for a batch to fill.
"""

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeVar

from alertd.delivery.channel import DeliveryQueue, OutgoingNotice
from alertd.delivery.channel_state import StoredChannelState

_T = TypeVar("_T")
StateOf = Callable[[], StoredChannelState | None]  # reads what a channel has come to, at the moment of writing


@dataclass(slots=True)
class _Batch:
    """What was asked since the last transaction began."""

    claims: dict[str, list[asyncio.Future[OutgoingNotice | None]]] = field(default_factory=dict)
    done: dict[int, datetime] = field(default_factory=dict)
    channels: list[StateOf] = field(default_factory=list)
    waiters: list[asyncio.Future[None]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.claims or self.done)


class OutboxBatcher:
    """One for a round of the dispatcher. `clock` reads the round's time; `expired_too`: claim the expired as well."""

    def __init__(
        self,
        outbox: DeliveryQueue,
        *,
        owner: str,
        lease_s: float,
        clock: Callable[[], datetime],
        writing: asyncio.Lock,
        expired_too: bool = True,
    ) -> None:
        """`writing`: held while marks are written, so that states of channels are kept in the order of attempts."""
        self._outbox, self._owner, self._lease_s, self._clock = outbox, owner, lease_s, clock
        self._expired_too, self._writing = expired_too, writing
        self._batch = _Batch()
        self._at_work: asyncio.Task[None] | None = None

    async def claim(self, target: str) -> OutgoingNotice | None:
        """The next that is due for `target`; None when there is none. Raises StoreError."""
        asked: asyncio.Future[OutgoingNotice | None] = asyncio.get_running_loop().create_future()
        self._batch.claims.setdefault(target, []).append(asked)
        self._start()
        return await asked

    async def mark_done(self, delivery_id: int, at: datetime, channel: StateOf) -> None:
        """Mark it, and keep what its channel came to. Raises StoreError when it could not be written down."""
        told: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._batch.done[delivery_id] = at
        self._batch.channels.append(channel)
        self._batch.waiters.append(told)
        self._start()
        await told

    def _start(self) -> None:
        if self._at_work is None or self._at_work.done():
            self._at_work = asyncio.create_task(self._run())

    async def _run(self) -> None:
        await asyncio.sleep(0)  # who asks in the same turn of the loop comes along
        while self._batch:
            batch, self._batch = self._batch, _Batch()
            await self._write_done(batch)
            await self._write_claims(batch)

    async def _write_done(self, batch: _Batch) -> None:
        if not batch.done:
            return
        with _fail_waiters(batch.waiters):
            async with self._writing:
                states = tuple(state for read in batch.channels if (state := read()) is not None)
                await asyncio.to_thread(self._outbox.mark_all_done, batch.done, states)
            for told in batch.waiters:
                _set_result(told, None)

    async def _write_claims(self, batch: _Batch) -> None:
        if not batch.claims:
            return
        counts = {target: len(asking) for target, asking in batch.claims.items()}
        with _fail_waiters([asked for asking in batch.claims.values() for asked in asking]):
            claimed = await asyncio.to_thread(
                self._outbox.claim_many, self._clock(), counts, self._lease_s, self._owner, self._expired_too
            )
            for target, asking in batch.claims.items():
                rows = [*claimed.get(target, ()), *[None] * len(asking)]
                for asked, outgoing in zip(asking, rows, strict=False):
                    _set_result(asked, outgoing)


def _set_result(to: "asyncio.Future[_T]", value: _T) -> None:
    if not to.done():  # who asked may have been cut off meanwhile; the lease frees what was claimed for it
        to.set_result(value)


@contextmanager
def _fail_waiters(waiting: Sequence["asyncio.Future[_T]"]) -> Iterator[None]:
    """A failure of the store is everybody's who waits for it, and not this module's."""
    try:
        yield
    except asyncio.CancelledError:
        for one in waiting:
            one.cancel()
        raise
    except Exception as exc:
        for one in waiting:
            if not one.done():
                one.set_exception(exc)

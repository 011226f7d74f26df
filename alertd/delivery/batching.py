"""Batches outbox claims and acknowledgements from many workers into one transaction.

Each commit waits for the disk, so ten thousand single commits would take minutes. Requests that arrive while the store
is busy go together into the next transaction. No request waits for a batch to fill.
"""

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeVar

from alertd.delivery.channel import DeliveryQueue, OutgoingNotice
from alertd.notices.channel_state import ChannelState

_T = TypeVar("_T")
StateOf = Callable[[], ChannelState | None]  # returns a channel's state at the time of writing


@dataclass(slots=True)
class _Batch:
    """Requests since the last transaction began."""

    claims: dict[str, list[asyncio.Future[OutgoingNotice | None]]] = field(default_factory=dict)
    done: dict[int, datetime] = field(default_factory=dict)
    channels: list[StateOf] = field(default_factory=list)
    waiters: list[asyncio.Future[None]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.claims or self.done)


class OutboxBatcher:
    """Batcher of one delivery run. `clock` returns the run's time (UTC); `expired_too`: also claim expired ones."""

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
        """`writing` is held while marks are written, so that channel states are saved in the order of attempts."""
        self._outbox, self._owner, self._lease_s, self._clock = outbox, owner, lease_s, clock
        self._expired_too, self._writing = expired_too, writing
        self._batch = _Batch()
        self.overtaken: list[OutgoingNotice] = []  # parked, because newer news of their trip went before
        self._at_work: asyncio.Task[None] | None = None

    async def claim(self, target: str) -> OutgoingNotice | None:
        """Claim the next due delivery for `target`; None when none is due. Raises StoreError."""
        request: asyncio.Future[OutgoingNotice | None] = asyncio.get_running_loop().create_future()
        self._batch.claims.setdefault(target, []).append(request)
        self._start()
        return await request

    async def mark_done(self, delivery_id: int, at: datetime, channel: StateOf) -> None:
        """Mark a delivery as done and save its channel's state. Raises StoreError when the write fails."""
        written: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._batch.done[delivery_id] = at
        self._batch.channels.append(channel)
        self._batch.waiters.append(written)
        self._start()
        await written

    def _start(self) -> None:
        if self._at_work is None or self._at_work.done():
            self._at_work = asyncio.create_task(self._run())

    async def _run(self) -> None:
        await asyncio.sleep(0)  # requests from the same turn of the event loop join the batch
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
                # A clock in doubt claims nothing that looks expired, and what is newer then overtakes it.
                overtaking = not self._expired_too
                self.overtaken += await asyncio.to_thread(self._outbox.mark_all_done, batch.done, states, overtaking)
            for waiter in batch.waiters:
                _set_result(waiter, None)

    async def _write_claims(self, batch: _Batch) -> None:
        if not batch.claims:
            return
        counts = {target: len(requests) for target, requests in batch.claims.items()}
        with _fail_waiters([one for requests in batch.claims.values() for one in requests]):
            claimed = await asyncio.to_thread(
                self._outbox.claim_many, self._clock(), counts, self._lease_s, self._owner, self._expired_too
            )
            for target, requests in batch.claims.items():
                rows = [*claimed.get(target, ()), *[None] * len(requests)]
                for request, outgoing in zip(requests, rows, strict=False):
                    _set_result(request, outgoing)


def _set_result(to: "asyncio.Future[_T]", value: _T) -> None:
    if not to.done():  # the requester may have been cancelled; the lease frees its claim
        to.set_result(value)


@contextmanager
def _fail_waiters(waiting: Sequence["asyncio.Future[_T]"]) -> Iterator[None]:
    """Pass an exception in the block to every waiter instead of raising it here; a cancellation is also raised."""
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

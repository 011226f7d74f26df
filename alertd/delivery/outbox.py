"""Carries the outbox out. One lane a target, so that one that hangs does not hold up the others."""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal, ParamSpec

from alertd.delivery.channel import Channel, Outbox, Outgoing
from alertd.delivery.lane import Lane, TargetHealth
from alertd.delivery.retry import GiveUp, Rng, decide
from alertd.errors import DeliveryError, StoreError

LEASE_S = 120.0  # several times a channel's deadline: a lease that ends during a send would send twice
WORKERS_N = 4
FAILURES_A_ROUND = 3

_P = ParamSpec("_P")
Fate = Literal["done", "retried", "parked", "expired"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one call did. `alarms` are lines that a person must get by another way than the one that failed."""

    done_n: int
    retried_n: int
    parked_n: int
    expired_n: int
    alarms: tuple[str, ...]


@dataclass(slots=True, kw_only=True)
class _Tally:
    clock: Callable[[], datetime]
    fates: list[Fate] = field(default_factory=list)


class Dispatcher:
    """Hands what is due to its channel and writes down how it went.

    At least once: a crash between send and mark sends the same bytes under the same id again. While the store can be
    read but not written (a full disk), what is decided still goes out once, and is marked when the store is back.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Channel],
        *,
        owner: str,
        rng: Rng,
        lease_s: float = LEASE_S,
        workers_n: int = WORKERS_N,
    ) -> None:
        """`channels` by target name. `owner` tells this daemon's claims from another's."""
        self._outbox, self._channels = outbox, channels
        self._owner, self._rng = owner, rng
        self._lease_s, self._workers_n = lease_s, workers_n
        self._lanes: dict[str, Lane] = {}
        self._alarms: list[str] = []  # kept over a round that ends in a StoreError
        # What the store could not be told: sent but not marked, and tried but not put off. Both by delivery id.
        self._sent_unmarked: dict[int, datetime] = {}
        self._put_off: dict[int, datetime] = {}
        self._in_hand: set[int] = set()
        self._store_problem: StoreError | None = None

    async def deliver_due(self, now: datetime) -> Round:
        """Deliver what is due at `now`, and return when all of it has been tried.

        A second call while the first still waits for a slow target serves the others and leaves that one alone.
        Raises StoreError when the store failed, after every lane has done what it could; alarms are kept for the next.
        """
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        # Slow targets take time: times are read off a clock that goes on from `now` and never jumps.
        tally = _Tally(clock=lambda: now + timedelta(seconds=loop.time() - began_s))
        await self._mark_leftovers()
        await self._wake_probes(now)
        targets = await asyncio.to_thread(self._outbox.due_targets, now)
        await _all(self._serve(self._lane(target), tally) for target in targets)
        problem, self._store_problem = self._store_problem, None
        if problem is not None:
            raise problem
        alarms, self._alarms = tuple(self._alarms), []
        return Round(
            done_n=tally.fates.count("done"),
            retried_n=tally.fates.count("retried"),
            parked_n=tally.fates.count("parked"),
            expired_n=tally.fates.count("expired"),
            alarms=alarms,
        )

    def health(self) -> tuple[TargetHealth, ...]:
        """Every target that is configured or was met since the start, by name."""
        return tuple(lane.health() for _, lane in sorted(self._lanes.items()))

    def enable(self, target: str) -> None:
        """Call a target again that was gone, after a person has put it right."""
        self._lanes.pop(target, None)

    def _lane(self, target: str) -> Lane:
        return self._lanes.setdefault(target, Lane(target=target))

    async def _mark_leftovers(self) -> None:
        """Mark what was sent while the store could not be written, before its lease ends and it is sent again."""
        for delivery_id, at in list(self._sent_unmarked.items()):
            if not await self._told(self._outbox.mark_done, delivery_id, at):
                return
            self._sent_unmarked.pop(delivery_id, None)

    async def _wake_probes(self, now: datetime) -> None:
        for target in self._channels:
            lane = self._lane(target)
            if lane.wants_probe(now):
                lane.probed(now)
                await self._told(self._outbox.wake, target, now, 1)

    async def _serve(self, lane: Lane, tally: _Tally) -> None:
        if lane.busy:
            return
        lane.busy = True
        try:
            # A failing target gets one probe; it is not met with everything at once until that has come through.
            workers_n, allowed = (1, 1) if lane.failures_in_a_row else (self._workers_n, FAILURES_A_ROUND)
            stop_at = lane.failures_in_a_row + allowed
            await _all(self._work(lane, stop_at, tally) for _ in range(workers_n))
        finally:
            lane.busy = False

    async def _work(self, lane: Lane, stop_at: int, tally: _Tally) -> None:
        while lane.failures_in_a_row < stop_at and not lane.holds(tally.clock()):
            outgoing = await self._claim(lane, tally.clock())
            if outgoing is None:
                return
            self._in_hand.add(outgoing.id)
            try:
                tally.fates.append(await self._deliver(outgoing, lane, tally))
            finally:
                self._in_hand.discard(outgoing.id)

    async def _claim(self, lane: Lane, at: datetime) -> Outgoing | None:
        try:
            claimed = await asyncio.to_thread(self._outbox.claim_due, at, 1, self._lease_s, self._owner, lane.target)
        except StoreError as exc:
            self._store_problem = exc
            waiting = await asyncio.to_thread(self._outbox.peek_due, at, lane.target)
            # From here to _in_hand.add nothing waits, so no two workers take the same.
            put_off = {one for one, until in self._put_off.items() if at < until}
            known = self._in_hand | self._sent_unmarked.keys() | put_off
            return next((outgoing for outgoing in waiting if outgoing.id not in known), None)
        return claimed[0] if claimed else None

    async def _deliver(self, outgoing: Outgoing, lane: Lane, tally: _Tally) -> Fate:
        at = tally.clock()
        if outgoing.id in self._sent_unmarked:
            return await self._succeeded(outgoing, lane, at)
        if outgoing.expires_at <= at:
            return await self._expire(outgoing, lane, at, f"expired before try {outgoing.attempt}")
        channel = self._channels.get(outgoing.target)
        if channel is None:
            return await self._park(outgoing, lane, at, "no such target is configured; add it, then requeue")
        if lane.gone:
            return await self._park(outgoing, lane, at, f"{lane.gone}; mend the target, then requeue")
        try:
            await channel.send(outgoing, at.timestamp())
        except DeliveryError as exc:
            return await self._failed(outgoing, lane, exc, tally.clock())
        except Exception as exc:  # a fault of our own must not stop the other rows: it is told, and tried again
            fault = DeliveryError(outgoing.target, f"fault of alertd: {exc!r}")
            self._alarms.append(f"notice {outgoing.notice_id} to {fault}")
            return await self._failed(outgoing, lane, fault, tally.clock())
        return await self._succeeded(outgoing, lane, tally.clock())

    async def _succeeded(self, outgoing: Outgoing, lane: Lane, at: datetime) -> Fate:
        ends_outage = lane.succeeded(outgoing, at)
        self._sent_unmarked[outgoing.id] = at
        if await self._told(self._outbox.mark_done, outgoing.id, at):
            self._sent_unmarked.pop(outgoing.id, None)
        self._put_off.pop(outgoing.id, None)
        if ends_outage:
            await self._told(self._outbox.wake, outgoing.target, at)
        return "done"

    async def _failed(self, outgoing: Outgoing, lane: Lane, error: DeliveryError, at: datetime) -> Fate:
        self._alarms += lane.failed(error, at)
        verdict = decide(outgoing.attempt, error, at, outgoing.expires_at, self._rng)
        if lane.refuses_only(outgoing, error, at):
            verdict = GiveUp(reason=f"{error}, {outgoing.attempt} times, while the target takes others")
        if isinstance(verdict, GiveUp):
            settle = self._expire if verdict.expired else self._park
            return await settle(outgoing, lane, at, verdict.reason)
        self._put_off[outgoing.id] = verdict.at
        if await self._told(self._outbox.mark_retry, outgoing.id, at, verdict.at, str(error)):
            self._put_off.pop(outgoing.id, None)
        return "retried"

    async def _park(self, outgoing: Outgoing, lane: Lane, at: datetime, why: str) -> Fate:
        self._alarms.append(f"notice {outgoing.notice_id} to {outgoing.target} is parked: {why}")
        await self._settle(self._outbox.mark_parked, outgoing, lane, at, why)
        return "parked"

    async def _expire(self, outgoing: Outgoing, lane: Lane, at: datetime, why: str) -> Fate:
        self._alarms.append(f"notice {outgoing.notice_id} to {outgoing.target} was never delivered: {why}")
        await self._settle(self._outbox.mark_expired, outgoing, lane, at, why)
        return "expired"

    async def _settle(
        self, mark: Callable[[int, datetime, str], None], outgoing: Outgoing, lane: Lane, at: datetime, why: str
    ) -> None:
        lane.forget(outgoing)
        self._put_off[outgoing.id] = at + timedelta(seconds=self._lease_s)
        if await self._told(mark, outgoing.id, at, why):
            self._put_off.pop(outgoing.id, None)

    async def _told(self, write: Callable[_P, object], *args: _P.args, **kwargs: _P.kwargs) -> bool:
        """Write to the store; returns whether it could. The failure itself is raised at the end of the round."""
        try:
            await asyncio.to_thread(write, *args, **kwargs)
        except StoreError as exc:
            self._store_problem = exc
            return False
        return True


async def _all(work: Iterable[Coroutine[object, object, None]]) -> None:
    """Run all to their end, then raise the first failure: a send must never be cut off because another lane failed."""
    for ended in await asyncio.gather(*work, return_exceptions=True):
        if isinstance(ended, BaseException):
            raise ended

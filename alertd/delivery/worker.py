"""Carries the outbox out. One lane a target, so that one that hangs does not hold up the others."""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Literal, ParamSpec

from alertd.delivery.batching import Desk, StateOf
from alertd.delivery.channel import Channel, Outbox, Outgoing
from alertd.delivery.circuit_breaker import Alarm, AlarmKind, Kept, Lane, TargetHealth
from alertd.delivery.retry import GiveUp, RetryAt, Rng, decide
from alertd.errors import DeliveryError, StoreError

LEASE_S = 120.0  # several times a channel's deadline: a lease that ends during a send would send twice
WORKERS_N = 4
SENDS_AT_ONCE = 256  # over all targets: each is an open connection
FAILURES_A_ROUND = 3

_P = ParamSpec("_P")
Fate = Literal["done", "retried", "parked", "expired"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one call did.

    `alarms` are for a person, by another way than the one that failed. `recovered`: targets that were failing and have
    taken a notice.
    """

    done_n: int
    retried_n: int
    parked_n: int
    expired_n: int
    alarms: tuple[Alarm, ...]
    recovered: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Tally:
    clock: Callable[[], datetime]
    desk: Desk
    fates: list[Fate] = field(default_factory=list)
    recovered: list[str] = field(default_factory=list)
    settles: bool = True


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
        self._states: dict[str, str] = {}  # of each channel, as last read or written
        self._open = asyncio.Semaphore(SENDS_AT_ONCE)
        self._writing = asyncio.Lock()  # of marks with the state of their channel, which must not overtake one another
        self._lanes: dict[str, Lane] = {}
        self._alarms: list[Alarm] = []  # kept over a round that ends in a StoreError
        # What the store could not be told: sent but not marked, and tried but not put off. Both by delivery id.
        self._sent_unmarked: dict[int, datetime] = {}
        self._put_off: dict[int, datetime] = {}
        self._in_hand: set[int] = set()
        self._store_problem: StoreError | None = None

    async def deliver_due(self, now: datetime, *, settles: bool = True) -> Round:
        """Deliver what is due at `now`, and return when all of it has been tried.

        `settles`: False while the clock is in doubt. Then nothing expires and no channel is disabled for its age.
        A second call while the first still waits for a slow target serves the others and leaves that one alone.
        Raises StoreError when the store failed, after every lane has done what it could; alarms are kept for the next.
        """
        loop = asyncio.get_running_loop()
        began_s = loop.time()

        # Slow targets take time: times are read off a clock that goes on from `now` and never jumps.
        def clock() -> datetime:
            return now + timedelta(seconds=loop.time() - began_s)

        desk = Desk(
            self._outbox,
            owner=self._owner,
            lease_s=self._lease_s,
            clock=clock,
            writing=self._writing,
            expired_too=settles,
        )
        tally = _Tally(clock=clock, desk=desk, settles=settles)
        await self._recall()
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
            recovered=tuple(dict.fromkeys(tally.recovered)),
        )

    def health(self) -> tuple[TargetHealth, ...]:
        """Every target that is configured or was met since the start, by name."""
        return tuple(lane.health() for _, lane in sorted(self._lanes.items()))

    def _lane(self, target: str) -> Lane:
        return self._lanes.setdefault(target, Lane(target=target))

    async def _recall(self) -> None:
        """Read the states kept: another process may have reopened a channel. Unreadable, the last ones still hold."""
        try:
            kept = await asyncio.to_thread(self._outbox.standings)
        except StoreError as exc:
            self._store_problem = exc
            return
        for target, standing in kept.items():
            if self._states.get(target) != standing.state:
                self._lane(target).recall(standing)
            self._states[target] = standing.state

    def _changed(self, lane: Lane, at: datetime) -> Kept | None:
        """The lane's state where it is another than the one kept, because that could not be written before."""
        return lane.standing(at) if lane.state != self._states.get(lane.target, "up") else None

    async def _mark_leftovers(self) -> None:
        """Mark what was sent while the store could not be written, before its lease ends and it is sent again."""
        done, now = dict(self._sent_unmarked), max(self._sent_unmarked.values(), default=None)
        if now is None:
            return
        async with self._writing:
            changed = [state for lane in self._lanes.values() if (state := self._changed(lane, now)) is not None]
            marked = await self._told(self._outbox.mark_all_done, done, changed)
            self._states |= {state.target: state.state for state in changed if marked}
        if marked:
            for delivery_id in done:
                self._sent_unmarked.pop(delivery_id, None)

    async def _wake_probes(self, now: datetime) -> None:
        probing = [lane for lane in map(self._lane, self._channels) if lane.wants_probe(now)]
        if not probing:
            return
        try:
            waiting = await asyncio.to_thread(self._outbox.waiting_targets)
        except StoreError as exc:
            self._store_problem = exc
            return
        for lane in probing:
            lane.probed(now)
            if lane.target in waiting:
                await self._told(self._outbox.wake, lane.target, now, 1)

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
            async with self._open:
                outgoing = await self._claim(lane, tally)
                if outgoing is None:
                    return
                self._in_hand.add(outgoing.id)
                try:
                    tally.fates.append(await self._deliver(outgoing, lane, tally))
                finally:
                    self._in_hand.discard(outgoing.id)

    async def _claim(self, lane: Lane, tally: _Tally) -> Outgoing | None:
        try:
            return await tally.desk.claim(lane.target)
        except StoreError as exc:
            self._store_problem, at = exc, tally.clock()
            waiting = await asyncio.to_thread(self._outbox.peek_due, at, lane.target)
            # From here to _in_hand.add nothing waits, so no two workers take the same.
            put_off = {one for one, until in self._put_off.items() if at < until}
            known = self._in_hand | self._sent_unmarked.keys() | put_off
            return next((outgoing for outgoing in waiting if outgoing.id not in known), None)

    async def _deliver(self, outgoing: Outgoing, lane: Lane, tally: _Tally) -> Fate:
        at = tally.clock()
        if outgoing.id in self._sent_unmarked:
            return await self._succeeded(outgoing, lane, tally)
        if outgoing.expires_at <= at and not tally.settles:
            self._put_off[outgoing.id] = at + timedelta(seconds=self._lease_s)
            return "retried"
        if outgoing.expires_at <= at:
            return await self._expire(outgoing, lane, at, f"expired before try {outgoing.attempt}")
        channel = self._channels.get(outgoing.target)
        if channel is None:
            return await self._park(outgoing, lane, at, "no such target is configured; add it, then resend")
        if lane.gone:
            return await self._park(outgoing, lane, at, f"{lane.gone}; mend the target, reopen it, then resend")
        try:
            await channel.send(outgoing, at.timestamp())
        except DeliveryError as exc:
            return await self._failed(outgoing, lane, exc, tally)
        except Exception as exc:  # a fault of our own must not stop the other rows: it is told, and tried again
            fault = DeliveryError(outgoing.target, f"fault of alertd: {exc!r}")
            self._alarm(outgoing, "fault", str(fault))
            return await self._failed(outgoing, lane, fault, tally)
        return await self._succeeded(outgoing, lane, tally)

    async def _succeeded(self, outgoing: Outgoing, lane: Lane, tally: _Tally) -> Fate:
        at = tally.clock()
        ends_outage = lane.succeeded(outgoing, at)
        self._sent_unmarked[outgoing.id] = at
        # One that came through after the channel was disabled says nothing of it: a person may have reopened it since.
        written: list[Kept] = []

        def channel() -> Kept | None:
            written.extend([] if lane.gone else [lane.standing(at)])
            return written[-1] if written else None

        try:
            await tally.desk.mark_done(outgoing.id, at, channel)
        except StoreError as exc:
            self._store_problem = exc
        else:
            self._sent_unmarked.pop(outgoing.id, None)
            self._kept(written[-1] if written else None)
        self._put_off.pop(outgoing.id, None)
        if ends_outage:
            tally.recovered.append(lane.target)
            await self._told(self._outbox.wake, outgoing.target, at)
        return "done"

    async def _failed(self, outgoing: Outgoing, lane: Lane, error: DeliveryError, tally: _Tally) -> Fate:
        at, was_gone = tally.clock(), bool(lane.gone)
        self._alarms += lane.failed(outgoing, error, at, settles=tally.settles)
        # A person may reopen the channel while its last tries are under way: only the first of them disables it.
        channel = partial(self._changed if was_gone else _standing, lane, at)
        since = lane.first_failed(outgoing, at)
        verdict = decide(outgoing.attempt, error, at, outgoing.expires_at, self._rng, since=since)
        if lane.refuses_only(outgoing, error, at):
            verdict = GiveUp(reason=f"{error}, {outgoing.attempt} times, while the target takes others")
        if isinstance(verdict, GiveUp) and verdict.expired and not tally.settles:
            verdict = RetryAt(at=at + timedelta(seconds=self._lease_s))
        if isinstance(verdict, GiveUp):
            settle = self._expire if verdict.expired else self._park
            return await settle(outgoing, lane, at, verdict.reason, channel)
        self._put_off[outgoing.id] = verdict.at
        async with self._writing:
            state = channel()
            if await self._told(self._outbox.mark_retry, outgoing.id, at, verdict.at, str(error), state):
                self._put_off.pop(outgoing.id, None)
                self._kept(state)
        return "retried"

    def _kept(self, channel: Kept | None) -> None:
        if channel is not None:
            self._states[channel.target] = channel.state

    async def _park(
        self, outgoing: Outgoing, lane: Lane, at: datetime, why: str, channel: StateOf | None = None
    ) -> Fate:
        self._alarm(outgoing, "parked", f"{outgoing.target} is parked: {why}")
        await self._settle(self._outbox.mark_parked, outgoing, lane, at, why, channel)
        return "parked"

    async def _expire(
        self, outgoing: Outgoing, lane: Lane, at: datetime, why: str, channel: StateOf | None = None
    ) -> Fate:
        self._alarm(outgoing, "expired", f"{outgoing.target} was never delivered: {why}")
        await self._settle(self._outbox.mark_expired, outgoing, lane, at, why, channel)
        return "expired"

    def _alarm(self, outgoing: Outgoing, kind: AlarmKind, what: str) -> None:
        text = f"notice {outgoing.notice_id} to {what}"
        self._alarms.append(Alarm(target=outgoing.target, kind=kind, text=text, trip_id=outgoing.trip_id))

    async def _settle(
        self,
        mark: Callable[[int, datetime, str, Kept | None], None],
        outgoing: Outgoing,
        lane: Lane,
        at: datetime,
        why: str,
        channel: StateOf | None,
    ) -> None:
        lane.forget(outgoing)
        self._put_off[outgoing.id] = at + timedelta(seconds=self._lease_s)
        async with self._writing:
            state = channel() if channel is not None else self._changed(lane, at)
            if await self._told(mark, outgoing.id, at, why, state):
                self._put_off.pop(outgoing.id, None)
                self._kept(state)

    async def _told(self, write: Callable[_P, object], *args: _P.args, **kwargs: _P.kwargs) -> bool:
        """Write to the store; returns whether it could. The failure itself is raised at the end of the round."""
        try:
            await asyncio.to_thread(write, *args, **kwargs)
        except StoreError as exc:
            self._store_problem = exc
            return False
        return True


def _standing(lane: Lane, at: datetime) -> Kept | None:
    return lane.standing(at)


async def _all(work: Iterable[Coroutine[object, object, None]]) -> None:
    """Run all to their end, then raise the first failure: a send must never be cut off because another lane failed."""
    for ended in await asyncio.gather(*work, return_exceptions=True):
        if isinstance(ended, BaseException):
            raise ended

"""Carries the outbox out. One lane a target, so that one that hangs does not hold up the others."""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from alertd.delivery.channel import Channel, NoticeRefused, Outbox, Outgoing, TargetGone
from alertd.delivery.retry import GiveUp, Rng, decide
from alertd.errors import DeliveryError

LEASE_S = 120.0  # several times a channel's deadline: a lease that ends during a send would send twice
WORKERS_N = 4
FAILURES_A_ROUND = 3
REFUSALS_TO_PARK = 4
PROBE_EVERY = timedelta(minutes=10)  # so that nobody waits longer than this once a target is back
FAILURES_OF_AN_OUTAGE = 3
ALARM_AFTER = timedelta(minutes=15)

Fate = Literal["done", "retried", "parked", "expired"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one call did. `alarms` are lines that a person must get by another way than the one that failed."""

    done_n: int
    retried_n: int
    parked_n: int
    expired_n: int
    alarms: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetHealth:
    target: str
    failures_in_a_row: int
    failing_since: datetime | None
    last_success_at: datetime | None
    last_problem: str
    gone: bool


@dataclass(slots=True, kw_only=True)
class _Lane:
    """What is known about one target while the daemon runs. A restart forgets it, and so asks the target anew."""

    busy: bool = False
    failures_in_a_row: int = 0
    failing_since: datetime | None = None
    alarmed: bool = False
    last_success_at: datetime | None = None
    last_problem: str = ""
    probed_at: datetime | None = None
    hold_until: datetime | None = None  # the target asked for a pause, which holds for all that goes there
    gone: str = ""
    first_refused: dict[int, datetime] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _Tally:
    clock: Callable[[], datetime]
    fates: list[Fate] = field(default_factory=list)


class Dispatcher:
    """Hands what is due to its channel and writes down how it went.

    At least once: a crash between send and mark sends the same bytes under the same id again.
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
        self._lanes: dict[str, _Lane] = {}
        self._sent_unmarked: dict[int, datetime] = {}
        self._alarms: list[str] = []  # kept over a round that the store cut short

    async def deliver_due(self, now: datetime) -> Round:
        """Deliver what is due at `now`, and return when all of it has been tried.

        A second call while the first still waits for a slow target serves the others and leaves that one alone.
        Raises StoreError when the store fails, after every lane has done what it could.
        """
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        # Slow targets take time: times are read off a clock that goes on from `now` and never jumps.
        tally = _Tally(clock=lambda: now + timedelta(seconds=loop.time() - began_s))
        await self._mark_leftovers()
        await self._wake_probes(now)
        targets = await asyncio.to_thread(self._outbox.due_targets, now)
        await _all(self._serve(target, tally) for target in targets)
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
        return tuple(
            TargetHealth(
                target=target,
                failures_in_a_row=lane.failures_in_a_row,
                failing_since=lane.failing_since,
                last_success_at=lane.last_success_at,
                last_problem=lane.last_problem,
                gone=bool(lane.gone),
            )
            for target, lane in sorted(self._lanes.items())
        )

    def enable(self, target: str) -> None:
        """Call a target again that was gone, after a person has put it right."""
        self._lanes.pop(target, None)

    async def _mark_leftovers(self) -> None:
        """Mark what was sent while the store could not be written, before its lease ends and it is sent again."""
        for delivery_id, at in list(self._sent_unmarked.items()):
            await asyncio.to_thread(self._outbox.mark_done, delivery_id, at)
            self._sent_unmarked.pop(delivery_id, None)

    async def _wake_probes(self, now: datetime) -> None:
        """Let one notice try a failing target now and then, and any target once after the start, despite its pause."""
        for target in self._channels:
            lane = self._lanes.setdefault(target, _Lane())
            holds = lane.gone or (lane.hold_until is not None and now < lane.hold_until)
            rested = lane.probed_at is None or (lane.failures_in_a_row > 0 and now - lane.probed_at >= PROBE_EVERY)
            if rested and not holds:
                lane.probed_at = now
                await asyncio.to_thread(self._outbox.wake, target, now, 1)

    async def _serve(self, target: str, tally: _Tally) -> None:
        lane = self._lanes.setdefault(target, _Lane())
        if lane.busy:
            return
        lane.busy = True
        try:
            # A failing target gets one probe; it is not met with everything at once until that has come through.
            failing = lane.failures_in_a_row > 0
            workers_n, allowed_failures = (1, 1) if failing else (self._workers_n, FAILURES_A_ROUND)
            stop_at = lane.failures_in_a_row + allowed_failures
            await _all(self._work(target, lane, stop_at, tally) for _ in range(workers_n))
        finally:
            lane.busy = False

    async def _work(self, target: str, lane: _Lane, stop_at: int, tally: _Tally) -> None:
        while lane.failures_in_a_row < stop_at:
            at = tally.clock()
            if lane.hold_until is not None and at < lane.hold_until:
                return
            claimed = await asyncio.to_thread(self._outbox.claim_due, at, 1, self._lease_s, self._owner, target)
            if not claimed:
                return
            tally.fates.append(await self._deliver(claimed[0], lane, tally))

    async def _deliver(self, outgoing: Outgoing, lane: _Lane, tally: _Tally) -> Fate:
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
            return await self._failed(outgoing, lane, exc, tally)
        except Exception as exc:  # a fault of our own must not stop the other rows; it is told, and tried again
            return await self._failed(outgoing, lane, DeliveryError(outgoing.target, f"fault: {exc!r}"), tally)
        return await self._succeeded(outgoing, lane, tally.clock())

    async def _succeeded(self, outgoing: Outgoing, lane: _Lane, at: datetime) -> Fate:
        # Below this it may be one notice that is refused and not the target that failed: waking would hammer with it.
        was_down = lane.failures_in_a_row >= FAILURES_OF_AN_OUTAGE
        lane.failures_in_a_row, lane.failing_since, lane.alarmed = 0, None, False
        lane.last_success_at, lane.hold_until = at, None
        lane.first_refused.pop(outgoing.id, None)
        self._sent_unmarked[outgoing.id] = at
        await asyncio.to_thread(self._outbox.mark_done, outgoing.id, at)
        self._sent_unmarked.pop(outgoing.id, None)
        if was_down:
            await asyncio.to_thread(self._outbox.wake, outgoing.target, at)
        return "done"

    async def _failed(self, outgoing: Outgoing, lane: _Lane, error: DeliveryError, tally: _Tally) -> Fate:
        at = tally.clock()
        self._note_failure(outgoing, lane, error, at)
        verdict = decide(outgoing.attempt, error, at, outgoing.expires_at, self._rng)
        if self._only_this_one(outgoing, lane, error, at):
            verdict = GiveUp(reason=f"{error}, {outgoing.attempt} times, while the target takes others")
        if isinstance(verdict, GiveUp):
            settle = self._expire if verdict.expired else self._park
            return await settle(outgoing, lane, at, verdict.reason)
        if error.retry_after_s is not None:
            lane.hold_until = at + timedelta(seconds=error.retry_after_s)
        await asyncio.to_thread(self._outbox.mark_retry, outgoing.id, at, verdict.at, str(error))
        return "retried"

    def _note_failure(self, outgoing: Outgoing, lane: _Lane, error: DeliveryError, at: datetime) -> None:
        lane.failures_in_a_row += 1
        lane.failing_since = lane.failing_since or at
        lane.last_problem, lane.probed_at = str(error), at
        if isinstance(error, TargetGone):
            lane.gone = str(error)
        long_enough = lane.failures_in_a_row >= FAILURES_OF_AN_OUTAGE or at - lane.failing_since >= ALARM_AFTER
        if long_enough and not lane.alarmed:
            lane.alarmed = True
            self._alarms.append(
                f"target {outgoing.target}: {lane.failures_in_a_row} tries failed since "
                f"{lane.failing_since:%Y-%m-%d %H:%M}Z; the last: {error}"
            )

    def _only_this_one(self, outgoing: Outgoing, lane: _Lane, error: DeliveryError, at: datetime) -> bool:
        """Whether the fault lies in this notice: refused again and again by a target that takes others meanwhile.

        Such a one would hold back the later news of its trip. A target that refuses everything (a wrong secret, say)
        is another matter, and is tried on.
        """
        if not isinstance(error, NoticeRefused):
            return False
        first = lane.first_refused.setdefault(outgoing.id, at)
        takes_others = lane.last_success_at is not None and lane.last_success_at > first
        return takes_others and outgoing.attempt >= REFUSALS_TO_PARK

    async def _park(self, outgoing: Outgoing, lane: _Lane, at: datetime, why: str) -> Fate:
        lane.first_refused.pop(outgoing.id, None)
        self._alarms.append(f"notice {outgoing.notice_id} to {outgoing.target} is parked: {why}")
        await asyncio.to_thread(self._outbox.mark_parked, outgoing.id, at, why)
        return "parked"

    async def _expire(self, outgoing: Outgoing, lane: _Lane, at: datetime, why: str) -> Fate:
        lane.first_refused.pop(outgoing.id, None)
        self._alarms.append(f"notice {outgoing.notice_id} to {outgoing.target} was never delivered: {why}")
        await asyncio.to_thread(self._outbox.mark_expired, outgoing.id, at, why)
        return "expired"


async def _all(work: Iterable[Coroutine[object, object, None]]) -> None:
    """Run all to their end, then raise the first failure: a send must never be cut off because another lane failed."""
    for ended in await asyncio.gather(*work, return_exceptions=True):
        if isinstance(ended, BaseException):
            raise ended

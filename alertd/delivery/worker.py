"""Delivers due notices to their channels.

Each channel has its own group of workers: a slow channel does not block the others.
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Literal, ParamSpec

from alertd.clock import elapsed_s
from alertd.delivery.batching import OutboxBatcher, StateOf
from alertd.delivery.channel import Channel, DeliveryQueue, OutgoingNotice
from alertd.delivery.circuit_breaker import Alarm, AlarmKind, BreakerHealth, CircuitBreaker
from alertd.delivery.retry import GiveUp, RetryAt, Rng, next_attempt
from alertd.errors import DeliveryError, StoreError
from alertd.notices.channel_state import ChannelState

LEASE_S = 120.0  # several times a channel's deadline: a lease that ends during a send causes a second send
WORKERS_N = 4
MAX_CONCURRENT_SENDS = 256  # over all channels: each is an open connection
MAX_FAILURES_PER_RUN = 3

_P = ParamSpec("_P")
DeliveryOutcome = Literal["done", "retried", "parked", "expired"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """Result of one delivery run.

    `alarms` are for an operator, by another channel than the failed one. `recovered`: channels that were failing and
    have accepted a notice.
    """

    done_n: int
    retried_n: int
    parked_n: int
    expired_n: int
    alarms: tuple[Alarm, ...]
    recovered: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _RunState:
    clock: Callable[[], datetime]
    batcher: OutboxBatcher
    outcomes: list[DeliveryOutcome] = field(default_factory=list)
    recovered: list[str] = field(default_factory=list)
    settles: bool = True


class DeliveryWorker:
    """Sends due notices to their channels and records the outcome.

    At least once: after a crash between send and mark, the same bytes go out again under the same id. While the store
    is readable but not writable (a full disk), each decided notice is still sent once and marked later.
    """

    def __init__(
        self,
        outbox: DeliveryQueue,
        channels: Mapping[str, Channel],
        *,
        owner: str,
        rng: Rng,
        lease_s: float = LEASE_S,
        workers_n: int = WORKERS_N,
        elapsed: Callable[[], float] = elapsed_s,
    ) -> None:
        """`channels` by name. `owner` distinguishes this daemon's claims from another's.

        elapsed: seconds [s] that no step changes and that continue while the machine is suspended: a notice may expire
        between its claim and its send.
        """
        self._elapsed = elapsed
        self._outbox, self._channels = outbox, channels
        self._owner, self._rng = owner, rng
        self._lease_s, self._workers_n = lease_s, workers_n
        self._states: dict[str, str] = {}  # by channel, as last read or written
        self._own = frozenset(channels)  # those that no other process sends on
        self._open = asyncio.Semaphore(MAX_CONCURRENT_SENDS)
        self._writing = asyncio.Lock()  # marks and their channel's state are written in order
        self._breakers: dict[str, CircuitBreaker] = {}
        self._alarms: list[Alarm] = []  # kept when a run ends in a StoreError
        # Not yet written to the store: deliveries sent but not marked, and tried but not rescheduled. Keys are delivery
        # ids.
        self._sent_unmarked: dict[int, datetime] = {}
        self._sent_in_doubt: set[int] = set()  # those of them that were sent by a clock in doubt
        self._put_off: dict[int, datetime] = {}
        self._in_hand: set[int] = set()
        self._store_problem: StoreError | None = None

    async def deliver_due(self, now: datetime, *, settles: bool = True) -> DeliveryReport:
        """Deliver what is due at `now` (UTC); return when every delivery has been tried.

        `settles`: False while the clock is in doubt. Then no notice expires and no channel is disabled for its age. A
        second call during a slow first one serves the other channels and skips the busy one. Raises StoreError when the
        store failed, after every channel has finished; alarms are kept for the next run.
        """
        began_s = self._elapsed()

        # Slow channels take time: times come from a clock that starts at `now` and never jumps.
        def clock() -> datetime:
            return now + timedelta(seconds=self._elapsed() - began_s)

        batcher = OutboxBatcher(
            self._outbox,
            owner=self._owner,
            lease_s=self._lease_s,
            clock=clock,
            writing=self._writing,
            expired_too=settles,
        )
        counts = _RunState(clock=clock, batcher=batcher, settles=settles)
        await self._restore_states()
        await self._mark_leftovers()
        await self._wake_probes(now)
        targets = await asyncio.to_thread(self._outbox.due_channels, now)
        await _gather_all(self._deliver_channel(self._breaker(target), counts) for target in targets)
        self._alarm_overtaken(batcher.overtaken)
        problem, self._store_problem = self._store_problem, None
        if problem is not None:
            raise problem
        alarms, self._alarms = tuple(self._alarms), []
        return DeliveryReport(
            done_n=counts.outcomes.count("done"),
            retried_n=counts.outcomes.count("retried"),
            parked_n=counts.outcomes.count("parked"),
            expired_n=counts.outcomes.count("expired"),
            alarms=alarms,
            recovered=tuple(dict.fromkeys(counts.recovered)),
        )

    def health(self) -> tuple[BreakerHealth, ...]:
        """Return the state of every channel that is configured or was used since the start, sorted by name."""
        return tuple(breaker.health() for _, breaker in sorted(self._breakers.items()))

    def _breaker(self, target: str) -> CircuitBreaker:
        return self._breakers.setdefault(target, CircuitBreaker(target=target))

    async def _restore_states(self) -> None:
        """Read the stored states: another process may have reopened a channel. On failure the last ones stay valid."""
        try:
            own = await asyncio.to_thread(self._outbox.own_channels, self._channels)
            stored = await asyncio.to_thread(self._outbox.channel_states)
        except StoreError as exc:
            self._store_problem = exc
            return
        self._own = own
        for target in self._channels.keys() - own:  # another process sends there: only the store knows the state
            if not self._breaker(target).busy:
                self._breakers[target] = CircuitBreaker(target=target)
                self._states.pop(target, None)
        for target, state in stored.items():
            if self._states.get(target) != state.state:
                self._breaker(target).restore(state)
            self._states[target] = state.state

    def _changed(self, breaker: CircuitBreaker, at: datetime) -> ChannelState | None:
        """Return the breaker's state where it differs from the stored one, because an earlier write failed."""
        return breaker.snapshot(at) if breaker.state != self._states.get(breaker.target, "up") else None

    async def _mark_leftovers(self) -> None:
        """Mark what was sent while the store was not writable, before its lease ends and it is sent again."""
        done, now = dict(self._sent_unmarked), max(self._sent_unmarked.values(), default=None)
        if now is None:
            return
        async with self._writing:
            changed = [
                state for breaker in self._breakers.values() if (state := self._changed(breaker, now)) is not None
            ]
            overtaking = not self._sent_in_doubt.isdisjoint(done)
            overtaken: list[OutgoingNotice] = []
            marked = await self._write(lambda: overtaken.extend(self._outbox.mark_all_done(done, changed, overtaking)))
            self._alarm_overtaken(overtaken)
            self._states |= {state.target: state.state for state in changed if marked}
        if marked:
            for delivery_id in done:
                self._sent_unmarked.pop(delivery_id, None)
            self._sent_in_doubt.intersection_update(self._sent_unmarked)

    async def _wake_probes(self, now: datetime) -> None:
        own = [self._breaker(target) for target in self._channels if target in self._own]
        probing = [breaker for breaker in own if breaker.should_probe(now)]
        if not probing:
            return
        try:
            waiting = await asyncio.to_thread(self._outbox.waiting_channels)
        except StoreError as exc:
            self._store_problem = exc
            return
        for breaker in probing:
            breaker.record_probe(now)
            if breaker.target in waiting:
                await self._write(self._outbox.make_due_now, breaker.target, now, 1)

    async def _deliver_channel(self, breaker: CircuitBreaker, counts: _RunState) -> None:
        if breaker.busy:
            return
        breaker.busy = True
        try:
            # A failing channel gets one probe; the other notices wait until the probe succeeds.
            workers_n, allowed = (1, 1) if breaker.failures_in_a_row else (self._workers_n, MAX_FAILURES_PER_RUN)
            stop_at = breaker.failures_in_a_row + allowed
            await _gather_all(self._run_worker(breaker, stop_at, counts) for _ in range(workers_n))
        finally:
            breaker.busy = False

    async def _run_worker(self, breaker: CircuitBreaker, stop_at: int, counts: _RunState) -> None:
        while breaker.failures_in_a_row < stop_at and not breaker.is_paused(counts.clock()):
            async with self._open:
                outgoing = await self._claim(breaker, counts)
                if outgoing is None:
                    return
                self._in_hand.add(outgoing.id)
                try:
                    counts.outcomes.append(await self._deliver(outgoing, breaker, counts))
                finally:
                    self._in_hand.discard(outgoing.id)

    async def _claim(self, breaker: CircuitBreaker, counts: _RunState) -> OutgoingNotice | None:
        try:
            return await counts.batcher.claim(breaker.target)
        except StoreError as exc:
            self._store_problem, at = exc, counts.clock()
            waiting = await asyncio.to_thread(self._outbox.peek_due, at, breaker.target)
            # There is no await between here and _in_hand.add, so two workers never take the same delivery.
            put_off = {one for one, until in self._put_off.items() if at < until}
            known = self._in_hand | self._sent_unmarked.keys() | put_off
            return next((outgoing for outgoing in waiting if outgoing.id not in known), None)

    async def _deliver(self, outgoing: OutgoingNotice, breaker: CircuitBreaker, counts: _RunState) -> DeliveryOutcome:
        at = counts.clock()
        if outgoing.id in self._sent_unmarked:
            return await self._succeeded(outgoing, breaker, counts)
        if outgoing.expires_at <= at and not counts.settles:
            self._put_off[outgoing.id] = at + timedelta(seconds=self._lease_s)
            return "retried"
        if outgoing.expires_at <= at:
            return await self._expire(outgoing, breaker, at, f"expired before try {outgoing.attempt}")
        channel = self._channels.get(outgoing.target)
        if channel is None:
            return await self._park(outgoing, breaker, at, "no such target is configured; add it, then resend")
        if breaker.disabled_reason:
            return await self._park(
                outgoing, breaker, at, f"{breaker.disabled_reason}; mend the target, reopen it, then resend"
            )
        try:
            await channel.send(outgoing, at.timestamp())
        except DeliveryError as exc:
            return await self._failed(outgoing, breaker, exc, counts)
        except Exception as exc:  # an internal error must not stop the other deliveries: raise an alarm and retry
            fault = DeliveryError(outgoing.target, f"fault of alertd: {exc!r}")
            self._alarm(outgoing, "fault", str(fault))
            return await self._failed(outgoing, breaker, fault, counts)
        return await self._succeeded(outgoing, breaker, counts)

    async def _succeeded(self, outgoing: OutgoingNotice, breaker: CircuitBreaker, counts: _RunState) -> DeliveryOutcome:
        at = counts.clock()
        ends_outage = breaker.record_success(outgoing, at)
        self._sent_unmarked[outgoing.id] = at
        if not counts.settles:
            self._sent_in_doubt.add(outgoing.id)
        # A success after the channel was disabled does not change its stored state: an operator may have reopened it.
        written: list[ChannelState] = []

        def channel() -> ChannelState | None:
            written.extend([] if breaker.disabled_reason else [breaker.snapshot(at)])
            return written[-1] if written else None

        try:
            await counts.batcher.mark_done(outgoing.id, at, channel)
        except StoreError as exc:
            self._store_problem = exc
        else:
            self._sent_unmarked.pop(outgoing.id, None)
            self._sent_in_doubt.discard(outgoing.id)
            self._kept(written[-1] if written else None)
        self._put_off.pop(outgoing.id, None)
        if ends_outage:
            counts.recovered.append(breaker.target)
            await self._write(self._outbox.make_due_now, outgoing.target, at)
        return "done"

    async def _failed(
        self, outgoing: OutgoingNotice, breaker: CircuitBreaker, error: DeliveryError, counts: _RunState
    ) -> DeliveryOutcome:
        at, was_gone = counts.clock(), bool(breaker.disabled_reason)
        self._alarms += breaker.record_failure(outgoing, error, at, settles=counts.settles)
        # An operator may reopen the channel while its last attempts run: only the first of them disables it.
        channel = partial(self._changed, breaker, at) if was_gone else partial(breaker.snapshot, at)
        since = breaker.first_failure_at(outgoing, at)
        verdict = next_attempt(outgoing.attempt, error, at, outgoing.expires_at, self._rng, since=since)
        if breaker.rejects_only(outgoing, error, at):
            verdict = GiveUp(reason=f"{error}, {outgoing.attempt} times, while the target takes others")
        if isinstance(verdict, GiveUp) and verdict.expired and not counts.settles:
            verdict = RetryAt(at=at + timedelta(seconds=self._lease_s))
        if isinstance(verdict, GiveUp):
            settle = self._expire if verdict.expired else self._park
            return await settle(outgoing, breaker, at, verdict.reason, channel)
        self._put_off[outgoing.id] = verdict.at
        async with self._writing:
            state = channel()
            if await self._write(self._outbox.mark_retry, outgoing.id, at, verdict.at, str(error), state):
                self._put_off.pop(outgoing.id, None)
                self._kept(state)
        return "retried"

    def _kept(self, channel: ChannelState | None) -> None:
        if channel is not None:
            self._states[channel.target] = channel.state

    async def _park(
        self, outgoing: OutgoingNotice, breaker: CircuitBreaker, at: datetime, why: str, channel: StateOf | None = None
    ) -> DeliveryOutcome:
        self._alarm(outgoing, "parked", f"{outgoing.target} is parked: {why}")
        await self._settle(self._outbox.mark_parked, outgoing, breaker, at, why, channel)
        return "parked"

    async def _expire(
        self, outgoing: OutgoingNotice, breaker: CircuitBreaker, at: datetime, why: str, channel: StateOf | None = None
    ) -> DeliveryOutcome:
        self._alarm(outgoing, "expired", f"{outgoing.target} was never delivered: {why}")
        await self._settle(self._outbox.mark_expired, outgoing, breaker, at, why, channel)
        return "expired"

    def _alarm_overtaken(self, parked: Iterable[OutgoingNotice]) -> None:
        for outgoing in parked:
            self._put_off.pop(outgoing.id, None)
            self._alarm(outgoing, "parked", f"{outgoing.target} is parked: newer news of its trip went before")

    def _alarm(self, outgoing: OutgoingNotice, kind: AlarmKind, what: str) -> None:
        text = f"notice {outgoing.notice_id} to {what}"
        self._alarms.append(Alarm(target=outgoing.target, kind=kind, text=text, trip_id=outgoing.trip_id))

    async def _settle(
        self,
        mark: Callable[[int, datetime, str, ChannelState | None], None],
        outgoing: OutgoingNotice,
        breaker: CircuitBreaker,
        at: datetime,
        why: str,
        channel: StateOf | None,
    ) -> None:
        breaker.discard(outgoing)
        self._put_off[outgoing.id] = at + timedelta(seconds=self._lease_s)
        async with self._writing:
            state = channel() if channel is not None else self._changed(breaker, at)
            if await self._write(mark, outgoing.id, at, why, state):
                self._put_off.pop(outgoing.id, None)
                self._kept(state)

    async def _write(self, write: Callable[_P, object], *args: _P.args, **kwargs: _P.kwargs) -> bool:
        """Write to the store; return whether it succeeded. The failure itself is raised at the end of the run."""
        try:
            await asyncio.to_thread(write, *args, **kwargs)
        except StoreError as exc:
            self._store_problem = exc
            return False
        return True


async def _gather_all(work: Iterable[Coroutine[object, object, None]]) -> None:
    """Run all to completion, then raise the first failure: a failing channel must not cancel another's send."""
    for result in await asyncio.gather(*work, return_exceptions=True):
        if isinstance(result, BaseException):
            raise result

"""Circuit breaker of one channel: whether it is up, paused or disabled, and which alarms to raise.

Only its `ChannelState` survives a restart. The rest is lost, so the channel is probed again.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from alertd.delivery.channel import ChannelGone, NoticeRejected, OutgoingNotice
from alertd.delivery.retry import MAX_RETRY_AFTER_S
from alertd.errors import DeliveryError
from alertd.notices.channel_state import ChannelState, State

OUTAGE_FAILURES = 3


ALARM_AFTER = timedelta(minutes=15)


PROBE_EVERY = timedelta(minutes=10)  # longest wait of a notice after a channel recovers


REJECTIONS_TO_PARK = 4


DISABLE_AFTER = timedelta(days=5)  # of failures only; an alarm is always raised

AlarmKind = Literal["failing", "pause", "disabled", "parked", "expired", "fault"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A problem to report by another channel than `target`. `trip_id` is "" when it is not about a single trip."""

    target: str
    kind: AlarmKind
    text: str
    trip_id: str = ""

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakerHealth:
    """Present state of one breaker. Times are UTC; None where there was no such event."""

    target: str
    failures_in_a_row: int
    failing_since: datetime | None
    last_success_at: datetime | None
    last_problem: str
    disabled: bool


@dataclass(slots=True, kw_only=True)
class CircuitBreaker:
    """Breaker of one channel. `disabled_reason` and `last_problem` are "" when there is none."""

    target: str
    busy: bool = False
    failures_in_a_row: int = 0
    failing_since: datetime | None = None
    last_success_at: datetime | None = None
    last_failure_at: datetime | None = None
    last_problem: str = ""
    disabled_reason: str = ""
    _alarmed: bool = False
    _probed_at: datetime | None = None
    _paused_until: datetime | None = None
    _first_failed: dict[int, datetime] = field(default_factory=dict)
    _first_rejected: dict[int, datetime] = field(default_factory=dict)

    def snapshot(self, at: datetime) -> ChannelState:
        """Return the state to store, as at `at` (UTC)."""
        state, since, why = self.state, at, self.disabled_reason
        if state == "failing":
            since = self.failing_since or at
        if not self.disabled_reason and self.failures_in_a_row:
            why = self.last_problem
        return ChannelState(
            target=self.target,
            state=state,
            since=since,
            why=why,
            last_success_at=self.last_success_at,
            last_failure_at=self.last_failure_at,
            failures=self.failures_in_a_row,
        )

    @property
    def state(self) -> State:
        """ "disabled", "failing" once its alarm was raised, else "up"."""
        if self.disabled_reason:
            return "disabled"
        return "failing" if self._alarmed and self.failing_since is not None else "up"

    def restore(self, stored: ChannelState) -> None:
        """Apply a stored state: after a restart, and when an operator has reopened the channel."""
        if stored.state == "disabled":
            self.disabled_reason = stored.why
        elif stored.state == "failing" and self.failing_since is None and self.last_success_at is None:
            self.failures_in_a_row, self.failing_since = OUTAGE_FAILURES, stored.since
            self.last_problem, self._alarmed = stored.why, True
        elif stored.state == "up" and self.disabled_reason:
            self.disabled_reason, self.failures_in_a_row, self.failing_since, self._alarmed = "", 0, None, False
            self._paused_until = self._probed_at = None
        elif stored.state == "up" and self.failing_since is None and self.last_success_at is None:
            self.failures_in_a_row, self.last_failure_at = stored.failures, stored.last_failure_at
            self.last_problem = stored.why

    def is_paused(self, at: datetime) -> bool:
        """Return whether the channel requested a pause that still lasts; it applies to all notices."""
        return self._paused_until is not None and at < self._paused_until

    def should_probe(self, at: datetime) -> bool:
        """Return whether to try one notice before its retry time.

        True once after the start, then every `PROBE_EVERY` while the channel fails.
        """
        if self.disabled_reason or self.is_paused(at):
            return False
        return self._probed_at is None or (self.failures_in_a_row > 0 and at - self._probed_at >= PROBE_EVERY)

    def record_probe(self, at: datetime) -> None:
        """Record the time of a probe (UTC)."""
        self._probed_at = at

    def record_success(self, outgoing: OutgoingNotice, at: datetime) -> bool:
        """Record a success; return whether it ends an outage, so that all waiting notices become due.

        Fewer failures than `OUTAGE_FAILURES` may come from one rejected notice. To wake the others for each of those
        would repeat the rejected one too often.
        """
        ends_outage = self.failures_in_a_row >= OUTAGE_FAILURES
        self.failures_in_a_row, self.failing_since, self._alarmed = 0, None, False
        self.last_success_at = at
        self.discard(outgoing)
        return ends_outage

    def record_failure(
        self, outgoing: OutgoingNotice, error: DeliveryError, at: datetime, *, settles: bool = True
    ) -> list[Alarm]:
        """Record a failure; return new alarms. `settles`: the clock is reliable enough to count days."""
        self._first_failed.setdefault(outgoing.id, at)
        self.failures_in_a_row += 1
        self.failing_since = self.failing_since or at
        self.last_problem, self._probed_at, self.last_failure_at = str(error), at, at
        alarms = []
        if isinstance(error, ChannelGone):
            self.disabled_reason = str(error)
            alarms.append(self._alarm("disabled", f"wants no more notices and is disabled: {error}"))
        elif settles and at - self.failing_since >= DISABLE_AFTER:
            self.disabled_reason = f"nothing but failures since {self.failing_since:%Y-%m-%d %H:%M}Z; the last: {error}"
            alarms.append(self._alarm("disabled", f"is disabled: {self.disabled_reason}"))
        if error.retry_after_s is not None:
            pause = timedelta(seconds=min(error.retry_after_s, MAX_RETRY_AFTER_S))
            self._paused_until = at + pause
            if pause >= ALARM_AFTER:
                alarms.append(
                    self._alarm("pause", f"takes nothing until {self._paused_until:%Y-%m-%d %H:%M}Z: {error}")
                )
        lasts = self.failures_in_a_row >= OUTAGE_FAILURES or at - self.failing_since >= ALARM_AFTER
        if lasts and not self._alarmed and not self.disabled_reason:
            self._alarmed = True
            problem = f"{self.failures_in_a_row} tries failed since {self.failing_since:%Y-%m-%d %H:%M}Z"
            alarms.append(self._alarm("failing", f"{problem}; the last: {error}"))
        return alarms

    def _alarm(self, kind: AlarmKind, what: str) -> Alarm:
        return Alarm(target=self.target, kind=kind, text=f"target {self.target}: {what}")

    def first_failure_at(self, outgoing: OutgoingNotice, at: datetime) -> datetime:
        """Return when this process first failed to deliver the notice; `at` if it has not."""
        return self._first_failed.get(outgoing.id, at)

    def rejects_only(self, outgoing: OutgoingNotice, error: DeliveryError, at: datetime) -> bool:
        """Return whether the fault is in this notice: rejected repeatedly while the channel accepts others.

        Such a notice would block later notices of its trip. A channel that rejects everything (a wrong secret, for
        example) keeps its retries.
        """
        if not isinstance(error, NoticeRejected):
            return False
        first = self._first_rejected.setdefault(outgoing.id, at)
        takes_others = self.last_success_at is not None and self.last_success_at > first
        return takes_others and outgoing.attempt >= REJECTIONS_TO_PARK

    def discard(self, outgoing: OutgoingNotice) -> None:
        """Forget the failures of a settled notice."""
        self._first_rejected.pop(outgoing.id, None)
        self._first_failed.pop(outgoing.id, None)

    def health(self) -> BreakerHealth:
        """Return the present state for metrics."""
        return BreakerHealth(
            target=self.target,
            failures_in_a_row=self.failures_in_a_row,
            failing_since=self.failing_since,
            last_success_at=self.last_success_at,
            last_problem=self.last_problem,
            disabled=bool(self.disabled_reason),
        )

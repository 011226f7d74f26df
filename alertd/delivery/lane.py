"""What is known about one target while the daemon runs: is it up, did it ask for a pause, must a person be told.

A restart forgets it, and so asks the target anew.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from alertd.delivery.channel import NoticeRefused, Outgoing, TargetGone
from alertd.delivery.retry import LONGEST_ASKED_WAIT_S
from alertd.errors import DeliveryError

FAILURES_OF_AN_OUTAGE = 3
ALARM_AFTER = timedelta(minutes=15)
PROBE_EVERY = timedelta(minutes=10)  # so that nobody waits longer than this once a target is back
REFUSALS_TO_PARK = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetHealth:
    target: str
    failures_in_a_row: int
    failing_since: datetime | None
    last_success_at: datetime | None
    last_problem: str
    gone: bool


@dataclass(slots=True, kw_only=True)
class Lane:
    """One target's. `gone` and `last_problem` are "" while there is nothing to say."""

    target: str
    busy: bool = False
    failures_in_a_row: int = 0
    failing_since: datetime | None = None
    last_success_at: datetime | None = None
    last_problem: str = ""
    gone: str = ""
    _alarmed: bool = False
    _probed_at: datetime | None = None
    _hold_until: datetime | None = None
    _first_refused: dict[int, datetime] = field(default_factory=dict)

    def holds(self, at: datetime) -> bool:
        """Whether the target asked for a pause, which holds for all that goes there."""
        return self._hold_until is not None and at < self._hold_until

    def wants_probe(self, at: datetime) -> bool:
        """Whether one notice should try it despite its own pause: once after the start, then now and then."""
        if self.gone or self.holds(at):
            return False
        return self._probed_at is None or (self.failures_in_a_row > 0 and at - self._probed_at >= PROBE_EVERY)

    def probed(self, at: datetime) -> None:
        self._probed_at = at

    def succeeded(self, outgoing: Outgoing, at: datetime) -> bool:
        """Returns whether this ends an outage, so that all that waits may go.

        Below so many failures it may be one refused notice and not the target that failed: waking would hammer with it.
        """
        ends_outage = self.failures_in_a_row >= FAILURES_OF_AN_OUTAGE
        self.failures_in_a_row, self.failing_since, self._alarmed = 0, None, False
        self.last_success_at = at
        self.forget(outgoing)
        return ends_outage

    def failed(self, error: DeliveryError, at: datetime) -> list[str]:
        """Returns what a person must hear of now, one line each."""
        self.failures_in_a_row += 1
        self.failing_since = self.failing_since or at
        self.last_problem, self._probed_at = str(error), at
        if isinstance(error, TargetGone):
            self.gone = str(error)
        alarms = []
        if error.retry_after_s is not None:
            pause = timedelta(seconds=min(error.retry_after_s, LONGEST_ASKED_WAIT_S))
            self._hold_until = at + pause
            if pause >= ALARM_AFTER:
                alarms.append(f"target {self.target} takes nothing until {self._hold_until:%Y-%m-%d %H:%M}Z: {error}")
        lasts = self.failures_in_a_row >= FAILURES_OF_AN_OUTAGE or at - self.failing_since >= ALARM_AFTER
        if lasts and not self._alarmed:
            self._alarmed = True
            alarms.append(
                f"target {self.target}: {self.failures_in_a_row} tries failed since "
                f"{self.failing_since:%Y-%m-%d %H:%M}Z; the last: {error}"
            )
        return alarms

    def refuses_only(self, outgoing: Outgoing, error: DeliveryError, at: datetime) -> bool:
        """Whether the fault lies in this notice: refused again and again by a target that takes others meanwhile.

        Such a one would hold back the later news of its trip. A target that refuses everything (a wrong secret, say)
        is another matter, and is tried on.
        """
        if not isinstance(error, NoticeRefused):
            return False
        first = self._first_refused.setdefault(outgoing.id, at)
        takes_others = self.last_success_at is not None and self.last_success_at > first
        return takes_others and outgoing.attempt >= REFUSALS_TO_PARK

    def forget(self, outgoing: Outgoing) -> None:
        self._first_refused.pop(outgoing.id, None)

    def health(self) -> TargetHealth:
        return TargetHealth(
            target=self.target,
            failures_in_a_row=self.failures_in_a_row,
            failing_since=self.failing_since,
            last_success_at=self.last_success_at,
            last_problem=self.last_problem,
            gone=bool(self.gone),
        )

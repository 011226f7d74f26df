"""Notification policy: when, how often and to whom; every setting with its reason.

[A] marks an assumption with no source found; it stays a setting.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from alertd.i18n import ENGLISH, Translator
from alertd.notices.model import Audience
from alertd.plan.model.plan import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """Relief is slower than worse news, because a driver who got false relief once may ignore later messages.

    A stretch is raised at the plan's own probabilities and prices. It is eased only below these [A], after it has been
    milder for `ease_after` and over a newer forecast, or for `ease_alone_after` where a single source supports it: one
    source may err in a plausible way. Forecast timing shifts by hours from one issue to the next and often shifts back.
    A change of stop, tires or hour only waits for `least_gap` after the last message on the trip, unless its action
    comes within `soon`. A rise never waits.

    A driver gets at most `driver_most_an_hour` messages [A]. In quiet hours (local at the start of the trip) a driver
    gets only what needs action within `quiet_yields`. An hour's sleep costs less than a missed chain-up, but more than
    news that can wait. A delayed message goes to the dispatcher at once and to the driver as soon as allowed.

    outlook_at: local time of the message on the evening before, useful for `outlook_for`. early: time from the early
    notice to chain-up; it is sent if the driver's last message about it is older than `repeated_after`. approach: time
    from the last message to chain-up. Common practice is 20 to 40 minutes (no source), and a driver must still find a
    place to park and read. recheck_after: from chain-up to the recheck of the chains (common practice: after a short
    run). off_ahead: time before the place where they come off.

    escalate_after, escalate_share: an unconfirmed urgent message goes to the dispatcher after this time, or after this
    share of the time left, but not before `escalate_least`. The driver is reminded at half of it. Zero: confirmation is
    not available.

    tell_rolling_driver: under way, notify the driver instead of the dispatcher. Reading a text at the wheel is a
    federal offence (49 CFR 392.80). Use it only for drivers without a dispatcher whose phone holds messages back while
    moving.

    before_rolling: a driver who has not left gets everything about the trip at once, so long before the departure. The
    outlook on the evening before is the only earlier message. Two hours are enough to load chains or to stay.

    digest_every: the office gets what changed in one digest, at most so often: at two hours that is twelve a day at
    most, for any number of trucks. What needs the office within `soon` is sent alone. Zero: every message alone.

    delivery_late, delivery_late_probability: a delivery is late from this expected lateness on, and may be late from
    this chance on [A]. It is on time again below `delivery_cleared_probability` and with no expected lateness [A]: a
    customer who has moved a dock slot twice believes no third word. delivery_step: a late delivery is reported again
    when its lateness moves by so much [A]: dock slots are about an hour long.

    planned_every: interval between plans of a trip, named in the message that no chains are expected.

    may_ease: False while the clock is in doubt, by which relief is timed. Then none is sent and no time of it begins.
    """

    ease_after: timedelta = timedelta(hours=1)
    ease_alone_after: timedelta = timedelta(hours=2)
    chain_cleared_probability: float = 0.4
    ready_cleared_probability: float = 0.1
    chain_cleared_worth: float = 0.8
    least_gap: timedelta = timedelta(minutes=30)
    soon: timedelta = timedelta(hours=2)
    driver_most_an_hour: int = 4
    quiet_from: time = time(21, 0)
    quiet_to: time = time(4, 0)
    quiet_yields: timedelta = timedelta(hours=3)
    outlook_at: time = time(18, 30)
    outlook_for: timedelta = timedelta(hours=3)
    early: timedelta = timedelta(hours=3)
    repeated_after: timedelta = timedelta(hours=6)
    approach: timedelta = timedelta(minutes=45)
    recheck_after: timedelta = timedelta(minutes=20)
    off_ahead: timedelta = timedelta(minutes=20)
    escalate_after: timedelta = timedelta(minutes=30)
    escalate_share: float = 0.25
    escalate_least: timedelta = timedelta(minutes=5)
    tell_rolling_driver: bool = False
    before_rolling: timedelta = timedelta(hours=2)
    digest_every: timedelta = timedelta(hours=2)
    delivery_late: timedelta = timedelta(minutes=15)
    delivery_late_probability: float = 0.3
    delivery_cleared_probability: float = 0.1
    delivery_step: timedelta = timedelta(hours=1)
    planned_every: timedelta = timedelta(minutes=30)
    may_ease: bool = True

    def is_quiet(self, now_utc: datetime, zone: str) -> bool:
        """Whether it is quiet hours by the clock of `zone`; equal ends mean that there are none."""
        return self.quiet_at(now_utc.astimezone(ZoneInfo(zone)).time())

    def quiet_at(self, local: time) -> bool:
        """Whether a local time of day is in the quiet hours."""
        if self.quiet_from <= self.quiet_to:
            return self.quiet_from <= local < self.quiet_to
        return local >= self.quiet_from or local < self.quiet_to

    def quiet_changes_at(self, now_utc: datetime, zone: str) -> datetime:
        """The next begin or end of quiet hours by the clock of `zone`, within an hour without a change of the clock."""
        today = now_utc.astimezone(ZoneInfo(zone)).date()
        days = (today, today + timedelta(days=1))
        ends = [datetime.combine(d, at, ZoneInfo(zone)) for d in days for at in (self.quiet_from, self.quiet_to)]
        return min(at.astimezone(UTC) for at in ends if at > now_utc)

    def outlook_time(self, depart_at: datetime, zone: str) -> datetime:
        """The time of the outlook on the evening before a departure."""
        day = depart_at.astimezone(ZoneInfo(zone)).date() - timedelta(days=1)
        return datetime.combine(day, self.outlook_at, ZoneInfo(zone))

    def messages_left(self, sent_at: Sequence[datetime], now_utc: datetime) -> int:
        """Return how many more messages a driver may get now, given the times of earlier ones."""
        lately = sum(now_utc - timedelta(hours=1) < at <= now_utc for at in sent_at)
        return max(0, self.driver_most_an_hour - lately)


def recipient(plan: Plan, now_utc: datetime, policy: Policy, office: Translator = ENGLISH) -> tuple[Audience, str]:
    """Return who gets a driver's message now, and its prefix in the office's language.

    From the planned departure on the driver may be at the wheel. The dispatcher then gets the message, to pass on when
    the truck is parked (49 CFR 392.80: reading a text while driving is texting).
    """
    if now_utc < plan.depart_at or policy.tell_rolling_driver:
        return Audience.DRIVER, ""
    driver = plan.driver or office.gettext("the driver")
    return Audience.DISPATCHER, office.gettext("PASS ON WHEN PARKED to {driver}: ", driver=driver)

"""When to speak, how often and to whom: every choice an operator may change, with its reason.

[A] marks an assumption with no source found; it stays a setting.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from alertd.i18n import ENGLISH, Translator
from alertd.notices.model import Audience
from alertd.plan.model import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """Relief comes slower than worse news, because who was told to relax does not listen a second time.

    A stretch is raised at the plan's own probabilities and eased only below these [A], after it has stayed milder for
    `ease_after` and over a newer forecast: timing moves by hours from one issue to the next, and takes that back as
    often. What only moved (stop, tires, hour) waits for `least_gap` after the last message on the trip, unless its
    action comes within `soon`; what grew worse never waits.

    A driver is told at most `driver_most_an_hour` [A], and in quiet hours (local at the start of the trip) only of what
    must be acted on within `quiet_yields`: an hour's sleep is cheaper than a missed chain-up, but not than news that
    can wait. What is held back goes to the dispatcher at once and to the driver as soon as may be.

    outlook_at: local time of the message the evening before, worth sending for `outlook_for`. early: how long before
    hanging the early notice comes, where the driver last heard of it longer than `repeated_after` ago. approach: how
    long before hanging the last message comes; 20 to 40 minutes before are common practice (no source), and a driver
    must still find a place to park and read. recheck_after: from hanging to looking at the chains again (common
    practice: after a short run). off_ahead: before the place where they come off.

    escalate_after, escalate_share: an urgent message that nobody confirmed goes to the dispatcher after so long, or
    after so much of the time left, but not before `escalate_least`; half way there the driver is reminded. Zero:
    nobody has a way to confirm.

    tell_rolling_driver: once under way, the driver instead of the dispatcher. A text read at the wheel is a federal
    offence (49 CFR 392.80), so only for who has no dispatcher and a phone that holds messages back while moving.

    planned_every: how often a trip is planned again, which the message that no chains are expected names.
    """

    ease_after: timedelta = timedelta(hours=1)
    chain_cleared_probability: float = 0.4
    ready_cleared_probability: float = 0.1
    least_gap: timedelta = timedelta(minutes=30)
    soon: timedelta = timedelta(hours=2)
    driver_most_an_hour: int = 4
    quiet_from: time = time(21, 0)
    quiet_to: time = time(4, 0)
    quiet_yields: timedelta = timedelta(hours=3)
    outlook_at: time = time(18, 30)
    outlook_for: timedelta = timedelta(hours=3)
    early: timedelta = timedelta(hours=3)
    repeated_after: timedelta = timedelta(hours=2)
    approach: timedelta = timedelta(minutes=45)
    recheck_after: timedelta = timedelta(minutes=20)
    off_ahead: timedelta = timedelta(minutes=20)
    escalate_after: timedelta = timedelta(minutes=30)
    escalate_share: float = 0.25
    escalate_least: timedelta = timedelta(minutes=5)
    tell_rolling_driver: bool = False
    planned_every: timedelta = timedelta(minutes=30)

    def is_quiet(self, now_utc: datetime, zone: str) -> bool:
        """Whether it is a driver's quiet hours by the clock of `zone`; equal ends mean that there are none."""
        return self.quiet_at(now_utc.astimezone(ZoneInfo(zone)).time())

    def quiet_at(self, local: time) -> bool:
        """Whether a local time of day lies in the quiet hours."""
        if self.quiet_from <= self.quiet_to:
            return self.quiet_from <= local < self.quiet_to
        return local >= self.quiet_from or local < self.quiet_to

    def messages_left(self, sent_at: Sequence[datetime], now_utc: datetime) -> int:
        """How many more messages a driver may get now, who was told at these moments."""
        lately = sum(now_utc - timedelta(hours=1) < at <= now_utc for at in sent_at)
        return max(0, self.driver_most_an_hour - lately)


def recipient(plan: Plan, now_utc: datetime, policy: Policy, office: Translator = ENGLISH) -> tuple[Audience, str]:
    """Who gets a driver's words now, and what stands before them in the office's language.

    From the planned departure on a driver may be at the wheel, so the dispatcher gets them to pass on when the truck is
    parked (49 CFR 392.80: reading a text while driving is texting).
    """
    if now_utc < plan.depart_at or policy.tell_rolling_driver:
        return Audience.DRIVER, ""
    driver = plan.driver or office.gettext("the driver")
    return Audience.DISPATCHER, office.gettext("PASS ON WHEN PARKED to {driver}: ", driver=driver)

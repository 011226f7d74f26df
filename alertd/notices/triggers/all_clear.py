"""One message for a trip that asks for no chains, so that silence never has to be read as clear."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from alertd.i18n import Tongue, Tongues
from alertd.notices.model import Notice, NoticeKind
from alertd.notices.next_action import is_old
from alertd.notices.policy import Policy, reader
from alertd.notices.sent_state import Said
from alertd.notices.text import driver_parts, phrases
from alertd.notices.text.driver_sms import fitted
from alertd.notices.triggers.compose import message
from alertd.plan.model import Advice, Plan

AHEAD = timedelta(hours=12)  # a clear road further ahead is a forecast that changes before the truck leaves
KEY = ("no chains expected",)  # the same for every plan of a trip: it is sent once


def all_clear(
    plan: Plan, said: Sequence[Said], now_utc: datetime, policy: Policy, tongues: Tongues
) -> tuple[Notice, ...]:
    """The message, from the evening before or 12 hours before the departure; never in a driver's quiet hours.

    Only on a whole plan that is plainly clear, and not where anything else was sent about the trip: a driver who was
    told of chains gets the relief in other words. Once under way the dispatcher gets it to pass on.
    """
    zone = ZoneInfo(plan.depart_zone)
    eve = datetime.combine(plan.depart_at.astimezone(zone).date() - timedelta(days=1), policy.outlook_at, zone)
    doubted = plan.partial or plan.posted_missing or not plan.sources or is_old(plan, now_utc)
    if doubted or said or plan.advice is not Advice.CLEAR or plan.stretches or plan.surfaces or plan.bridges:
        return ()
    if not max(eve, plan.depart_at - AHEAD) <= now_utc < plan.arrive_at or policy.is_quiet(now_utc, plan.depart_zone):
        return ()
    audience, prefix = reader(plan, now_utc, policy, tongues.office)
    text = prefix + all_clear_text(plan, policy, tongues.driver)
    return (message(plan, NoticeKind.OUTLOOK, audience, text, plan.arrive_at, KEY, now_utc, whoever=True),)


def all_clear_text(plan: Plan, policy: Policy, tongue: Tongue) -> str:
    """As of when, until when a new look is taken, and that chains stay aboard."""
    zone, by = plan.depart_zone, plan.made_at
    next_look = plan.made_at + policy.planned_every

    def said(cut: int) -> str:
        text = tongue.say(
            "{route}, leaving {leaves}: no chains expected, as of {now}. Next look by {next}, and you hear if that "
            "changes. Keep chains aboard.",
            route=plan.route_name[:cut].rstrip(),
            leaves=phrases.clock_on(plan.depart_at, zone, by, tongue),
            now=phrases.clock(by, zone),
            next=phrases.clock_on(next_look, zone, by, tongue),
        )
        return f"{text} {driver_parts.ages(plan, (), tongue)}. {driver_parts.tail(tongue)}"

    return fitted(said, (60, 40, 26, 16))

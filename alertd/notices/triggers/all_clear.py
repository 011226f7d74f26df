"""Triggers one message for a trip without chains, so that the absence of a message never means clear."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import partial

from alertd.i18n import Translator, Translators
from alertd.notices.model import Notice, NoticeKind
from alertd.notices.next_action import is_old
from alertd.notices.policy import Policy, recipient
from alertd.notices.sent_state import SentFact
from alertd.notices.text import days_text, driver_parts, law_text, phrases
from alertd.notices.text.driver_sms import fit_segments
from alertd.notices.triggers.compose import NoticeDraft, driver_words, pass_on_marks, person_notice
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice

AHEAD = timedelta(hours=12)  # a clear forecast further ahead may change before departure
REST_NAME = 26  # most letters of the name of a rest's place in a text
LEAST_CUT = 16  # letters of the route's name in the shortest text, which has no law either
KEY = ("no chains expected",)  # equal for every plan of a trip: it is sent once


def all_clear(
    plan: Plan, facts: Sequence[SentFact], now_utc: datetime, policy: Policy, translators: Translators
) -> tuple[Notice, ...]:
    """Return the message, from the evening before or 12 hours before departure; never in quiet hours.

    Only for a complete plan that is clear, and only if nothing else was sent about the trip. A driver who was warned of
    chains gets another relief text. Under way the dispatcher gets it to pass on.
    """
    eve = policy.outlook_time(plan.depart_at, plan.depart_zone)
    doubted = plan.partial or plan.posted_missing or not plan.sources or is_old(plan, now_utc)
    if doubted or facts or plan.advice is not Advice.CLEAR or plan.stretches or plan.surfaces or plan.bridges:
        return ()
    if not max(eve, plan.depart_at - AHEAD) <= now_utc < plan.arrive_at or policy.is_quiet(now_utc, plan.depart_zone):
        return ()
    audience, marks = recipient(plan, now_utc, policy)[0], pass_on_marks(plan, now_utc, policy)
    text = driver_words(partial(all_clear_text, plan, policy), plan, now_utc, policy, translators)
    return (
        person_notice(
            plan,
            NoticeDraft(NoticeKind.OUTLOOK, audience, text, plan.arrive_at, KEY, same_for_all=True, marks=marks),
            now_utc,
        ),
    )


def all_clear_text(plan: Plan, policy: Policy, translator: Translator) -> str:
    """Return the text: times of this plan and the next, that chains stay aboard, and the next rest if there is room."""
    zone, by = plan.depart_zone, plan.made_at
    law = law_text.other_duties_words(plan, translator)
    next_look = plan.made_at + policy.planned_every

    def shorten(form: tuple[int, bool]) -> str:
        cut, rested = form
        text = translator.gettext(
            "{route}, leaving {leaves}: no chains expected, as of {now}. Next look by {next}, and you hear if that "
            "changes. Keep chains aboard.",
            route=plan.route_name[:cut].rstrip(),
            leaves=phrases.clock_on(plan.depart_at, zone, by, translator),
            now=phrases.clock_time(by, zone),
            next=phrases.clock_on(next_look, zone, by, translator),
        )
        rest = days_text.next_rest_words(plan, REST_NAME, translator) if rested else ""
        age = f"{phrases.forecast_age(plan, translator=translator)}."
        return " ".join(
            part for part in (text, law if cut > LEAST_CUT else "", rest, age, driver_parts.closing(translator)) if part
        )

    with_rest = [(cut, True) for cut in (60, 40, 26)]
    return fit_segments(shorten, [*with_rest, *((cut, False) for cut in (60, 40, 26, LEAST_CUT))])

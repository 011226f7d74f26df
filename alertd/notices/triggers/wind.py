"""Cautions for wind and poor sight: the driver's text, what counts as news, and when they end.

A hold for the same reasons is a closure: see `closures`.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices import surfaces
from alertd.notices.headline import reason
from alertd.notices.sent_state import SentFact
from alertd.notices.text import driver_parts, gsm7, phrases
from alertd.notices.text.driver_sms import fit_segments
from alertd.notices.triggers.compose import Message, facts_digest
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import to_plain
from alertd.units import KMH_MPS, MILE_M, to_mph

CAUTION: Final = "wind or sight"  # used as stop_id
MIN_SHIFT: Final = timedelta(minutes=60)  # a smaller shift of its begin or end is not news
GROWN_M: Final = 20.0 * MILE_M  # nor is a smaller growth: our choice, wind covers whole valleys
WIND: Final = "wind"
_CUTS: Final = (1, 0)


def cautions(plan: Plan) -> tuple[ClosureNote, ...]:
    """Return the wind and poor sight that the truck meets, without those to hold for."""
    return tuple(n for n in plan.closures if n.kind and n.met and not n.held)


def is_caution(row: SentFact) -> bool:
    """Whether a row is about wind or sight."""
    return row.stop_id == CAUTION


def caution_facts(note: ClosureNote) -> SentFact:
    """Return a caution as facts: `tires` holds its end, "" for none."""
    return SentFact(
        advice=Advice.SLOW,
        start_m=note.start_m,
        end_m=note.end_m,
        place=note.what,
        stop_id=CAUTION,
        tires="" if note.ends_at is None else str(to_plain(note.ends_at)),
        singles_short=0,
        at=note.enter_at,
    )


def news(plan: Plan, before: Sequence[SentFact], now_utc: datetime) -> tuple[ClosureNote, ...]:
    """Return the cautions ahead that were not sent, or have grown, or begin or end at another hour."""
    here_m = plan.position.distance_m if plan.position else None
    ahead = [n for n in cautions(plan) if here_m is None or n.end_m > here_m]
    return tuple(n for n in ahead if not any(_covers(b, n, here_m) for b in before if b.advice is Advice.SLOW))


def _covers(row: SentFact, note: ClosureNote, here_m: float | None) -> bool:
    if not _is_same(row, note):
        return False
    more_m = max(row.start_m - note.start_m, 0.0) + max(note.end_m - row.end_m, 0.0)
    ends = caution_facts(note).tires
    longer = bool(row.tires) and (
        not ends or datetime.fromisoformat(ends) - datetime.fromisoformat(row.tires) >= MIN_SHIFT
    )
    inside = here_m is not None and here_m >= note.start_m  # the driver feels it
    sooner = row.at - note.enter_at >= MIN_SHIFT
    return more_m < GROWN_M and (inside or not (longer or sooner))


def _is_same(row: SentFact, note: ClosureNote) -> bool:
    return row.place == note.what and row.start_m <= note.end_m and row.end_m >= note.start_m


def ended(plan: Plan, before: Sequence[SentFact]) -> tuple[SentFact, ...]:
    """Return the sent cautions ahead that no longer apply. One that became a reason to hold has not ended."""
    here_m = plan.position.distance_m if plan.position else None
    still = [n for n in plan.closures if n.kind and n.met]
    return tuple(
        b
        for b in before
        if b.advice is Advice.SLOW
        and (here_m is None or b.start_m > here_m)
        and not any(b.start_m <= n.end_m and b.end_m >= n.start_m for n in still)
    )


def rows_after(
    before: Sequence[SentFact], sent: Sequence[ClosureNote], over: Sequence[SentFact]
) -> tuple[SentFact, ...]:
    """Return the rows that apply after `sent` and `over` are sent; relief leaves a row with advice clear."""
    remaining = [b for b in before if b not in over and not any(_is_same(b, n) for n in sent)]
    return (
        *remaining,
        *(caution_facts(n) for n in sent),
        *(replace(b, advice=Advice.CLEAR, pending=False) for b in over),
    )


def caution_message(plan: Plan, note: ClosureNote) -> Message:
    """Return the message about a caution. It does not wake a driver: the next one awake gets it."""
    leaves = note.leave_at or note.enter_at
    return Message(
        words=partial(caution_text, plan, note),
        start_m=note.start_m,
        end_m=note.end_m,
        expires_at=max(leaves, note.enter_at + timedelta(hours=1)),
        act_at=min(note.enter_at, plan.depart_at) if plan.position is None else note.enter_at,
        rank=Advice.READY.rank,
        key=facts_digest((caution_facts(note),)),
        advice=Advice.SLOW,
        about=CAUTION,
    )


def end_message(plan: Plan, row: SentFact) -> Message:
    """Return the message that a caution has ended."""
    return Message(
        words=partial(end_text, plan, row),
        start_m=row.start_m,
        end_m=row.end_m,
        expires_at=plan.arrive_late,
        act_at=plan.arrive_late,
        rank=Advice.CLEAR.rank,
        key=facts_digest((replace(row, advice=Advice.CLEAR),)),
        about=CAUTION,
    )


def pending_message(plan: Plan, row: SentFact, fresh: Sequence[object]) -> Message | None:
    """Return the message still pending for the driver, as it applies now; None if new messages cover it."""
    if row.advice is Advice.CLEAR:
        return end_message(plan, row)
    same = [n for n in cautions(plan) if _is_same(row, n)]
    return caution_message(plan, same[0]) if same and same[0] not in fresh else None


def caution_text(plan: Plan, note: ClosureNote, translator: Translator = ENGLISH) -> str:
    """Return the driver's text in at most two segments: what, where, which hours, what to do, how sure.

    What to do is common practice, no source.
    """

    def shorten(cut: int) -> str:
        head = translator.gettext(
            "{what} {span} of this trip, {hours}: {figure}, {odds}.",
            what=reason(note.what, translator).upper(),
            span=surfaces.span_between(note.start_m, note.end_m, translator),
            hours=_hours(note),
            figure=figure(note, translator),
            odds=odds(note.probability or 0.0, translator),
        )
        ends = ""
        if note.ends_at is not None and cut:
            at = phrases.clock_on(note.ends_at, note.zone, note.enter_at, translator)
            ends = " " + translator.gettext("Over by about {at}.", at=at)
        age = phrases.fcst_age(plan, translator)
        return f"{head} {what_to_do(note, translator)}{ends} {age}. {driver_parts.closing(translator)}"

    return fit_segments(shorten, _CUTS)


def what_to_do(note: ClosureNote, translator: Translator = ENGLISH) -> str:
    """Return what a driver does in wind or without sight: common practice, no source."""
    if note.kind == WIND:
        return translator.gettext(
            "It can tip a high, empty or multiple trailer: slow down, both hands; park off the road if it moves you."
        )
    return translator.gettext("Slow to what you see, low beams. Never stop on the road: leave it at an exit.")


def figure(note: ClosureNote, translator: Translator = ENGLISH) -> str:
    """Return the gust or the sight of the median member, in the reader's units."""
    if note.worst is None:
        return note.detail
    if note.kind == WIND:
        speed = f"{note.worst / KMH_MPS:.0f} km/h" if translator.metric else f"{to_mph(note.worst):.0f} mph"
        return translator.gettext("gusts to {speed}", speed=speed)
    sight = f"{note.worst:.0f} m" if translator.metric else f"{note.worst / MILE_M:.1f} mi"
    return translator.gettext("sight down to {sight}", sight=sight)


def _hours(note: ClosureNote) -> str:
    enter = phrases.clock_time(note.enter_at, note.zone)
    if note.leave_at is None:
        return enter
    return f"{enter.split()[0]}-{phrases.clock_time(note.leave_at, note.zone)}"


def end_text(plan: Plan, row: SentFact, translator: Translator = ENGLISH) -> str:
    """Return a relief text that does not suggest a calm road."""
    text = translator.gettext(
        "EASED: {what} {span} of this trip is no longer expected at your hour. Watch for gusts and blowing snow.",
        what=reason(row.place, translator).lower(),
        span=surfaces.span_between(row.start_m, row.end_m, translator),
    )
    return gsm7.to_gsm7(f"{text} {phrases.fcst_age(plan, translator)}. {driver_parts.closing(translator)}")

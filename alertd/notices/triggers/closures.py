"""Closures and blizzard warnings that require a hold: the driver's text, and what counts as news."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices import surfaces
from alertd.notices.headline import reason
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact
from alertd.notices.text import driver_parts, gsm7, phrases
from alertd.notices.text.driver_sms import fit_segments
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import to_plain

MIN_SHIFT: Final = timedelta(minutes=60)  # a smaller shift of the end is not news
CLOSED_ROAD, WARNING, HAZARD = "closed road", "weather warning", "forecast hazard"  # used as stop_id
_CUTS: Final = (80, 60, 40, 26)


def holding_closures(plan: Plan) -> tuple[ClosureNote, ...]:
    """Return the closures and warnings that require a hold."""
    return tuple(n for n in plan.closures if n.held)


def closure_facts(note: ClosureNote) -> SentFact:
    """Return a closure as facts of a stretch: `tires` holds its end, "" for none."""
    return SentFact(
        advice=Advice.HOLD,
        start_m=note.start_m,
        end_m=note.end_m,
        place=note.what,
        stop_id=HAZARD if note.kind else CLOSED_ROAD if note.posted else WARNING,
        tires="" if note.ends_at is None else str(to_plain(note.ends_at)),
        singles_short=0,
        at=note.enter_at,
    )


def is_closure(row: SentFact) -> bool:
    """Whether a row is about a closure or a warning."""
    return row.stop_id in (CLOSED_ROAD, WARNING, HAZARD)


def new_closures(plan: Plan, before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> tuple[ClosureNote, ...]:
    """Return the closures to hold for that were not sent, or have another end.

    A driver who waits needs a later end only when the announced one is near. For the same reason a hazard of our own
    forecast beyond the place where he already holds is not news before that hold ends.
    """
    hold = [b for b in before if b.advice is Advice.HOLD]
    held = holding_closures(plan)
    waits = [b for b in hold if b.sent_at is not None and not b.pending and any(is_same(b, n) for n in held)]
    return tuple(
        n
        for n in held
        if not any(is_same(b, n) and not _moved(b, n, now_utc, policy) for b in hold)
        and not (n.kind and any(_is_beyond(n, b) and not _moved(b, n, now_utc, policy) for b in waits))
    )


def _is_beyond(note: ClosureNote, row: SentFact) -> bool:
    """Whether a driver who holds for a row does not come to the closure."""
    return not is_same(row, note) and note.start_m >= row.start_m


def not_released(
    plan: Plan, rows: Sequence[SentFact], opened: Sequence[SentFact], now_utc: datetime
) -> tuple[SentFact, ...]:
    """Return the holds that a driver who has not left still obeys: the plan has none, and relief was not sent yet."""
    if now_utc >= plan.depart_at:
        return ()
    sent = (b for b in rows if b.advice is Advice.HOLD and b.sent_at is not None and not b.pending and b not in opened)
    return tuple(b for b in sent if not any(is_same(b, n) for n in holding_closures(plan)))


def is_still_held(plan: Plan, row: SentFact) -> bool:
    """Whether another reason to hold remains, so that the end of this one is no relief."""
    return any(not is_same(row, n) for n in holding_closures(plan))


def ended_closures(plan: Plan, before: Sequence[SentFact]) -> tuple[SentFact, ...]:
    """Return the sent closures that no longer require a hold.

    A weather warning only when the service has responded for the whole route: otherwise it may still apply.
    """
    here_m = plan.position.distance_m if plan.position else None
    return tuple(
        b
        for b in before
        if b.advice is Advice.HOLD
        and not any(is_same(b, n) for n in holding_closures(plan))
        and (here_m is None or b.start_m > here_m)
        and (b.stop_id != WARNING or plan.warnings_known)
    )


def facts_after(
    before: Sequence[SentFact], sent: Sequence[ClosureNote], ended: Sequence[SentFact]
) -> tuple[SentFact, ...]:
    """Return the rows that apply after `sent` and `ended` are sent; relief leaves a row with advice clear."""
    remaining = [b for b in before if b not in ended and not any(is_same(b, n) for n in sent)]
    return (*remaining, *(closure_facts(n) for n in sent), *(replace(b, advice=Advice.CLEAR) for b in ended))


def closure_text(plan: Plan, note: ClosureNote, translator: Translator = ENGLISH) -> str:
    """Return the driver's text, read when parked, in at most two segments; the source's words are cut if needed."""

    if note.kind:
        return _hazard_text(plan, note, translator)

    def shorten(cut: int) -> str:
        text = translator.gettext(
            "HOLD below {mark} of this trip: {what}, {until}. Says {source}. You would be there {when}: stop before "
            "it, ask {office}.",
            mark=phrases.trip_distance(note.start_m, translator),
            what=_cut(note.what, cut),
            until=_until(note, translator),
            source=_cut(note.source, cut),
            when=phrases.clock_time(note.enter_at, note.zone),
            office=plan.dispatcher[:24] or translator.gettext("dispatch"),
        )
        return f"{text} {driver_parts.closing(translator)}"

    return fit_segments(shorten, _CUTS)


def _hazard_text(plan: Plan, note: ClosureNote, translator: Translator) -> str:
    """Return the text for a hold that our own forecast gives: what, where, how sure, where to wait and until when."""

    def shorten(cut: int) -> str:
        what = reason(note.what, translator)
        span = surfaces.span_between(note.start_m, note.end_m, translator)
        how_sure = odds(note.probability or 0.0, translator)
        hold = plan.hold
        if hold is None or hold.at_start:
            text = translator.gettext("HOLD: do not start. {what}, {span}, {odds}.", what=what, span=span,
                                      odds=how_sure)  # fmt: skip
        else:
            text = translator.gettext("HOLD at {where}. {what}, {span}, {odds}.", what=what, span=span,
                                      where=driver_parts.place_words(hold.wait, translator)[:cut].rstrip(),
                                      odds=how_sure)  # fmt: skip
        if note.ends_at is None:
            until = translator.gettext("No end of it is known; look again with each new forecast.")
        else:
            at = phrases.clock_on(note.ends_at, note.zone, note.enter_at, translator)
            until = translator.gettext("Maybe passable from {until}: look again before you go.", until=at)
        ages = (phrases.forecast_age if cut else phrases.fcst_age)(plan, translator=translator)
        return f"{text} {until} {ages}. {driver_parts.closing(translator)}"

    return fit_segments(shorten, (*_CUTS, 12))


def closure_ended_text(row: SentFact, translator: Translator = ENGLISH) -> str:
    """Return a relief text that does not suggest an open road."""
    text = translator.gettext(
        "HOLD ENDED: {what} no longer holds you at your hour, as far as we know. Ask before you go.",
        what=_cut(row.place, 80),
    )
    return gsm7.to_gsm7(f"{text} {driver_parts.closing(translator)}")


def _until(note: ClosureNote, translator: Translator) -> str:
    if note.ends_at is None:
        return translator.gettext("no end given")
    return translator.gettext("until {when}", when=phrases.day_clock(note.ends_at, note.zone, translator))


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "."


def is_same(row: SentFact, note: ClosureNote) -> bool:
    """Whether a row and a closure are the same, on overlapping road."""
    now = closure_facts(note)
    return (row.stop_id, row.place) == (now.stop_id, now.place) and (
        row.start_m <= now.end_m and row.end_m >= now.start_m
    )


def _moved(row: SentFact, note: ClosureNote, now_utc: datetime, policy: Policy) -> bool:
    if row.tires == "":
        return note.ends_at is not None
    announced = datetime.fromisoformat(row.tires)
    if note.ends_at is None or note.ends_at - announced >= MIN_SHIFT:
        return announced - now_utc <= policy.soon
    # Our own forecast may change back, and a driver who waits looks again at the announced end anyway.
    return not note.kind and announced - note.ends_at >= MIN_SHIFT

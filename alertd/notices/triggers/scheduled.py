"""Triggers notices at scheduled times: evening before, hours before, just before, and while chained."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final
from zoneinfo import ZoneInfo

from alertd.i18n import ALL_ENGLISH, ENGLISH, Translator, Translators
from alertd.notices import surfaces
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy, recipient
from alertd.notices.sent_state import SentFact, fact_of
from alertd.notices.text import days_text, driver_parts, gsm7, law_text, phrases
from alertd.notices.text.driver_parts import SurenessForm
from alertd.notices.text.driver_sms import MAX_SEGMENTS, fit_segments
from alertd.notices.triggers.compose import (
    NoticeDraft,
    driver_words,
    instruction,
    pass_on_marks,
    person_notice,
)
from alertd.notices.triggers.covered import is_behind_hold, is_covered, is_further_place
from alertd.notices.triggers.released import Words, still_held
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice, Stretch, SurfaceStretch

OFF_LATE = timedelta(minutes=20)  # assumed: chains may come off this much later than planned
REST_NAME = 20  # most letters of the name of a rest's place in the outlook
USEFUL_FOR = timedelta(hours=2)  # for a recheck and for a chains-off notice
SAME_HOUR: Final = timedelta(hours=1)  # a smaller shift of a place to be ready at is not news, as in `plan_changes`


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainStatus:
    """The driver's last report of the chains: when they went on, None if they are not reported on."""

    on_at: datetime | None = None


def counts_as_on(plan: Plan, chained: ChainStatus) -> bool:
    """Whether chains count as on: as reported, unless the plan doubts the report."""
    note = plan.chains
    return chained.on_at is not None and not (note is not None and note.since == chained.on_at and note.doubt)


def take_off(plan: Plan, chained: ChainStatus) -> StopChoice | None:
    """Return where the chains that are on come off by the plan; None if the plan does not include them."""
    note = plan.chains
    return note.off if note is not None and note.since == chained.on_at else None


def scheduled_notices(
    plan: Plan,
    facts: Sequence[SentFact],
    chained: ChainStatus,
    now_utc: datetime,
    policy: Policy,
    translators: Translators = ALL_ENGLISH,
) -> tuple[Notice, ...]:
    """Return the notices that are due. The same occasion gives the same notice, so the store keeps it once.

    `facts`: what was last sent about the trip.
    """
    if plan.arrived_at is not None:
        return ()
    out = [*_outlook(plan, now_utc, policy, translators.driver)]
    for stretch in plan.stretches:
        if stretch.advice is Advice.CLEAR:
            continue
        out += _before(plan, stretch, facts, chained, now_utc, policy, translators)
    for surface in surfaces.to_slow_for(plan):
        out += _before_ice(plan, surface, facts, now_utc, policy, translators)
    if counts_as_on(plan, chained):
        out += _while_chained(plan, chained, now_utc, policy, translators)
    return tuple(out)


def _outlook(plan: Plan, now_utc: datetime, policy: Policy, translator: Translator) -> list[Notice]:
    """Once, on the evening before a trip that requires action, so that the driver can load what is needed."""
    zone = ZoneInfo(plan.depart_zone)
    leaves = plan.depart_at.astimezone(zone)
    eve = policy.outlook_time(plan.depart_at, plan.depart_zone)
    lasts = min(eve + policy.outlook_for, leaves)
    if not eve <= now_utc < lasts or not (surfaces.asks(plan) or plan.singles_short > 0):
        return []
    key = (leaves.date().isoformat(),)
    return [
        person_notice(
            plan,
            NoticeDraft(NoticeKind.OUTLOOK, Audience.DRIVER, outlook_text(plan, translator), plan.depart_at, key),
            now_utc,
        )
    ]


def _before(
    plan: Plan,
    stretch: Stretch,
    facts: Sequence[SentFact],
    chained: ChainStatus,
    now_utc: datetime,
    policy: Policy,
    translators: Translators,
) -> list[Notice]:
    """Return the early notice, or the last message before the chain-up place."""
    hang_at = stretch.chain_up.arrive_at
    audience = recipient(plan, now_utc, policy)[0]
    by_office = audience is Audience.DISPATCHER and bool(policy.digest_every)
    left, key = hang_at - now_utc, (_key(stretch),)
    if not timedelta(0) < left <= policy.early or stretch.chained or is_covered(plan, stretch, now_utc):
        return []
    # With chains on, the next chain-up can wait until these came off or should have; a hold cannot.
    off = take_off(plan, chained)
    off_is_over = off is not None and now_utc > off.leave_at + min(OFF_LATE, (hang_at - off.leave_at) / 2)
    if counts_as_on(plan, chained) and stretch.advice is not Advice.HOLD and not off_is_over:
        return []
    last_sent_at = max((s.sent_at for s in facts if s.sent_at and s.overlaps(stretch)), default=None)
    if left <= policy.approach + (policy.digest_every if by_office else timedelta(0)):
        # The office calls in time, with its next digest, but not about what the driver has been sent just before.
        if by_office and last_sent_at is not None and now_utc - last_sent_at < policy.digest_every:
            return []
        if _is_known_ready(stretch, facts, now_utc, policy):
            return []
        words = _order(partial(approach_text, plan, stretch, None if by_office else now_utc), plan, stretch, facts)
        draft = NoticeDraft(
            NoticeKind.APPROACH,
            audience,
            driver_words(words, plan, now_utc, policy, translators),
            hang_at,
            key,
            same_for_all=True,
            advice=stretch.advice,
            marks=pass_on_marks(plan, now_utc, policy),
        )
        return [person_notice(plan, draft, now_utc)]
    if last_sent_at is not None and now_utc - last_sent_at < policy.repeated_after:
        return []
    # Under way the pre-pass text comes with the next digest; a further place of the day has only that one.
    if plan.depart_at - now_utc > policy.before_rolling or by_office or is_further_place(plan, stretch, now_utc):
        return []
    if now_utc < plan.depart_at and any(s.pending and s.overlaps(stretch) for s in facts):
        return []  # the next plan sends it
    words = _order(partial(instruction, plan, stretch), plan, stretch, facts)
    draft = NoticeDraft(
        NoticeKind.EARLY,
        audience,
        driver_words(words, plan, now_utc, policy, translators),
        hang_at,
        key,
        same_for_all=True,
        advice=stretch.advice,
        marks=pass_on_marks(plan, now_utc, policy),
    )
    return [person_notice(plan, draft, now_utc)]


def _order(words: Words, plan: Plan, stretch: Stretch, facts: Sequence[SentFact]) -> Words:
    """Return the words of an order, after words on a hold that still applies before it."""
    return words if stretch.advice is Advice.HOLD else still_held(words, plan, facts, stretch.start_m)


def _is_known_ready(stretch: Stretch, facts: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    """Whether the driver has been sent the same place to be ready at, lately. An order to chain is always repeated."""
    now = fact_of(stretch)
    return stretch.advice is Advice.READY and any(
        b.sent_at is not None
        and not b.pending
        and now_utc - b.sent_at < policy.repeated_after
        and (b.advice, b.tires, b.singles_short) == (now.advice, now.tires, now.singles_short)
        and b.same_place(now)
        and abs(b.at - now.at) < SAME_HOUR
        for b in facts
        if b.overlaps(stretch)
    )


def _before_ice(
    plan: Plan,
    surface: SurfaceStretch,
    facts: Sequence[SentFact],
    now_utc: datetime,
    policy: Policy,
    translators: Translators,
) -> list[Notice]:
    """Return the early notice before an icy run, if the last message about it is old."""
    if not timedelta(0) < surface.enter_at - now_utc <= policy.early:
        return []
    if plan.depart_at - now_utc > policy.before_rolling or is_behind_hold(plan, surface, now_utc):
        return []
    rows = [s for s in facts if s.stop_id == surfaces.ICY_ROAD and s.overlaps(surface)]
    last_sent_at = max((s.sent_at for s in rows if s.sent_at), default=None)
    if last_sent_at is not None and now_utc - last_sent_at < policy.repeated_after:
        return []
    audience = recipient(plan, now_utc, policy)[0]
    words = still_held(partial(surfaces.ice_text, plan, (surface,)), plan, facts, surface.start_m)
    text = driver_words(words, plan, now_utc, policy, translators)
    key = (f"ice about {round(surface.start_m / 20_000.0)}",)
    return [
        person_notice(
            plan,
            NoticeDraft(
                NoticeKind.EARLY,
                audience,
                text,
                surface.leave_at,
                key,
                same_for_all=True,
                advice=Advice.SLOW,
                marks=pass_on_marks(plan, now_utc, policy),
            ),
            now_utc,
        )
    ]


def _while_chained(
    plan: Plan, chained: ChainStatus, now_utc: datetime, policy: Policy, translators: Translators
) -> list[Notice]:
    on_at = chained.on_at
    if on_at is None:
        return []
    audience, marks = recipient(plan, now_utc, policy)[0], pass_on_marks(plan, now_utc, policy)
    by_office = "digest" in marks
    out = []
    key: tuple[str, ...] = (on_at.isoformat(),)
    since = now_utc - on_at
    # By a digest it would come after the recheck, which the page and the checklist have as well.
    if policy.recheck_after <= since < policy.recheck_after + USEFUL_FOR and not by_office:
        ends_at = on_at + policy.recheck_after + USEFUL_FOR
        text = driver_words(recheck_text, plan, now_utc, policy, translators)
        out.append(
            person_notice(
                plan,
                NoticeDraft(NoticeKind.RECHECK, audience, text, ends_at, key, same_for_all=True, marks=marks),
                now_utc,
            )
        )
    off = take_off(plan, chained)
    if off is None:
        # A stretch ahead needs other chains than those that are on now.
        here = [s for s in plan.stretches if s.enter_at <= now_utc + policy.off_ahead]
        off = here[-1].chain_off if here else None
    ahead = policy.off_ahead + (policy.digest_every if by_office else timedelta(0))
    if off is not None and timedelta(0) <= now_utc - (off.arrive_at - ahead) < USEFUL_FOR + ahead - policy.off_ahead:
        key = (*key, off.stop_id or off.name)  # sent again when the place has changed
        text = driver_words(partial(off_text, plan, off), plan, now_utc, policy, translators)
        ends_at = off.arrive_at + USEFUL_FOR
        draft = NoticeDraft(NoticeKind.OFF, audience, text, ends_at, key, same_for_all=True, marks=marks)
        out.append(person_notice(plan, draft, now_utc))
    return out


def _key(stretch: Stretch) -> str:
    """Return a name for a stretch that is stable under small shifts of its ends."""
    return stretch.place or f"about {round(stretch.start_m / 20_000.0)}"


def outlook_text(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return tomorrow's trip in two segments: what to expect, what to load, when it departs, the next rest if room."""
    worst = max(plan.stretches, key=lambda s: (s.advice.rank, s.probability), default=None)
    what = _expected(plan.advice, translator)
    icy = surfaces.to_slow_for(plan)
    names = ", ".join(dict.fromkeys(s.place for s in plan.stretches if s.place))
    tires = translator.gettext("chains by carry rule")
    ice = ""
    if icy and plan.advice is Advice.SLOW:
        names = surfaces.spans(icy, translator)
    elif icy:  # after the passes: it is not on them
        ice = ", " + translator.gettext("ICE {span}", span=surfaces.spans(icy, translator))
    if worst is not None:
        most_n = max(s.hanging.singles_n for s in plan.stretches)  # what to load, whichever pass is likelier
        tires = translator.ngettext("{n} tire to chain", "{n} tires to chain", most_n)
        tires += f", {phrases.likely(worst, translator)}"
    if n := plan.singles_short:
        tires += ", "
        tires += translator.ngettext(
            "{n} CHAIN SHORT: load before you leave", "{n} CHAINS SHORT: load before you leave", n
        )
    leaves = phrases.day_clock(plan.depart_at, plan.depart_zone, translator)

    law = "" if plan.stretches else law_text.other_duties_words(plan, translator)

    def shorten(form: tuple[int, bool]) -> str:
        cut, rested = form
        where = phrases.cut_name(names, cut)
        text = translator.gettext(
            "TOMORROW {trip}, leaves {leaves}: {what}. {tires}. Check chains, tensioners, tool, gloves, light tonight.",
            trip=plan.trip_id[: 24 if cut else 12],
            leaves=leaves,
            what=(translator.gettext("{what} at {where}", what=what, where=where) if where else what) + ice,
            tires=tires,
        )
        rest = days_text.next_rest_words(plan, REST_NAME, translator) if rested else ""
        age = f"{phrases.forecast_age(plan, translator=translator)}."
        return " ".join(
            part for part in (text, law if cut else "", rest, age, driver_parts.closing(translator)) if part
        )

    with_rest = [(cut, True) for cut in (80, 50, 30)]  # the names of passes come before the rest
    return fit_segments(shorten, [*with_rest, *((cut, False) for cut in (80, 50, 30, 15, 0))])


def _expected(advice: Advice, translator: Translator) -> str:
    match advice:
        case Advice.HOLD:
            return translator.gettext("HOLD is likely")
        case Advice.CHAIN:
            return translator.gettext("PLAN TO CHAIN")
        case Advice.READY:
            return translator.gettext("BE READY TO CHAIN")
        case Advice.SLOW:
            return translator.gettext("ICE, no chains expected,")
        case _:
            return translator.gettext("no chaining expected by this forecast")


def approach_text(plan: Plan, stretch: Stretch, now_utc: datetime | None, translator: Translator = ENGLISH) -> str:
    """Return the last message: the place and the tires, short enough to read at a glance when parked.

    now_utc: when it is read; None where the office passes it on at another time. Where room is short the age of the
    forecast goes first, then the place where chains come off, then names.
    """
    up, at = stretch.chain_up, stretch.chain_up.arrive_at
    left = "" if now_utc is None else phrases.minutes((at - now_utc).total_seconds())
    tires = f"{driver_parts.tires_n(stretch, translator)}: {driver_parts.tires(stretch, translator)}"
    speed, bare = driver_parts.speed(stretch.speed_mps, stretch, translator), driver_parts.speed_figure(
        stretch.bare_speed_mps, stretch, translator
    )  # fmt: skip

    def words(cut: int, *, aged: bool, off: bool, sure: SurenessForm) -> str:
        order = _last_order(stretch.advice, driver_parts.name_and_milepost(up, cut, translator), translator)
        when = phrases.clock_time(at, up.zone)
        when += ", " + translator.gettext("{left} away", left=left) if cut and left else ""
        text = translator.gettext(
            "{order}, {when}. {tires}. Max {speed}, {bare} if bare.",
            order=order, when=when, tires=tires, speed=speed, bare=bare,
        )  # fmt: skip
        parts = [text, f"{phrases.capital(driver_parts.how_sure(stretch, translator, sure))}."]
        if off:
            where = driver_parts.name_and_milepost(stretch.chain_off, cut, translator)
            parts.append(translator.gettext("Off at {where}. ", where=where).rstrip())
        parts += [f"{phrases.fcst_age(plan, translator)}."] if aged else []
        return " ".join([*parts, driver_parts.closing(translator)])

    cuts = (60, 40, 26, 18, 0)
    forms: list[tuple[int, bool, bool, SurenessForm]] = [(60, True, True, "odds"), (40, True, True, "odds")]
    forms += [(cut, aged, off, sure) for aged, off, sure in _SHORTER for cut in cuts]
    texts = (gsm7.to_gsm7(words(cut, aged=aged, off=off, sure=sure)) for cut, aged, off, sure in forms)
    shortest = gsm7.to_gsm7(words(0, aged=False, off=False, sure="chains"))
    return next((text for text in texts if gsm7.segments(text) <= MAX_SEGMENTS), shortest)


# What a shorter text keeps: the age of the forecast, the place where chains come off, how sure each surface is.
_SHORTER: Final[tuple[tuple[bool, bool, SurenessForm], ...]] = (
    (False, True, "odds"), (False, True, "name"), (True, False, "name"), (False, False, "name"),
    (False, False, "chains"),
)  # fmt: skip


def _last_order(advice: Advice, where: str, translator: Translator) -> str:
    if advice is Advice.HOLD:
        return translator.gettext("HOLD at {where}", where=where)
    if advice is Advice.CHAIN:
        return translator.gettext("CHAIN UP at {where}", where=where)
    return translator.gettext("LOOK FOR SIGNS, be ready to chain at {where}", where=where)


def recheck_text(translator: Translator = ENGLISH) -> str:
    """Return the text to recheck chains."""
    text = translator.gettext(
        "RECHECK CHAINS at the next safe place off the road: slack out, cams tight, hooks off the cams, nothing "
        "dragging."
    )
    return gsm7.to_gsm7(f"{text} {driver_parts.closing(translator)}")


def off_text(plan: Plan, off: StopChoice, translator: Translator = ENGLISH) -> str:
    """Return where chains come off; the road state there is a forecast, and the driver sees the road."""

    def shorten(cut: int) -> str:
        text = translator.gettext(
            "CHAINS OFF at {where}, {when}, if the road is bare and no sign asks for them beyond it. Stow them so that "
            "nothing drags, count the tools.",
            where=driver_parts.name_and_milepost(off, cut, translator),
            when=phrases.clock_time(off.arrive_at, off.zone),
        )
        return f"{text} {phrases.fcst_age(plan, translator)}. {driver_parts.closing(translator)}"

    return fit_segments(shorten, (60, 40, 26, 18, 0))

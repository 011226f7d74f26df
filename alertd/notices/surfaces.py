"""Texts about winter road without chains: driver's ICE message, office lines, what counts as news."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact
from alertd.notices.text import driver_parts, gsm7, phrases, place_text
from alertd.notices.text.driver_sms import fit_segments
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, SurfaceStretch
from alertd.road.road_class import WORDS
from alertd.units import MILE_M

MOVED: Final = timedelta(minutes=60)  # a smaller shift of the onset is not news
GROWN_M: Final = 10.0 * MILE_M  # nor is a smaller growth of a run: our choice, its ends shift with every forecast
NEAR_M: Final = 5.0 * MILE_M  # [A] a driver does not speed up between two icy runs so near each other
SPANS_N: Final = 2  # as many extents have room in a text
IN_PLACES_FRAC: Final = 0.5  # [A] a run of which less is winter road, where it is met at all, is one in places
ICY_ROAD, WINTER_ROAD = "icy road", "winter road"  # used as stop_id
_WORDS: Final = {road_class.label: word for road_class, word in WORDS.items()}
_CUTS: Final = (60, 40, 20, 0)


def to_slow_for(plan: Plan) -> tuple[SurfaceStretch, ...]:
    """Return the icy runs that no stretch with chains and no hold covers: each causes an ICE notice."""
    held = [n for n in plan.closures if n.held and n.kind]
    return tuple(
        s
        for s in plan.surfaces
        if s.icy and not s.chains_asked and not any(n.start_m <= s.start_m and n.end_m >= s.end_m for n in held)
    )


def asks(plan: Plan) -> bool:
    """Whether a plan requires action: chains, readiness for them, a hold, or a lower speed on ice."""
    return plan.advice.rank >= Advice.READY.rank or bool(to_slow_for(plan))


def is_wind_only(plan: Plan) -> bool:
    """Whether wind or sight, and no winter road, is why a trip has the advice to slow down."""
    if plan.advice is not Advice.SLOW or plan.surfaces or plan.bridges:
        return False
    return any(n.kind and n.met for n in plan.closures)


def is_surface(row: SentFact) -> bool:
    """Whether a row is about a surface, not a stretch with chains."""
    return row.stop_id in (ICY_ROAD, WINTER_ROAD)


def surface_facts(s: SurfaceStretch) -> SentFact:
    """Return a run as facts of a stretch: `tires` holds the surface."""
    return SentFact(
        advice=Advice.SLOW,
        start_m=s.start_m,
        end_m=s.end_m,
        place=s.place,
        stop_id=ICY_ROAD,
        tires=s.surfaces[0][0] if s.surfaces else "",
        singles_short=0,
        at=s.enter_at,
    )


def all_facts(plan: Plan) -> tuple[SentFact, ...]:
    """Return a row for each icy run, and one for the whole trip if its advice is `slow`, for fleet systems."""
    whole = SentFact(
        advice=Advice.SLOW,
        start_m=0.0,
        end_m=plan.route_length_m,
        place="",
        stop_id=WINTER_ROAD,
        tires="",
        singles_short=0,
        at=plan.depart_at,
    )
    return (*map(surface_facts, to_slow_for(plan)), *((whole,) if plan.advice is Advice.SLOW else ()))


def news(
    ahead: Sequence[SurfaceStretch], before: Sequence[SentFact], here_m: float | None, now_utc: datetime, policy: Policy
) -> tuple[SurfaceStretch, ...]:
    """Return the icy runs not yet reported, or grown, or at other hours. `before`: the rows about surfaces."""
    icy = [b for b in before if b.stop_id == ICY_ROAD and b.advice is Advice.SLOW]
    return tuple(s for s in ahead if _is_news(s, [b for b in icy if b.overlaps(s)], here_m, now_utc, policy))


def _is_news(
    s: SurfaceStretch, same: Sequence[SentFact], here_m: float | None, now_utc: datetime, policy: Policy
) -> bool:
    if not same:
        return True
    first_m, last_m = min(b.start_m for b in same), max(b.end_m for b in same)
    if max(first_m - s.start_m, 0.0) + max(s.end_m - last_m, 0.0) >= GROWN_M:
        return True
    if here_m is not None and here_m >= first_m:  # a truck that is on it is already in it, whatever was reported
        return False
    shift = s.enter_at - min(b.at for b in same)
    # Under way, a message about ice goes by place: the truck comes there later, and slows down there all the same.
    moved = shift <= -MOVED or (here_m is None and s.start_m <= first_m + GROWN_M and shift >= MOVED)
    gap_is_over = all(b.sent_at is None or now_utc - b.sent_at >= policy.least_gap for b in same)
    return moved and (s.enter_at - now_utc <= policy.soon or gap_is_over)


def is_new_winter_road(plan: Plan, before: Sequence[SentFact]) -> bool:
    """Whether the advice is now `slow` and nothing, or only relief, was reported before."""
    return plan.advice is Advice.SLOW and all(b.advice is Advice.CLEAR for b in before)


def milder(plan: Plan, rows: Sequence[SentFact], policy: Policy) -> tuple[SentFact, ...]:
    """Return the rows about surfaces that the plan no longer has, by a margin; not where chains may now be needed."""
    return tuple(b for b in rows if b.advice is Advice.SLOW and _is_milder(b, plan, policy))


def _is_milder(row: SentFact, plan: Plan, policy: Policy) -> bool:
    if row.stop_id == WINTER_ROAD:
        return plan.advice is Advice.CLEAR
    if any(row.overlaps(s) for s in plan.stretches) or any(row.overlaps(s) for s in plan.surfaces if s.icy):
        return False
    along = zip(plan.along.distance_m, plan.along.ice_frac, strict=True)
    odds = max((ice for at_m, ice in along if row.start_m <= at_m <= row.end_m), default=0.0)
    return odds < policy.ready_cleared_probability


def rows_after(
    plan: Plan, before: Sequence[SentFact], reported: Sequence[SurfaceStretch], over: Sequence[SentFact]
) -> tuple[SentFact, ...]:
    """Return the rows that apply after `reported` and `over` are sent.

    A new row keeps the road of the rows that it replaces.
    """
    rows = []
    for s in reported:
        same = [b for b in before if b.stop_id == ICY_ROAD and b.advice is Advice.SLOW and b.overlaps(s)]
        rows.append(
            replace(
                surface_facts(s),
                start_m=min([s.start_m, *(b.start_m for b in same)]),
                end_m=max([s.end_m, *(b.end_m for b in same)]),
            )
        )
    remaining = [
        b for b in before if b not in over and not (b.stop_id == ICY_ROAD and any(b.overlaps(s) for s in reported))
    ]
    whole = [row for row in all_facts(plan) if row.stop_id == WINTER_ROAD]
    if whole and not any(b.stop_id == WINTER_ROAD and b.advice is Advice.SLOW for b in remaining):
        remaining = [b for b in remaining if b.stop_id != WINTER_ROAD]
        rows += whole
    return (*remaining, *rows, *(replace(b, advice=Advice.CLEAR, pending=False) for b in over))


def ice_text(plan: Plan, runs: Sequence[SurfaceStretch], translator: Translator = ENGLISH) -> str:
    """Return the driver's text, read when parked, in at most two segments: surface, place, hours, speed, no chains.

    runs: in route order; the speed is that of the slowest, the surface that of the likeliest.
    """
    s, slowest = max(runs, key=lambda r: r.probability), min(runs, key=lambda r: r.speed_mps)

    def shorten(cut: int) -> str:
        text = translator.gettext(
            "ICE {span} of this trip, {hours}. Max {speed}, brake early, keep far back. {surface}. No chain control "
            "expected there, look for signs.",
            span=spans(runs, translator),
            hours=hours_between(runs[0].enter_at, runs[-1].leave_at, s.zone),
            surface=phrases.capital(driver_parts.surface_odds(s.surfaces[0][0], s.probability, translator)),
            speed=driver_parts.speed(slowest.speed_mps, slowest, translator),
        )
        here = place_text.name(s, translator)
        place = f" {here[:cut].rstrip()}." if here and cut else ""
        ages = (phrases.forecast_age if cut else phrases.fcst_age)(plan, translator=translator)
        return f"{text}{place} {ages}. {driver_parts.closing(translator)}"

    return fit_segments(shorten, _CUTS)


def thawed_text(plan: Plan, row: SentFact, translator: Translator = ENGLISH) -> str:
    """Return a relief text that does not suggest a dry road."""
    text = translator.gettext(
        "EASED: ice {span} of this trip is no longer expected at your hour. Bridges and shade may still be icy: drive "
        "to what you see.",
        span=span_between(row.start_m, row.end_m, translator),
    )
    return gsm7.to_gsm7(
        f"{text} {phrases.forecast_age(plan, translator=translator)}. {driver_parts.closing(translator)}"
    )


def span(s: SurfaceStretch, translator: Translator = ENGLISH) -> str:
    """Return the extent along the trip, e.g. "mi 3-50", rounded outwards."""
    return span_between(s.start_m, s.end_m, translator)


def spans(runs: Sequence[SurfaceStretch], translator: Translator = ENGLISH) -> str:
    """Return the extents of runs, those a short way apart as one; from the first to the last where they are many."""
    ends: list[tuple[float, float]] = []
    for run in runs:
        if ends and run.start_m - ends[-1][1] <= NEAR_M:
            ends[-1] = (ends[-1][0], max(ends[-1][1], run.end_m))
        else:
            ends.append((run.start_m, run.end_m))
    if len(ends) > SPANS_N:
        whole = span_between(ends[0][0], max(end_m for _, end_m in ends), translator)
        return translator.gettext("{span} in places", span=whole)
    return ", ".join(span_between(start_m, end_m, translator) for start_m, end_m in ends)


def span_between(start_m: float, end_m: float, translator: Translator = ENGLISH) -> str:
    """Return the extent between two distances along the trip."""
    unit, unit_m = ("km", 1000.0) if translator.metric else ("mi", MILE_M)
    first, last = math.floor(start_m / unit_m + 1e-6), math.ceil(end_m / unit_m - 1e-6)
    return f"{unit} {first}-{last}"


def hours(s: SurfaceStretch) -> str:
    """Return when the truck is on it, by the local clock, e.g. "06:00-09:20 MST"."""
    return hours_between(s.enter_at, s.leave_at, s.zone)


def hours_between(enter_at: datetime, leave_at: datetime, zone: str) -> str:
    """Return two times by one local clock, e.g. "06:00-09:20 MST"."""
    enter, leave = phrases.clock_time(enter_at, zone), phrases.clock_time(leave_at, zone)
    return f"{enter.split()[0]}-{leave}"


def in_places(s: SurfaceStretch, plan: Plan) -> bool:
    """Whether members that meet winter road on a run, or ice on an icy one, meet it on less than half of it.

    The mean of the odds at places over the odds of meeting it anywhere is the mean share of the run in these members.
    """
    along = plan.along
    frac = along.ice_frac if s.icy else along.winter_frac
    on_run = [x for at_m, x in zip(along.distance_m, frac, strict=False) if s.start_m <= at_m <= s.end_m]
    return bool(on_run) and sum(on_run) / len(on_run) < IN_PLACES_FRAC * s.probability


def headline(s: SurfaceStretch, *, places: bool = False) -> str:
    """For the office, e.g. "ICE (glaze from freezing rain 9 in 10), mi 3-50, 06:00-09:20 MST, ice 9 in 10".

    places: the run is winter road in places only.
    """
    name, what = ("ICE", "ice") if s.icy else ("Winter road", "winter road")
    mix = ", ".join(f"{_WORDS.get(label, label)} {odds(share)}" for label, share in s.surfaces[:3])
    place = f", {place_text.where(s)}" if place_text.name(s) else ""
    return f"{name} ({mix}), {'in places ' * places}{span(s)}{place}, {hours(s)}, {what} {odds(s.probability)}"


def ice_lines(plan: Plan) -> list[str]:
    """Return a line for each icy run outside the stretches with chains, which name their own surfaces."""
    return [_line(s, plan) for s in to_slow_for(plan)]


def road_lines(plan: Plan) -> list[str]:
    """Return a line for each other run of winter road without chains, or one for a trip that is `slow` as a whole."""
    lines = [_line(s, plan) for s in plan.surfaces if not (s.icy or s.chains_asked)]
    if not lines and not to_slow_for(plan) and plan.advice is Advice.SLOW and not is_wind_only(plan):
        what = "on bridges, see cautions" if plan.bridges else odds(phrases.winter_frac(plan))
        lines = [f"Winter road {what}: drive to the surface, no chain control expected"]
    return lines


def office_lines(plan: Plan) -> list[str]:
    """Return all lines, icy runs first."""
    return [*ice_lines(plan), *road_lines(plan)]


def _line(s: SurfaceStretch, plan: Plan) -> str:
    what, speed = headline(s, places=in_places(s, plan)), phrases.mph(s.speed_mps)
    return f"{what}: at most {speed} on it, no chain control expected there"

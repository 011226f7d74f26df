"""Text alternatives of the charts: the content of each picture in sentences.

They serve readers who cannot see the picture, and tests that check the picture.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Final

import numpy as np

from alertd.forecast.verification import BrierParts, Contingency, Reliability
from alertd.i18n import odds
from alertd.notices import surfaces
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.charts.markers import markers_of, road_runs
from alertd.notices.charts.palette import ADVICE, CLOSED, ROAD, WARNED
from alertd.notices.text import phrases
from alertd.notices.text.departures import departure_advice, departure_lines
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.road_by_hour import RoadHours
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.units import HOUR_S


def title_lines(plan: Plan) -> list[str]:
    """Return the lines below every title: the advice, then departure and arrival times."""
    advice = {
        Advice.CLEAR: "No chains expected by this forecast",
        Advice.SLOW: "Winter road, no chains expected by this forecast",
        Advice.READY: "Be ready to chain",
        Advice.CHAIN: "Plan to chain",
        Advice.HOLD: "Hold below it",
    }[plan.advice]
    if where := ", ".join(dict.fromkeys(s.place for s in plan.stretches if s.advice is plan.advice and s.place)):
        advice += f": {where}"
    if plan.advice is Advice.SLOW:
        advice += f"; snow, frost or ice {odds(phrases.winter_frac(plan))} at most: keep chains aboard"
    ice = [f"{surfaces.headline(s)}: slow down." for s in surfaces.to_slow_for(plan)]
    short = [f"SHORT OF CHAINS: {plan.singles_short} single chains missing."] if plan.singles_short else []
    departure, arrival = (
        phrases.day_clock(plan.depart_at, plan.depart_zone),
        phrases.clock_time(plan.arrive_at, plan.arrive_zone),
    )
    return [f"{advice}.", *ice, *short, f"Leaves {departure}, arrives {arrival}."]


def footer_lines(plan: Plan) -> list[str]:
    """Return the lines that state who decides and how old the forecast is."""
    partial = ["Some of the forecast is old or missing: be ready to chain."] if plan.partial else []
    return [*partial, f"{phrases.forecast_age(plan)}. {phrases.SIGNS} {phrases.PARKED}"]


def profile_footer(plan: Plan) -> list[str]:
    """Return the footer of the elevation profile."""
    return [
        "Road: the likeliest when the truck is there. Odds: of snow, frost or ice on it, a full row is certain.",
        *footer_lines(plan),
    ]


def deck_rows(plan: Plan, units: AxisUnits) -> list[tuple[str, str]]:
    """Return one row for bridges whose decks may be icy while the road is not: how many, and the likeliest."""
    if not plan.bridges:
        return []
    worst = max(plan.bridges, key=lambda b: b.probability)
    place = f"{worst.name or 'one'} at {units.distance(worst.start_m)}, {odds(worst.probability)}"
    n = len(plan.bridges)
    return [("◆", f"{n} bridge{'s' if n > 1 else ''} that may be icy alone, first of all {place}")]


def time_distance_footer(plan: Plan) -> list[str]:
    """Return the footer of the time-distance chart."""
    others = (
        " Column: what leaving then would ask. Dotted: other departures, at an even pace." if plan.departures else ""
    )
    return [f"Field: the likeliest road at that place and hour.{others}", *footer_lines(plan)]


def map_footer(plan: Plan) -> list[str]:
    """Return the footer of the map."""
    return ["Road: the likeliest when the truck is there. Squares: listed stops.", *footer_lines(plan)]


def profile_alt(plan: Plan, route: Route, units: AxisUnits) -> tuple[str, ...]:
    """Return the elevation profile in sentences."""
    return (
        *title_lines(plan),
        *_roads(plan, units),
        *_stretches(plan, units),
        *_marks(plan, units),
        *_summits(plan, route, units),
        *(f"{label}: {text}." for label, text in deck_rows(plan, units)),
        *_closures(plan, units),
        *_lands(route, units),
        *footer_lines(plan),
    )


def map_alt(plan: Plan, route: Route, units: AxisUnits) -> tuple[str, ...]:
    """Return the map in sentences."""
    return (
        *title_lines(plan),
        f"The way is {units.distance(route.length_m)} long, with {len(route.stops)} listed stops.",
        *_lands(route, units),
        *_roads(plan, units),
        *_marks(plan, units),
        *_summits(plan, route, units),
        *_closures(plan, units),
        *footer_lines(plan),
    )


def time_distance_alt(plan: Plan, route: Route, hours: RoadHours, units: AxisUnits) -> tuple[str, ...]:
    """Return the time-distance chart in sentences."""
    return (
        *title_lines(plan),
        *_marks(plan, units),
        *(line for s in route.summits if s.name for line in _by_hour(plan, hours, s.distance_m, s.name)),
        *_asked_by_hour(plan),
        *(f"{line}." for line in departure_lines(plan)),
        *footer_lines(plan),
    )


def _roads(plan: Plan, units: AxisUnits) -> Iterator[str]:
    for start, end, style in road_runs(plan):
        begins, ends = (phrases.clock_time(_reached(plan, m), plan.depart_zone) for m in (start, end))
        yield f"{units.distance(start)} to {units.distance(end)}, {begins} to {ends}: {style.name} most likely."


def _reached(plan: Plan, at_m: float) -> datetime:
    s = float(np.interp(at_m, plan.along.distance_m, plan.along.reach_s))
    return plan.along.begins_at + timedelta(seconds=round(s))


def _stretches(plan: Plan, units: AxisUnits) -> Iterator[str]:
    for s in plan.stretches:
        place = f"{s.place}, " if s.place else ""
        yield (
            f"{place}{units.distance(s.start_m)} to {units.distance(s.end_m)}: {ADVICE[s.advice].name}, "
            f"{phrases.likely(s)}."
        )


def _marks(plan: Plan, units: AxisUnits) -> Iterator[str]:
    return (f"{m.label}: {m.text}." for m in markers_of(plan, units))


def _summits(plan: Plan, route: Route, units: AxisUnits) -> Iterator[str]:
    for s in route.summits:
        if s.name and s.distance_m >= plan.along.distance_m[0]:
            at = phrases.clock_time(_reached(plan, s.distance_m), plan.depart_zone)
            yield f"Summit {s.name}, {units.height(s.elevation_m)}, at {units.distance(s.distance_m)}, {at}."


def _closures(plan: Plan, units: AxisUnits) -> Iterator[str]:
    for c in plan.closures:
        kind = CLOSED.name if c.posted else WARNED.name
        ends = f" until {phrases.day_clock(c.ends_at, c.zone)}" if c.ends_at else ""
        yield f"{kind}, {units.distance(c.start_m)} to {units.distance(c.end_m)}{ends}: {c.what}."


def _lands(route: Route, units: AxisUnits) -> Iterator[str]:
    return (f"{j.name}: to {units.distance(j.end_m)}." for j in route.jurisdictions)


def _by_hour(plan: Plan, hours: RoadHours, at_m: float, name: str) -> Iterator[str]:
    """The road states at one place over the drawn hours, e.g. "Larch Pass: wet 04:00 to 06:00 MST, snow ..."."""
    place = int(np.clip(np.searchsorted(hours.edge_m, at_m) - 1, 0, hours.likely.shape[0] - 1))
    runs = []
    for road_class, same in groupby(range(hours.likely.shape[1]), key=lambda h: int(hours.likely[place, h])):
        span = list(same)
        begins, ends = (
            phrases.clock_time(datetime.fromtimestamp(hours.first_epoch_s + h * HOUR_S, UTC), plan.depart_zone)
            for h in (span[0], span[-1])
        )
        runs.append(f"{ROAD[RoadClass(road_class)].name} {begins} to {ends}")
    yield f"{name}: {', '.join(runs)}."


def _asked_by_hour(plan: Plan) -> Iterator[str]:
    for advice, same in groupby(plan.departures, key=lambda d: departure_advice(plan, d)):
        span = list(same)
        begins, ends = (phrases.day_clock(d.depart_at, plan.depart_zone) for d in (span[0], span[-1]))
        yield f"Leaving {begins} to {ends}: {ADVICE[advice].name}."


RELIABILITY_FOOTER: Final = (
    "Dashed: where odds that hold would lie. Grey bars: how far chance alone takes nine of ten points off it. "
    "Dotted: how often it happened at all.",
)


def reliability_alt(
    what: str, bins: Reliability, parts: BrierParts, table: Contingency, yes_from_frac: float
) -> tuple[str, ...]:
    """Return the reliability diagram in sentences."""
    rows = zip(bins.count, bins.mean_prob_frac, bins.happened_frac, bins.low_frac, bins.high_frac, strict=True)
    return (
        f"{what}: {int(bins.count.sum())} forecasts.",
        *(
            f"Forecast {mean:.0%} on average, {n} times: it happened in {share:.0%}"
            f" ({low:.0%} to {high:.0%} would be chance)."
            for n, mean, share, low, high in rows
            if n
        ),
        f"Brier score {parts.score:.3f}: reliability {parts.reliability:.3f}, resolution {parts.resolution:.3f}, "
        f"uncertainty {parts.uncertainty:.3f}; skill {parts.skill:.2f}.",
        f"Counted as yes from {yes_from_frac:.0%} on: POD {table.pod:.2f}, FAR {table.far:.2f}, CSI {table.csi:.2f}, "
        f"bias {table.bias:.2f}; {table.hits} hits, {table.misses} misses, {table.false_alarms} false alarms.",
    )

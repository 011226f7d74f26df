"""Describes one stretch of a solution: place, probability, tires, stops, speeds, times and reasons."""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.solution import Alternative, Leg, Solution
from alertd.plan.controls.overlay import as_posted, not_understood
from alertd.plan.model.stretches import Advice, ChainsNote, Posting, StopChoice, Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.road.precip_phase import SNOW_RATIO_SPREAD, snow_to_liquid_ratio
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.model import Route, zone_at
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.rules.rig import Rig
from alertd.rules.tire_text import tire_runs, tires_code, tires_line
from alertd.units import HOUR_S, to_miles

LASTING_H: Final = 2  # assumed: a lull of one hour is too short to drive into


def passable_from(x: Leg, solution: Solution, enter_epoch_s: float, params: PlanParams) -> datetime | None:
    """The first whole hour after entering without a hold in it or in the next hour; None within the forecast.

    An hour holds while the rig may slip with chains, or snow may close the road, in too many members. It also holds
    while a level that bars the rig is likely posted.
    """
    hourly_need = solution.encounter.hourly_need
    first = max(math.ceil((enter_epoch_s - hourly_need.first_epoch_s) / HOUR_S), 0)
    if first >= hourly_need.hours:
        return None
    on_leg, remaining = slice(x.first, x.last + 1), slice(first, hourly_need.hours)
    code = hourly_need.code[:, on_leg, remaining]
    short = hourly_need.slips(x.chains.hanging.tires, code, on_leg)
    hold = params.hold_probability - SAME_PROBABILITY
    on_hold = short.any(axis=1).mean(axis=0) >= hold
    on_hold |= hourly_need.closed[:, on_leg, remaining].max(axis=1).mean(axis=0) >= hold
    on_hold |= (code == 0).any(axis=(0, 1))  # an unknown hour is not safe to drive into
    for law, level, chance in hourly_need.by_level:
        if level.demand.barred and law.at.start <= x.last and law.at.stop > x.first:
            a, b = max(x.first - law.at.start, 0), x.last + 1 - law.at.start
            on_hold |= chance[:, a:b, remaining].max(axis=1).mean(axis=0) >= params.chain_probability - SAME_PROBABILITY
    if on_hold.size < LASTING_H:
        return None
    free = np.lib.stride_tricks.sliding_window_view(~on_hold, LASTING_H).all(axis=1)
    if not free.any():
        return None
    return datetime.fromtimestamp(hourly_need.first_epoch_s + (first + int(np.argmax(free))) * HOUR_S, UTC)


Array: TypeAlias = NDArray[np.float64]

SEARCH: Final = "search"  # the kind of an unlisted place that the driver has to look for


WORTH_SAYING_FRAC: Final = 0.1  # closures in fewer members are omitted


SUMMIT_REACH_M = 8_000.0  # a stretch that ends within this distance of a named summit takes its name


def describe(x: Leg, solution: Solution, rig: Rig, depart_epoch_s: float, params: PlanParams) -> Stretch:
    """The stretch of one leg, as values shared by all outputs."""
    sections, here = solution.sections, slice(x.first, x.last + 1)
    route = sections.route
    chained_short = solution.encounter.hourly_need.slips(x.chains.hanging.tires, solution.code[:, here], here)
    short_frac = _any_frac(solution.grip_shortfall[:, here])
    short_chained_frac = _any_frac(chained_short)
    closed_frac = _most_frac(solution.encounter.closed[:, here])
    descent_frac = _most_frac(solution.encounter.descent[:, here])
    unknown_frac = _any_frac(solution.unknown[:, here])
    advice = _advice(x, max(short_chained_frac, closed_frac), params)
    surfaces = _surfaces(solution.road_class[:, here])
    untouched = solution.encounter.hourly_need.corridor.field.untouched
    untouched = untouched if untouched.any() else ~untouched
    snow_mmwe = _median_most(solution.encounter.field_values("snow_mmwe", here)[untouched])
    depth_low_m, depth_high_m = _depth_range_m(
        snow_mmwe, solution.encounter.field_values("air_temp_c", here)[untouched]
    )
    start_m, end_m = float(sections.start_m[x.first]), float(sections.end_m[x.last])

    def at(distance_m: float) -> datetime:
        return _utc(depart_epoch_s + float(solution.reach_s(distance_m)))

    postings = as_posted(x.chains.postings, solution.encounter.hourly_need, solution.encounter.hour, here)
    limit = x.chains.speed_limit_mps
    speed = min(params.chained_mps, params.chained_ceiling_mps, np.inf if limit is None else limit)
    chain_up = _stop(route, x.on, 0, start_m, _on_reason(x, start_m), at, x.hang_s if x.driven else 0.0)
    chain_off = _stop(route, x.off, -1, end_m, _off_reason(x, end_m), at, params.remove_s if x.driven else 0.0)
    return Stretch(
        start_m=start_m,
        end_m=end_m,
        place=place_of(route, start_m, end_m),
        jurisdictions=tuple(
            dict.fromkeys(s.code for s in route.jurisdictions if s.start_m <= end_m and s.end_m >= start_m)
        ),
        zone=zone_at(float(route.lat_deg[sections.first[x.first]]), float(route.lon_deg[sections.first[x.first]])),
        enter_at=at(start_m),
        leave_at=at(end_m),
        advice=advice,
        probability=x.probability,
        unknown_frac=unknown_frac,
        surfaces=surfaces,
        max_upgrade=float(sections.up_grade[here].max()),
        max_downgrade=float(-sections.down_grade[here].min()),
        new_snow_mmwe=snow_mmwe,
        snow_depth_low_m=depth_low_m,
        snow_depth_high_m=depth_high_m,
        grip_short_frac=short_frac,
        grip_short_chained_frac=short_chained_frac,
        snow_closed_frac=closed_frac,
        barred=x.chains.barred,
        hold_until=passable_from(x, solution, at(start_m).timestamp(), params) if advice is Advice.HOLD else None,
        postings=postings,
        hanging=x.chains.hanging,
        tires_short_words=tires_code(rig, x.chains.hanging.tires),
        tires_words=tires_line(rig, x.chains.hanging.tires),
        chain_up=chain_up,
        chain_off=chain_off,
        speed_mps=speed,
        bare_speed_mps=min(params.chained_bare_mps, speed),
        speed_because=x.chains.speed_section or "common practice, no legal figure on file",
        hang_s=x.hang_s,
        remove_s=params.remove_s,
        slow_s=x.slow_s,
        reasons=(
            *_reasons(x, postings, surfaces, short_frac, short_chained_frac, closed_frac, unknown_frac),
            *_descent_reason(descent_frac, float(-sections.down_grade[here].min()), params),
            *not_understood(solution.encounter.hourly_need, solution.encounter.hour, here),
        ),
        tire_runs=tire_runs(rig, x.chains.hanging.tires),
        chained=x.carried,
    )


def chains_note(on: ChainsOn, solution: Solution, rig: Rig, leave_at: datetime, params: PlanParams) -> ChainsNote:
    """How the plan uses chains that are reported on."""
    c = solution.carried
    if c is None:
        return ChainsNote(since=on.since, off=None, doubt=on.doubt)

    def at(distance_m: float) -> datetime:
        return leave_at + timedelta(seconds=round(float(solution.reach_s(distance_m))))

    why = "first listed safe stop past the road that needs the chains which are on"
    if c.off is None:
        why = "no listed safe stop before the trip ends: take them off there"
    elif c.off_flaws:
        why = f"the best listed, but {' and '.join(c.off_flaws)}"
    return ChainsNote(
        since=on.since,
        off=_stop(solution.sections.route, c.off, -1, c.off_m, why, at, params.remove_s),
        missing_n=len(c.missing),
        missing_words=tires_code(rig, c.missing) if c.missing else "",
    )


def _on_reason(x: Leg, start_m: float) -> str:
    """The reason for chaining at that place, and not at the next best one."""
    if x.carried:
        return "chains are on, as reported"
    if x.on is None:
        here = "where the trip starts" if x.on_m <= 0.0 else "where the truck is"
        why = f"no listed stop before the snow that beats it: hang them {here}"
    elif not x.on.stop.listed:
        miles, snow = (f"{to_miles(m):.0f}" for m in (x.on_m, start_m))
        why = f"no listed stop serves: look for a safe place off the road from mile {miles} on, before mile {snow}"
    elif x.on_m >= start_m:
        why = "NO listed stop before the snow: this one may already be in it; go slowly"
    elif x.on_drawbacks:
        why = f"the best listed before the snow, but {' and '.join(x.on_drawbacks)}"
    else:
        why = "last listed safe stop before the first road that may need chains"
    return why if x.alternative is None else f"{why}; {_alternative_words(x.alternative)}"


def _off_reason(x: Leg, end_m: float) -> str:
    if x.off is None:
        return "no listed safe stop past the snow before the trip ends: take them off there"
    if not x.off.stop.listed:
        miles, snow = (f"{to_miles(m):.0f}" for m in (x.off_m, end_m))
        return f"no listed stop serves: look for a safe place off the road from mile {miles} on, past mile {snow}"
    if x.off_drawbacks:
        return f"the best listed past the last road that may need chains, but {' and '.join(x.off_drawbacks)}"
    return "first listed safe stop past the last road that may need chains"


def _alternative_words(alternative: Alternative) -> str:
    """The second-best stop, and why it was not chosen."""
    name = "the trip's start" if alternative.stop is None else alternative.stop.stop.name
    because = [
        what
        for seconds, what in (
            (alternative.slow_s, f"{alternative.slow_s / 60.0:.0f} min longer at chained speed"),
            (alternative.wear_s, "more wear on bare road"),
            (alternative.price_s, "a worse place to stand"),
        )
        if seconds >= 30.0
    ]
    why = f": {', '.join(because)}" if because else ""
    if alternative.more_s < 30.0:
        return f"next best is {name}, about as good{why}"
    return f"next best is {name}, {alternative.more_s / 60.0:.0f} min worse all told{why}"


def _reasons(
    x: Leg,
    postings: tuple[Posting, ...],
    surfaces: tuple[tuple[str, float], ...],
    short_frac: float,
    short_chained_frac: float,
    closed_frac: float,
    unknown_frac: float,
) -> tuple[str, ...]:
    """Reasons in the order of interest to a driver: road, expected posting, grip, what is unknown."""
    road = ", ".join(f"{name} {share:.0%}" for name, share in surfaces if share >= 0.05)
    out = [f"Road at your hour, share of forecast members that meet it: {road}"] if unknown_frac < 1.0 else []
    out += [_posting_words(p) for p in postings]
    if short_frac > 0:
        out.append(
            f"Grip on the steepest part falls short in {short_frac:.0%} of members without chains, "
            f"{short_chained_frac:.0%} with them"
        )
    if closed_frac >= WORTH_SAYING_FRAC:
        out.append(
            f"Our estimate, not posted: deep snow or a blizzard closes the road, {closed_frac:.0%}; the road authority "
            "decides"
        )
    if x.chains.barred:
        out.append(f"This rig may not pass while it is posted: {x.chains.barred}")
    if unknown_frac > 0:
        whole = (
            "Road not known (no forecast, or what already lies there): the likelihood is what we give any such grade"
        )
        out.append(whole if unknown_frac == 1.0 else f"Road not known in {unknown_frac:.0%} of members")
    if x.stays_on and not x.carried:
        out.append("Chains are on here in any case, for the stretch that needs them: taking them off costs more")
    if x.carried:
        out.append("Chains are on, as reported: they stay on here")
    if x.parts > 1:
        out.append(
            "Chains stay on over the bare road between: no listed stop to change at, or changing costs more time"
        )
    out += [f"Doubt in the rule: {p.doubt}" for p in postings if p.doubt]
    return tuple(dict.fromkeys(out))


def _posting_words(p: Posting) -> str:
    """The posted or expected control; a level that may follow is labelled as our estimate."""
    if not p.posted:
        return f"Our estimate: '{p.legal_name}' posted in {p.jurisdiction} {p.probability:.0%} (law: {p.section})"
    if p.posted_level != p.level_id:
        return f"Comes with what is posted: '{p.legal_name}' in {p.jurisdiction} (law: {p.section})"
    return f"POSTED: '{p.legal_name}' in {p.jurisdiction}, by {p.posted_by} (law: {p.section})"


def _advice(x: Leg, impassable_frac: float, params: PlanParams) -> Advice:
    # Barred only by a level that is likely, see chains_for.
    if x.chains.barred or impassable_frac >= params.hold_probability - SAME_PROBABILITY:
        return Advice.HOLD
    return Advice.CHAIN if x.driven else Advice.READY


def _descent_reason(descent_frac: float, steepest: float, params: PlanParams) -> tuple[str, ...]:
    """The reason for chaining before a long descent in snow, where it counts."""
    if descent_frac < params.ready_probability - SAME_PROBABILITY:
        return ()
    return (
        f"Long descent in snow, up to {steepest:.0%}: chain at the top, retarder and engine brake off "
        f"({descent_frac:.0%}; common practice, no source, whatever is posted)",
    )


def _any_frac(mask: NDArray[np.bool_]) -> float:
    return float(mask.any(axis=1).mean())


def _most_frac(chance: NDArray[np.float32]) -> float:
    """Probability anywhere on the stretch: the largest of each member, averaged."""
    return float(chance.max(axis=1).mean(dtype=np.float64))


def _median_most(snow_mmwe: Array) -> float:
    """Median over members of the most snow on the stretch, mm w.e.; over members with known snow, 0 without any."""
    most = np.where(np.isnan(snow_mmwe), -1.0, snow_mmwe).max(axis=1)
    known = most[most >= 0.0]
    return float(np.median(known)) if known.size else 0.0


def _depth_range_m(snow_mmwe: float, air_temp_c: Array) -> tuple[float, float]:
    """Range of depth of that much snow, m, by the air temperature of the stretch at the hour of passing."""
    known = air_temp_c[np.isfinite(air_temp_c)]
    if snow_mmwe <= 0.0 or not known.size:
        return 0.0, 0.0
    depth_m = snow_mmwe / 1000.0 * float(snow_to_liquid_ratio(np.median(known)))
    return depth_m * (1.0 - SNOW_RATIO_SPREAD), depth_m * (1.0 + SNOW_RATIO_SPREAD)


def _surfaces(road_class: NDArray[np.int8]) -> tuple[tuple[str, float], ...]:
    """Share of members that meet each class anywhere on the stretch, likeliest winter class first."""
    shares = [(c, _any_frac(road_class == c)) for c in RoadClass]
    ranked = sorted((s for s in shares if s[1] > 0), key=lambda s: (s[0] not in WINTER_CLASSES, -s[1]))
    return tuple((c.label, share) for c, share in ranked)


def place_of(route: Route, start_m: float, end_m: float) -> str:
    """The named summits on the stretch, or the nearest one within reach; "" when there is none."""
    named = [s for s in route.summits if s.name]
    on = [s.name for s in named if start_m <= s.distance_m <= end_m]
    if on:
        return " and ".join(dict.fromkeys(on))
    near = [(min(abs(s.distance_m - start_m), abs(s.distance_m - end_m)), s.name) for s in named]
    return min(near)[1] if near and min(near)[0] <= SUMMIT_REACH_M else ""


def _utc(epoch_s: float) -> datetime:
    return datetime.fromtimestamp(round(epoch_s), UTC)


def _searched(end_idx: int, edge_m: float) -> str:
    return f"first safe place {'past' if end_idx else 'before'} mile {to_miles(edge_m):.0f} of the trip (none listed)"


def _stop(
    route: Route,
    at_stop: RouteStop | None,
    end_idx: int,
    edge_m: float,
    reason: str,
    reach: Callable[[float], datetime],
    stopped_s: float,
) -> StopChoice:
    """The stop with its times; without a stop, the truck's position (end_idx 0) or the end of the trip (-1).

    edge_m: where the road that may need chains begins or ends, for an unlisted place.
    """
    if at_stop is None:
        lat, lon = float(route.lat_deg[end_idx]), float(route.lon_deg[end_idx])
        stop = Stop(
            id="",
            name="trip end" if end_idx else "present place" if route.distance_m[0] > 0.0 else "trip start",
            kind=StopKind.TRUCK_STOP,
            lat_deg=lat,
            lon_deg=lon,
            listed=False,
        )
        distance_m = float(route.distance_m[end_idx])
    else:
        stop, distance_m = at_stop.stop, at_stop.distance_m
    arrive, searched = reach(distance_m), bool(stop.id) and not stop.listed
    return StopChoice(
        stop_id=stop.id,
        name=_searched(end_idx, edge_m) if searched else stop.name,
        kind=SEARCH if searched else stop.kind if stop.id else "",
        milepost=stop.milepost,
        distance_m=distance_m,
        lat_deg=stop.lat_deg,
        lon_deg=stop.lon_deg,
        zone=zone_at(stop.lat_deg, stop.lon_deg),
        arrive_at=arrive,
        leave_at=arrive + timedelta(seconds=round(stopped_s)),
        spaces=stop.spaces,
        lit=stop.lit,
        invented=stop.invented,
        reason=reason,
        listed=stop.listed,
        edge_m=edge_m if searched else None,
    )

"""Describes one stretch of a solution: place, probability, tires, stops, speeds, times and reasons."""

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.i18n import gettext_noop
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.legs import Leg
from alertd.plan.chain_up.solution import Solution
from alertd.plan.controls.overlay import as_posted, not_understood
from alertd.plan.describe.lanes import lane_surfaces, ranked_shares
from alertd.plan.describe.medians import median
from alertd.plan.describe.met_classes import MetClasses, class_bits
from alertd.plan.describe.stretch_reasons import bare_words, fringe_words, off_reason, on_reason, road_reasons
from alertd.plan.model.stretches import Advice, ChainsNote, StopChoice, Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import HourlyNeed, Mask
from alertd.plan.road_ahead.pavement_codes import NAMED_OF_CODE
from alertd.road.precip_phase import SNOW_RATIO_SPREAD, snow_to_liquid_ratio
from alertd.route.model import Route, zone_at
from alertd.route.spot import exit_at, mark_of, spot_at
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.rules.rig import Rig
from alertd.rules.tire_text import tire_runs, tires_code, tires_line
from alertd.units import HOUR_S, MILE_M, to_miles, whole_before

LASTING_H: Final = 2  # assumed: a lull of one hour is too short to drive into

# Names of places that are no stops; messages translate them.
_START, _HERE, _END = gettext_noop("trip start"), gettext_noop("present place"), gettext_noop("trip end")


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
            on_hold |= (
                chance[:, a:b, remaining].max(axis=1).mean(axis=0) >= params.barred_probability - SAME_PROBABILITY
            )
    return first_passable(on_hold, first, hourly_need)


def first_passable(on_hold: Mask, first: int, hourly_need: HourlyNeed) -> datetime | None:
    """The first of the hours, (hour,) from `first` on, that is not on hold, nor is the next one; None without one."""
    if on_hold.size < LASTING_H:
        return None
    free = np.lib.stride_tricks.sliding_window_view(~on_hold, LASTING_H).all(axis=1)
    if not free.any():
        return None
    return datetime.fromtimestamp(hourly_need.first_epoch_s + (first + int(np.argmax(free))) * HOUR_S, UTC)


Array: TypeAlias = NDArray[np.float64]

SEARCH: Final = "search"  # the kind of an unlisted place that the driver has to look for


SUMMIT_REACH_M = 8_000.0  # a stretch that ends within this distance of a named summit takes its name


def describe(x: Leg, solution: Solution, rig: Rig, depart_epoch_s: float, params: PlanParams) -> Stretch:
    """The stretch of one leg, as values shared by all outputs."""
    sections, here = solution.sections, slice(x.first, x.last + 1)
    route = sections.route
    parts = [slice(a, b + 1) for a, b in x.parts]
    short_frac = max(_any_frac(solution.grip_shortfall[:, part]) for part in parts)
    slips = solution.encounter.hourly_need.slips
    short_chained_frac = max(_any_frac(slips(x.chains.hanging.tires, solution.code[:, part], part)) for part in parts)
    closed_frac = max(_most_frac(solution.encounter.closed[:, part]) for part in parts)
    descent_frac = _most_frac(solution.encounter.descent[:, here])
    code = solution.code[:, here]
    unknown_frac = _any_frac(code == 0)
    advice = _advice(x)
    surfaces = ranked_shares(MetClasses(class_bits(NAMED_OF_CODE[code])).shares())
    lanes = lane_surfaces(solution.encounter, here)
    untouched = solution.encounter.hourly_need.corridor.field.untouched
    untouched = untouched if untouched.any() else ~untouched
    snow_mmwe = _median_most(solution.encounter.field_values("snow_mmwe", here)[untouched])
    depth_low_m, depth_high_m = _depth_range_m(
        snow_mmwe, solution.encounter.field_values("air_temp_c", here)[untouched]
    )
    start_m, end_m = float(sections.start_m[x.first]), float(sections.end_m[x.last])

    places_m = [start_m, end_m, *(stop.distance_m for stop in (x.on, x.off) if stop is not None)]
    reached_s = dict(zip(places_m, solution.reach_s(places_m).tolist(), strict=True))

    def at(distance_m: float) -> datetime:
        known_s = reached_s.get(distance_m)
        return _utc(depart_epoch_s + (float(solution.reach_s(distance_m)) if known_s is None else known_s))

    postings = as_posted(x.chains.postings, solution.encounter.hourly_need, solution.encounter.hour, here)
    limit = x.chains.speed_limit_mps
    speed = min(params.chained_mps, params.chained_ceiling_mps, np.inf if limit is None else limit)
    white_from_m, white_to_m = float(sections.start_m[x.fringe_first]), float(sections.end_m[x.fringe_last])
    chain_up = stop_choice(route, x.on, 0, start_m, on_reason(x, start_m, params), at, x.hang_s if x.driven else 0.0)
    chain_off = stop_choice(route, x.off, -1, end_m, off_reason(x), at, params.remove_s if x.driven else 0.0)
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
        chain_worth=x.worth,
        unknown_frac=unknown_frac,
        surfaces=surfaces,
        serviced_surfaces=lanes.serviced,
        untouched_surfaces=lanes.untouched,
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
            *fringe_words(x, solution),
            *road_reasons(x, postings, surfaces, short_frac, short_chained_frac, closed_frac, unknown_frac),
            *bare_words(x, start_m, end_m, params),
            *_descent_reason(descent_frac, float(-sections.down_grade[here].min()), params),
            *not_understood(solution.encounter.hourly_need, solution.encounter.hour, here),
        ),
        tire_runs=tire_runs(rig, x.chains.hanging.tires),
        chained=x.carried,
        spot=spot_at(route, start_m),
        white_from_m=white_from_m if x.fringe_first < x.first else None,
        white_to_m=white_to_m if x.fringe_last > x.last else None,
    )


IN_SNOW: Final = gettext_noop("it may lie in the snow")
BETTER: Final = gettext_noop("another place is clearly better now")


def with_sent_place(stretch: Stretch, solution: Solution, sent_stops: frozenset[str], params: PlanParams) -> Stretch:
    """The stretch, with the stop that was sent before and the reason where the plan names another one."""
    if stretch.chained or stretch.chain_up.stop_id in sent_stops:
        return stretch
    route = solution.sections.route
    before = [s for s in route.stops if s.stop.id in sent_stops and s.distance_m <= stretch.end_m]
    if not before:
        return stretch
    was = max(before, key=lambda s: s.distance_m)
    section = solution.sections.at(np.asarray([was.distance_m]))[0]
    snowed = float(solution.need_frac[section]) >= params.ready_probability - SAME_PROBABILITY
    name = f"{was.stop.name} ({was.stop.milepost})" if was.stop.milepost else was.stop.name
    why = IN_SNOW if snowed else BETTER
    return replace(
        stretch,
        chain_up=replace(
            stretch.chain_up,
            instead_of=name,
            instead_why=why,
            reason=f"was {name}: {why}; {stretch.chain_up.reason}",
        ),
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
        off=stop_choice(solution.sections.route, c.off, -1, c.off_m, why, at, params.remove_s),
        missing_n=len(c.missing),
        missing_words=tires_code(rig, c.missing) if c.missing else "",
    )


def _advice(x: Leg) -> Advice:
    if x.held:
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
    return int(np.count_nonzero(mask.any(axis=1))) / len(mask)


def _most_frac(chance: NDArray[np.float32]) -> float:
    """Probability anywhere on the stretch: the largest of each member, averaged."""
    return float(chance.max(axis=1).mean(dtype=np.float64))


def _median_most(snow_mmwe: Array) -> float:
    """Median over members of the most snow on the stretch, mm w.e.; over members with known snow, 0 without any."""
    most = np.where(np.isnan(snow_mmwe), -1.0, snow_mmwe).max(axis=1)
    known = most[most >= 0.0]
    return float(median(known)) if known.size else 0.0


def _depth_range_m(snow_mmwe: float, air_temp_c: Array) -> tuple[float, float]:
    """Range of depth of that much snow, m, by the air temperature of the stretch at the hour of passing."""
    known = air_temp_c[np.isfinite(air_temp_c)]
    if snow_mmwe <= 0.0 or not known.size:
        return 0.0, 0.0
    depth_m = snow_mmwe / 1000.0 * float(snow_to_liquid_ratio(median(known)))
    return depth_m * (1.0 - SNOW_RATIO_SPREAD), depth_m * (1.0 + SNOW_RATIO_SPREAD)


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


def _searched(end_idx: int, edge_m: float, from_m: float) -> str:
    edge = f"mile {to_miles(edge_m):.0f}"
    if end_idx:
        return f"first safe place past {edge} of the trip (none listed)"
    look = f"mile {whole_before(from_m, edge_m, MILE_M)}"
    return f"first safe place before {edge} of the trip, look from {look} on (none listed)"


def stop_choice(
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
            name=_END if end_idx else _HERE if route.distance_m[0] > 0.0 else _START,
            kind=StopKind.TRUCK_STOP,
            lat_deg=lat,
            lon_deg=lon,
            listed=False,
        )
        distance_m = float(route.distance_m[end_idx])
    else:
        stop, distance_m = at_stop.stop, at_stop.distance_m
    arrive, searched = reach(distance_m), bool(stop.id) and not stop.listed
    spot = spot_at(route, distance_m, stop.milepost.partition(" ")[0])
    if stop.caution:
        reason = f"{reason}; {stop.caution}"
    return StopChoice(
        stop_id=stop.id,
        name=_searched(end_idx, edge_m, distance_m) if searched else stop.name,
        kind=SEARCH if searched else stop.kind if stop.id else "",
        milepost=stop.milepost or mark_of(spot),
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
        direction=spot.direction if stop.id else "",
        exit=exit_at(spot),
    )

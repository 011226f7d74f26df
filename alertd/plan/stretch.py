"""From a settled run to what one stretch says: place, odds, tires, stops, speeds, minutes and reasons."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.need import SAME_PROBABILITY, grip_short
from alertd.plan.params import PlanParams
from alertd.plan.result import Advice, StopChoice, Stretch
from alertd.plan.run import ChainedLeg, Run
from alertd.road.state import WINTER_CLASSES, RoadClass
from alertd.route.line import Route
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.route.timezone import zone_at
from alertd.rules.rig import Rig
from alertd.rules.words import tires_code, tires_words

Array: TypeAlias = NDArray[np.float64]

SUMMIT_REACH_M = 8_000.0  # a stretch that ends within this of a named summit is known by it


def describe(x: ChainedLeg, run: Run, route: Route, rig: Rig, depart_epoch_s: float, params: PlanParams) -> Stretch:
    """The stretch of one leg, in values that every output shares."""
    here = slice(x.leg.first, x.leg.last + 1)
    chained_short = grip_short(route.grade, rig, run.state, x.chains.hanging.tires)
    short_frac = _any_frac(run.need.grip_short[:, here])
    short_chained_frac = _any_frac(chained_short[:, here])
    unknown_frac = _any_frac(run.need.unknown[:, here])
    advice = _advice(x, short_chained_frac, params)
    surfaces = _surfaces(run.state.road_class[:, here])
    start_m, end_m = float(route.distance_m[x.leg.first]), float(route.distance_m[x.leg.last])

    def at(distance_m: float) -> datetime:
        return _utc(depart_epoch_s + float(run.reach_s(route.distance_m, distance_m)))

    limit = x.chains.speed_limit_mps
    speed = min(params.chained_mps, params.chained_ceiling_mps, np.inf if limit is None else limit)
    chain_up = _stop(route, x.leg.on, 0, x.leg.on_reason, at, x.hang_s if x.driven else 0.0)
    chain_off = _stop(route, x.leg.off, -1, x.leg.off_reason, at, params.remove_s if x.driven else 0.0)
    return Stretch(
        start_m=start_m,
        end_m=end_m,
        place=_place(route, start_m, end_m),
        jurisdictions=tuple(
            dict.fromkeys(s.code for s in route.jurisdictions if s.start_m <= end_m and s.end_m >= start_m)
        ),
        zone=zone_at(float(route.lat_deg[x.leg.first]), float(route.lon_deg[x.leg.first])),
        enter_at=at(start_m),
        leave_at=at(end_m),
        advice=advice,
        probability=x.probability,
        unknown_frac=unknown_frac,
        surfaces=surfaces,
        max_upgrade=float(max(route.grade[here].max(), 0.0)),
        max_downgrade=float(max(-route.grade[here].min(), 0.0)),
        new_snow_mmwe=_median_depth(run.state.snow_mmwe[:, here]),
        grip_short_frac=short_frac,
        grip_short_chained_frac=short_chained_frac,
        barred=x.chains.barred,
        postings=x.chains.postings,
        hanging=x.chains.hanging,
        tires_short_words=tires_code(rig, x.chains.hanging.tires),
        tires_words=tires_words(rig, x.chains.hanging.tires),
        chain_up=chain_up,
        chain_off=chain_off,
        speed_mps=speed,
        bare_speed_mps=min(params.chained_bare_mps, speed),
        speed_because=x.chains.speed_section or "common practice, no legal figure on file",
        hang_s=x.hang_s,
        remove_s=params.remove_s,
        slow_s=x.slow_s,
        reasons=_reasons(x, surfaces, short_frac, short_chained_frac, unknown_frac),
    )


def _reasons(
    x: ChainedLeg,
    surfaces: tuple[tuple[str, float], ...],
    short_frac: float,
    short_chained_frac: float,
    unknown_frac: float,
) -> tuple[str, ...]:
    """Why, in the order a driver would ask: the road, the expected posting, the grip, what is not known."""
    road = ", ".join(f"{name} {share:.0%}" for name, share in surfaces if share >= 0.05)
    out = [f"Road at your hour, share of forecast members that meet it: {road}"] if unknown_frac < 1.0 else []
    out += [
        f"Our estimate: '{p.legal_name}' posted in {p.jurisdiction} {p.probability:.0%} (law: {p.section})"
        for p in x.chains.postings
    ]
    if short_frac > 0:
        out.append(
            f"Grip on the steepest part falls short in {short_frac:.0%} of members without chains, "
            f"{short_chained_frac:.0%} with them"
        )
    if x.chains.barred:
        out.append(f"This rig may not pass while it is posted: {x.chains.barred}")
    if unknown_frac > 0:
        whole = (
            "Road not known (no forecast, or what already lies there): the likelihood is what we give any such grade"
        )
        out.append(whole if unknown_frac == 1.0 else f"Road not known in {unknown_frac:.0%} of members")
    if x.leg.parts > 1:
        out.append(
            "Chains stay on over the bare road between: no listed stop to change at, or changing costs more time"
        )
    out += [f"Doubt in the rule: {p.doubt}" for p in x.chains.postings if p.doubt]
    return tuple(dict.fromkeys(out))


def _advice(x: ChainedLeg, short_chained_frac: float, params: PlanParams) -> Advice:
    # Barred only by a level that is itself likely, see chains_for.
    if x.chains.barred or short_chained_frac >= params.hold_probability - SAME_PROBABILITY:
        return Advice.HOLD
    return Advice.CHAIN if x.driven else Advice.READY


def _any_frac(mask: NDArray[np.bool_]) -> float:
    return float(mask.any(axis=1).mean())


def _median_depth(snow_mmwe: Array) -> float:
    known = np.where(np.isnan(snow_mmwe), -1.0, snow_mmwe).max(axis=1)
    return float(max(np.median(known), 0.0))


def _surfaces(road_class: NDArray[np.int8]) -> tuple[tuple[str, float], ...]:
    """Share of members that meet each class anywhere on the stretch, most likely winter class first."""
    shares = [(c, _any_frac(road_class == c)) for c in RoadClass]
    ranked = sorted((s for s in shares if s[1] > 0), key=lambda s: (s[0] not in WINTER_CLASSES, -s[1]))
    return tuple((c.label, share) for c, share in ranked)


def _place(route: Route, start_m: float, end_m: float) -> str:
    """The named summits on the stretch, or the nearest one within reach; "" when there is none."""
    named = [s for s in route.summits if s.name]
    on = [s.name for s in named if start_m <= s.distance_m <= end_m]
    if on:
        return " and ".join(dict.fromkeys(on))
    near = [(min(abs(s.distance_m - start_m), abs(s.distance_m - end_m)), s.name) for s in named]
    return min(near)[1] if near and min(near)[0] <= SUMMIT_REACH_M else ""


def _utc(epoch_s: float) -> datetime:
    return datetime.fromtimestamp(round(epoch_s), UTC)


def _stop(
    route: Route,
    at_stop: RouteStop | None,
    end_idx: int,
    reason: str,
    reach: Callable[[float], datetime],
    standing_s: float,
) -> StopChoice:
    """The stop with its clock; where the truck is (end_idx 0) or the trip ends (-1) where there is none."""
    if at_stop is None:
        lat, lon = float(route.lat_deg[end_idx]), float(route.lon_deg[end_idx])
        stop = Stop(
            id="",
            name="trip end" if end_idx else "present place" if route.distance_m[0] > 0.0 else "trip start",
            kind=StopKind.TRUCK_STOP,
            lat_deg=lat,
            lon_deg=lon,
        )
        distance_m = float(route.distance_m[end_idx])
    else:
        stop, distance_m = at_stop.stop, at_stop.distance_m
    arrive = reach(distance_m)
    return StopChoice(
        stop_id=stop.id,
        name=stop.name,
        kind=stop.kind if stop.id else "",
        milepost=stop.milepost,
        distance_m=distance_m,
        lat_deg=stop.lat_deg,
        lon_deg=stop.lon_deg,
        zone=zone_at(stop.lat_deg, stop.lon_deg),
        arrive_at=arrive,
        leave_at=arrive + timedelta(seconds=round(standing_s)),
        spaces=stop.spaces,
        lit=stop.lit,
        invented=stop.invented,
        reason=reason,
    )

"""From API value to advice for one place of a plan: every number in between, in order.

Nothing is decided or computed again here. Numbers of the road come from `road.trace` and the road field, need and
posting from the solution behind the plan, and advice from the plan's own stretch.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.forecast.model import Forecast
from alertd.forecast.observations import Station, distances_m
from alertd.forecast.past import PastBasis
from alertd.plan.chain_up.road_view import WORTH_IT
from alertd.plan.chain_up.solution import Solution
from alertd.plan.describe.lanes import lane_surfaces
from alertd.plan.drive import plan_drive
from alertd.plan.explain.members import choice_on, members_at
from alertd.plan.explain.model import (
    AirAtPlace,
    ColumnHour,
    Explanation,
    GripAtPlace,
    LevelAtPlace,
    PastSpan,
    SourceValues,
    Spread,
    ThresholdCheck,
)
from alertd.plan.explain.posting import posting_at
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Stretch
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, Weather
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE
from alertd.plan.road_ahead.rig_grip import code_mu, rig_margin
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.road.corridor import RoadField
from alertd.road.downscale import AIR, AirParams
from alertd.road.road_class import RoadClass
from alertd.road.trace import AirTrace, trace_air
from alertd.route.geometry.clean import leg_lengths_m
from alertd.route.model import Route, zone_at
from alertd.rules.requirements import TireDemand
from alertd.rules.rig import Rig, Tire
from alertd.rules.ruleset import ControlLevel
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelConditions:
    """A level that asks tires of this rig here, and our estimate of its posting in each member, (member,)."""

    jurisdiction: str
    level: ControlLevel
    demand: TireDemand
    chance: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointConditions:
    """One section. Arrays (member,).

    arrival_epoch_s: by the plan's own clock. hour: of the road field that the plan used, which may be that of a driver
    delayed by chains before. road_class, grip_class, mu, need: of that hour. no_rules: jurisdictions here without a
    rule set.
    """

    arrival_epoch_s: Array
    hour: NDArray[np.int64]
    road_class: NDArray[np.int8]
    grip_class: NDArray[np.int8]
    mu: Array
    need: Array
    levels: tuple[LevelConditions, ...]
    no_rules: tuple[str, ...]

    @property
    def unknown(self) -> NDArray[np.bool_]:
        return np.asarray(self.road_class == RoadClass.UNKNOWN)


def conditions_at(solution: Solution, depart_epoch_s: float, distance_m: float, params: PlanParams) -> PointConditions:
    """The conditions of a solution at one place of its route."""
    hourly_need, encounter = solution.encounter.hourly_need, solution.encounter
    section = int(solution.sections.at(distance_m))
    elapsed_s = solution.reach_s([distance_m])
    late_s = lateness_s(elapsed_s, hourly_need.corridor.clock_z, params)[:, 0]
    hour, road_class = encounter.hour[:, section], solution.road_class[:, section]
    member = np.arange(hourly_need.members)
    here = [law for law in hourly_need.laws if law.at.start <= section < law.at.stop]
    return PointConditions(
        arrival_epoch_s=depart_epoch_s + elapsed_s[0] + late_s,
        hour=np.minimum(hour, hourly_need.hours - 1) + hourly_need.skip_h,
        road_class=road_class,
        grip_class=GRIP_OF_CODE[solution.code[:, section]],
        mu=code_mu(solution.code[:, section], hourly_need.corridor.field.quantiles.friction),
        need=encounter.need[:, section].astype(np.float64),
        levels=tuple(
            LevelConditions(
                jurisdiction=law.span.code,
                level=x.level,
                demand=x.demand,
                chance=chance[member, section - law.at.start, hour].astype(np.float64),
            )
            for law, x, chance in hourly_need.by_level
            if law in here
        ),
        no_rules=tuple(law.span.code or law.span.name for law in here if law.rules is None),
    )


HOURS_BEFORE = 6


def explain(
    plan: Plan,
    request: PlanRequest,
    source_forecasts: Sequence[Forecast],
    *,
    air: AirParams = AIR,
    at_m: float | None = None,
) -> tuple[Explanation, ...]:
    """One place of each stretch, where its need is largest; or the one place at `at_m` from the start.

    plan: the result of `make_plan(request)`. source_forecasts: the forecasts as their sources gave them. Raises
    ValueError when `at_m` lies off the route.
    """
    trip, route = request.trip, request.route
    if at_m is not None and not 0.0 <= at_m <= route.length_m:
        raise ValueError(f"{at_m:.0f} m is off a route of {route.length_m:.0f} m")
    seen = trip if trip.fix is None else replace(trip, fix=plan.position)  # the last place as the plan used it
    went = plan_drive(replace(request, trip=seen, now_utc=plan.made_at))
    run = went.solution
    view = _Context(
        plan=plan,
        route=route,
        rig=request.rig,
        weather=request.weather,
        source_forecasts=tuple(source_forecasts),
        params=request.params,
        air=air,
        solution=run,
        leave_epoch_s=went.remaining.leave_at.timestamp(),
    )
    if at_m is None:
        return tuple(_at(view, _neediest(view, s), s) for s in plan.stretches)
    inside = next((s for s in plan.stretches if s.start_m <= at_m <= s.end_m), None)
    return (_at(view, int(np.abs(route.distance_m - at_m).argmin()), inside),)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Context:
    plan: Plan
    route: Route
    rig: Rig
    weather: Weather
    source_forecasts: tuple[Forecast, ...]
    params: PlanParams
    air: AirParams
    solution: Solution
    leave_epoch_s: float


def _conditions(s: _Context, sample: int) -> PointConditions:
    return conditions_at(s.solution, s.leave_epoch_s, float(s.route.distance_m[sample]), s.params)


def _samples(route: Route, stretch: Stretch) -> NDArray[np.int64]:
    return np.flatnonzero((route.distance_m >= stretch.start_m) & (route.distance_m <= stretch.end_m))


def _neediest(view: _Context, stretch: Stretch) -> int:
    samples = _samples(view.route, stretch)
    return int(samples[np.argmax(view.solution.need_frac[view.solution.sections.at(view.route.distance_m[samples])])])


def _at(s: _Context, sample: int, stretch: Stretch | None) -> Explanation:
    corridor, route = s.weather.corridor, s.route
    met = _conditions(s, sample)
    section = int(s.solution.sections.at(float(route.distance_m[sample])))
    column = int(corridor.cells.column_of_sample[sample])
    hour = int(np.median(met.hour))
    lat, lon = float(route.lat_deg[sample]), float(route.lon_deg[sample])
    field = corridor.field
    traced = trace_air(s.weather.forecast, corridor.cells, field.quantiles, column, met.hour, s.air, field.phase_logit)
    start = s.weather.forecast.start + timedelta(hours=hour)
    cell = int(corridor.cells.cell_idx[column])
    index = None if stretch is None else s.plan.stretches.index(stretch)
    leg = None if index is None else s.solution.legs[index]
    chances = [x.chance for x in met.levels] or [np.zeros(met.need.shape)]
    return Explanation(
        distance_m=float(route.distance_m[sample]),
        lat_deg=lat,
        lon_deg=lon,
        elevation_m=float(route.elevation_m[sample]),
        zone=zone_at(lat, lon),
        passing=_passing(met),
        sources=tuple(_source_values(f, cell, start, lat, lon, s.plan.made_at) for f in s.source_forecasts),
        air=_air(traced),
        column=_column(corridor.field, column, hour),
        surfaces=_shares(met.road_class),
        lanes=lane_surfaces(s.solution.encounter, slice(section, section + 1)),
        grip=_grip(s, sample, stretch),
        levels=tuple(_level(x, stretch) for x in met.levels),
        posting=posting_at(s.solution.encounter.hourly_need, section, met.hour),
        descent_frac=float(s.solution.encounter.descent[:, section].mean()),
        no_rules=met.no_rules,
        need_frac=float(met.need.mean()),
        stretch=index,
        stretch_surfaces=() if stretch is None else stretch.surfaces,
        compared=_compared(met, stretch, s.params),
        barred="" if stretch is None else stretch.barred,
        advice=s.plan.advice if stretch is None else stretch.advice,
        members=members_at(s.solution, section, leg, np.maximum.reduce(chances), s.params),
        choice=None if leg is None else choice_on(s.solution, leg, s.params),
        past=_past(s, cell),
    )


def _past(s: _Context, cell: int) -> tuple[PastSpan, ...]:
    """Runs of past hours of the same basis and station."""
    past, forecast = s.weather.past, s.weather.forecast
    if past is None:
        return ()
    hours = min(int((s.plan.made_at - past.start) / timedelta(hours=1)), past.basis.shape[1])
    keys = list(zip(past.basis[cell, :hours].tolist(), past.station_idx[cell, :hours].tolist(), strict=True))
    out, first = [], 0
    for (basis, index), run in groupby(keys):
        last = first + sum(1 for _ in run)
        kind = PastBasis(basis)
        beside = _beside(past.stations[index], forecast, cell) if kind is PastBasis.STATIONS else {}
        issued_s = float(past.issued_epoch_s[cell, first])
        out.append(
            PastSpan(
                begins_at=past.start + timedelta(hours=first),
                ends_at=past.start + timedelta(hours=last),
                basis=kind.name.lower(),
                issued_at=datetime.fromtimestamp(issued_s, UTC) if kind is PastBasis.EARLIER_FORECAST else None,
                **beside,
            )
        )
        first = last
    return tuple(out)


def _beside(station: Station, forecast: Forecast, cell: int) -> dict[str, Any]:
    """Name, distance and height difference of a station from a cell."""
    lat, lon = forecast.lat_deg[cell : cell + 1], forecast.lon_deg[cell : cell + 1]
    away_m = distances_m(lat, lon, np.asarray([station.lat_deg]), np.asarray([station.lon_deg]))[0, 0]
    higher_m = station.elevation_m - float(forecast.elevation_m[cell])
    return {"station": station.id, "away_m": float(away_m), "higher_m": higher_m}


def _spread(values: ArrayLike) -> Spread:
    v = np.asarray(values, dtype=np.float64)
    known = v[np.isfinite(v)]
    low, median, high = np.quantile(known, (0.1, 0.5, 0.9)) if known.size else (np.nan,) * 3
    return Spread(low=float(low), median=float(median), high=float(high), known_frac=known.size / v.size)


def _passing(met: PointConditions) -> tuple[datetime, datetime, datetime]:
    early, median, late = (
        datetime.fromtimestamp(round(float(np.quantile(met.arrival_epoch_s, q))), UTC) for q in (0.1, 0.5, 0.9)
    )
    return early, median, late


def _source_values(
    f: Forecast, cell: int, hour_start: datetime, lat: float, lon: float, now_utc: datetime
) -> SourceValues:
    hour = int((hour_start - f.start) / timedelta(hours=1))
    reached = 0 <= hour < f.hours

    def value(array: Array) -> float:
        return float(np.median(array[:, cell, hour])) if reached else float("nan")

    return SourceValues(
        provider=f.provider,
        licence=f.licence,
        issued_at=f.issued_at,
        fetched_at=f.fetched_at,
        age_h=f.age_h(now_utc),
        served_stale=f.served_stale,
        lat_deg=float(f.lat_deg[cell]),
        lon_deg=float(f.lon_deg[cell]),
        away_m=float(leg_lengths_m(np.asarray([lat, f.lat_deg[cell]]), np.asarray([lon, f.lon_deg[cell]]))[0]),
        elevation_m=float(f.elevation_m[cell]),
        hour_start=hour_start,
        air_temp_c=value(f.air_temp_c),
        rh_frac=value(f.rh_frac),
        wind_mps=value(f.wind_mps),
        cloud_frac=value(f.cloud_frac),
        precip_mmwe_h=value(f.precip_mmwe_h),
        precip_prob_frac=value(f.precip_prob_frac),
        freezing_level_m=value(f.freezing_level_m),
        snow_level_m=value(f.snow_level_m),
        remarks=tuple(gap.reason for gap in f.gaps if cell in gap.cell_idx),
    )


def _air(t: AirTrace) -> AirAtPlace:
    def of(values: Array) -> Spread:
        return _spread(np.where(t.known, values, np.nan))

    used = Counter(rule for rule, known in zip(t.rule, t.known, strict=True) if known)
    return AirAtPlace(
        cell_elevation_m=t.cell_elevation_m,
        road_elevation_m=t.road_elevation_m,
        cell_air_temp_c=of(t.cell_air_temp_c),
        cell_rh_frac=of(t.cell_rh_frac),
        wind_mps=of(t.wind_mps),
        cloud_frac=of(t.cloud_frac),
        precip_mmwe_h=of(t.precip_mmwe_h),
        rules=tuple((rule, n / t.known.size) for rule, n in used.most_common()),
        lapse_k_per_km=of(1000.0 * t.lapse_k_per_m),
        air_temp_c=of(t.air_temp_c),
        rh_frac=of(t.rh_frac),
        wet_bulb_c=of(t.wet_bulb_c),
        jennings_frac=of(t.jennings),
        wang_frac=of(t.wang),
        jennings_calibrated_frac=of(t.jennings_calibrated),
        wang_calibrated_frac=of(t.wang_calibrated),
        snow_chance_frac=of(t.chance),
        snow_mmwe_h=of(t.snow_mmwe_h),
        rain_mmwe_h=of(t.rain_mmwe_h),
        freezing_mmwe_h=of(t.freezing_mmwe_h),
    )


def _column(field: RoadField, column: int, hour: int) -> tuple[ColumnHour, ...]:
    """The hours up to the one of passing: the spread of the members, and one whole member."""
    frozen = field.snow_mmwe[:, column, hour] + field.ice_mmwe[:, column, hour]
    middle = _middle(field.surface_temp_c[:, column, hour], frozen)
    return tuple(
        ColumnHour(
            at=datetime.fromtimestamp(field.first_epoch_s + h * HOUR_S, UTC),
            member_class=RoadClass(int(field.road_class[middle, column, h])).label,
            member_surface_temp_c=float(field.surface_temp_c[middle, column, h]),
            member_water_mmwe=float(field.water_mmwe[middle, column, h]),
            member_snow_mmwe=float(field.snow_mmwe[middle, column, h]),
            member_ice_mmwe=float(field.ice_mmwe[middle, column, h]),
            surface_temp_c=_spread(field.surface_temp_c[:, column, h]),
            water_mmwe=_spread(field.water_mmwe[:, column, h]),
            snow_mmwe=_spread(field.snow_mmwe[:, column, h]),
            ice_mmwe=_spread(field.ice_mmwe[:, column, h]),
        )
        for h in range(max(hour - HOURS_BEFORE, 0), hour + 1)
    )


def _middle(*values: NDArray[np.floating]) -> int:
    """The member nearest to the middle of all, by its ranks in each of some values; the first where none is known."""
    off = np.zeros(values[0].shape)
    for v in values:
        rank = 0.5 * ((v < v[:, None]).sum(axis=1) + (v <= v[:, None]).sum(axis=1))  # equal ones share the middle rank
        off += np.where(np.isfinite(v), np.abs(rank - 0.5 * np.isfinite(v).sum()), v.size)
    return int(off.argmin())


def _shares(road_class: NDArray[np.int8]) -> tuple[tuple[str, float], ...]:
    counted = Counter(road_class.tolist()).most_common()
    return tuple((RoadClass(c).label, n / road_class.size) for c, n in counted)


def _grip(s: _Context, sample: int, stretch: Stretch | None) -> tuple[GripAtPlace, ...]:
    """On the section here, up and down, and on the stretch's steepest climb and descent."""
    sections, distance_m = s.solution.sections, float(s.route.distance_m[sample])
    here = int(sections.at(distance_m))
    tires: tuple[Tire, ...] = ()
    wanted = [(here, distance_m, float(grade[here])) for grade in (sections.up_grade, sections.down_grade)]
    found = [w for w in wanted if w[2] != 0.0] or wanted[:1]
    if stretch is not None:
        tires = tuple(stretch.hanging.tires)
        inside = np.unique(sections.at(s.route.distance_m[_samples(s.route, stretch)]))
        for grade, steepest in ((sections.up_grade, np.argmax), (sections.down_grade, np.argmin)):
            at = int(inside[steepest(grade[inside])])
            if grade[at] != 0.0 and at != here:
                found.append((at, float(sections.middle_m[at]), float(grade[at])))
    return tuple(_grip_at(s, *place, tires) for place in found)


def _grip_at(s: _Context, section: int, distance_m: float, grade: float, tires: tuple[Tire, ...]) -> GripAtPlace:
    met = conditions_at(s.solution, s.leave_epoch_s, float(s.solution.sections.middle_m[section]), s.params)
    bare, chained = (rig_margin(s.rig, on, met.grip_class, met.mu, grade) for on in ((), tires))
    return GripAtPlace(
        distance_m=distance_m,
        grade=grade,
        mu=_spread(met.mu),
        needed_mu=_spread(met.mu - bare),
        chained_needed_mu=_spread(met.mu - chained),
        short_frac=float((bare < 0.0).mean()),
        chained_short_frac=float((chained < 0.0).mean()),
    )


def _level(x: LevelConditions, stretch: Stretch | None) -> LevelAtPlace:
    on_it = () if stretch is None else stretch.postings
    same = [p for p in on_it if (p.jurisdiction, p.level_id) == (x.jurisdiction, x.level.id)]
    return LevelAtPlace(
        jurisdiction=x.jurisdiction,
        level_id=x.level.id,
        legal_name=x.level.legal_name,
        section=x.demand.section,
        tires_n=x.demand.tires_min,
        here_frac=float(x.chance.mean()),
        stretch_frac=same[0].probability if same else None,
        posted_by=same[0].posted_by if same else "",
        posted_since=same[0].posted_since if same else None,
    )


def _compared(met: PointConditions, stretch: Stretch | None, params: PlanParams) -> tuple[ThresholdCheck, ...]:
    ready, chain, hold = "ready_probability", "chain_probability", "hold_probability"
    if stretch is None:
        here = ThresholdCheck(
            what="need at this place", value=float(met.need.mean()), threshold=ready, limit=params.ready_probability
        )
        return (here,)
    need = "need anywhere on the stretch"
    return (
        ThresholdCheck(what=need, value=stretch.probability, threshold=ready, limit=params.ready_probability),
        ThresholdCheck(what=need, value=stretch.probability, threshold=chain, limit=params.chain_probability),
        ThresholdCheck(
            what="cost of going on ready, by that of chaining ahead",
            value=stretch.chain_worth,
            threshold="chain_worth",
            limit=WORTH_IT,
        ),
        ThresholdCheck(
            what="short of grip even with the chains",
            value=stretch.grip_short_chained_frac,
            threshold=hold,
            limit=params.hold_probability,
        ),
        ThresholdCheck(
            what=f"our estimate of a closure by snow (likely from {params.closed_day_snow_mmwe:g} mm of water a day)",
            value=stretch.snow_closed_frac,
            threshold=hold,
            limit=params.hold_probability,
        ),
    )

"""Where on the route, and in which member, this rig needs chains: by an expected posting, or by grip."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.road.grip import grip_margin
from alertd.road.state import WINTER_CLASSES, RoadClass, RoadState
from alertd.route.bridges import on_bridges
from alertd.route.line import JurisdictionSpan, Route
from alertd.route.runs import runs_of
from alertd.route.snap import interval_between
from alertd.rules.demand import TireDemand, demand_for
from alertd.rules.estimate import posting_probability, within_reach
from alertd.rules.land import spans_inside
from alertd.rules.law import ControlLevel, RuleSet, Zone
from alertd.rules.rig import AxleRole, Rig, Same, Tire

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawSpan:
    """One jurisdiction's run of this route with its rules placed on it. `rules` is None when none is on file.

    inside: (sample,) true on its land. levels: those that ask tires of this rig, or bar it, with the demand, mildest
    first. zone_spans: the placed zones that this run touches, as (start_m, end_m) along the route.
    """

    span: JurisdictionSpan
    rules: RuleSet | None
    inside: Mask
    levels: tuple[tuple[ControlLevel, TireDemand], ...]
    zone_spans: Mapping[str, Sequence[tuple[float, float]]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Need:
    """Arrays (member, sample). `posted` is a probability, the grip arrays are true where the rig falls short.

    by_level: for each law span and level in order, the posting probability (member, sample), zero elsewhere.
    """

    laws: tuple[LawSpan, ...]
    road_class: NDArray[np.int8]
    need: Array
    posted: Array
    unknown: Mask
    grip_short: Mask
    by_level: tuple[tuple[LawSpan, ControlLevel, TireDemand, Array], ...]

    @property
    def need_frac(self) -> Array:
        """Probability at each sample alone, (sample,). Never multiply these along the road."""
        return np.asarray(self.need.mean(axis=0))


def place_laws(route: Route, rulesets: Mapping[str, RuleSet], rig: Rig) -> tuple[LawSpan, ...]:
    """The route's jurisdictions with their rule sets, zones placed as sample masks."""
    return tuple(_place(route, span, rulesets.get(span.code), rig) for span in route.jurisdictions)


def _place(route: Route, span: JurisdictionSpan, rules: RuleSet | None, rig: Rig) -> LawSpan:
    inside = (route.distance_m >= span.start_m) & (route.distance_m <= span.end_m)
    if rules is None:
        return LawSpan(span=span, rules=None, inside=inside, levels=(), zone_spans={})
    spans = {}
    for zone_id, along in _zones_along(route, Same(rules)).items():
        touched = [w for w in along if w[0] <= span.end_m and w[1] >= span.start_m]
        if touched:
            spans[zone_id] = touched
    asked = [(level, demand_for(rules, level, rig)) for level in sorted(rules.levels, key=lambda lv: lv.rank)]
    levels = tuple((level, demand) for level, demand in asked if demand.tires_min > 0 or demand.barred)
    return LawSpan(span=span, rules=rules, inside=inside, levels=levels, zone_spans=spans)


@lru_cache(maxsize=256)
def _zones_along(route: Route, rules: Same[RuleSet]) -> Mapping[str, list[tuple[float, float]]]:
    """Where this route lies in each zone: the same for every truck on it, and by far the dearest part of placing."""
    return {zone.id: _zone_spans(route, zone) for zone in rules.it.zones}


def _zone_spans(route: Route, zone: Zone) -> list[tuple[float, float]]:
    if zone.outline:
        return spans_inside(zone.outline, route.lat_deg, route.lon_deg, route.distance_m)
    if zone.from_point is None or zone.to_point is None:
        return []
    where = interval_between(route, zone.from_point, zone.to_point)
    return [] if where is None else [where]


def find_need(route: Route, laws: Sequence[LawSpan], rig: Rig, state: RoadState, params: PlanParams) -> Need:
    """Join law estimate and grip into one need per member and sample.

    A short bridge's deck counts for grip, not for what is posted: that goes by the road beside it.
    """
    road_class = _posting_class(route, state, params)
    unknown = (state.road_class == RoadClass.UNKNOWN) | (road_class == RoadClass.UNKNOWN)
    winter = np.isin(road_class, WINTER_CLASSES)
    posted = np.zeros(state.road_class.shape)
    by_level = []
    for law in laws:
        if law.rules is None:
            # No rule on file is not "no rule": a winter surface there may well bring a control.
            posted = np.maximum(posted, np.where(winter & law.inside, params.unknown_probability, 0.0))
            continue
        estimate = posting_probability(
            law.rules,
            [level.id for level, _ in law.levels],
            road_class,
            np.abs(route.grade),
            route.distance_m,
            law.zone_spans,
            state.snowfall_mmwe_h,
        )
        for (level, asked), anywhere in zip(law.levels, estimate, strict=True):
            chance = np.where(law.inside, anywhere, 0.0)
            by_level.append((law, level, asked, chance))
            posted = np.maximum(posted, chance)
    short = grip_short(route.grade, rig, state, ())
    need = np.maximum(posted, short.astype(float))
    need = np.where(unknown, np.maximum(need, _unknown_need(route, params)), need)
    return Need(
        laws=tuple(laws),
        road_class=state.road_class,
        need=need,
        posted=posted,
        unknown=unknown,
        grip_short=short,
        by_level=tuple(by_level),
    )


def _posting_class(route: Route, state: RoadState, params: PlanParams) -> NDArray[np.int8]:
    """The pavement that an authority would post by, (member, sample)."""
    long = [b for b in route.bridges if b.end_m - b.start_m > params.short_bridge_m]
    return np.where(on_bridges(route.distance_m, long), state.road_class, state.beside_class)


def _unknown_need(route: Route, params: PlanParams) -> Array:
    """What unknown pavement is worth at each sample, (sample,): the grades are where chains would be asked."""
    steep = within_reach(np.abs(route.grade) >= params.unknown_grade, route.distance_m, params.unknown_reach_m)
    return np.where(steep, params.unknown_probability, params.unknown_flat_probability)


def larger(a: Need, b: Need) -> Need:
    """The larger need of two runs over the same route and laws, member by member and sample by sample."""
    return replace(
        a,
        need=np.maximum(a.need, b.need),
        posted=np.maximum(a.posted, b.posted),
        unknown=a.unknown | b.unknown,
        grip_short=a.grip_short | b.grip_short,
        by_level=tuple((*x[:3], np.maximum(x[3], y[3])) for x, y in zip(a.by_level, b.by_level, strict=True)),
    )


# A mean over members is not exact: 0.15 in each of 21 members averages to less than 0.15.
SAME_PROBABILITY = 1e-9


def chained_share(rig: Rig, tires: Sequence[Tire], roles: tuple[AxleRole, ...]) -> float:
    """Share of the gross load that stands on chained tires of axles with one of these roles."""
    gross = sum(a.load_kg for a in rig.axles)
    load = 0.0
    for tire in tires:
        axle = rig.axles[tire.axle_idx]
        if axle.role in roles:
            load += axle.load_kg / (4.0 if axle.dual else 2.0)
    return load / gross


def grip_short(grade: Array, rig: Rig, state: RoadState, tires: Sequence[Tire]) -> Mask:
    """True where the rig slips, (member, sample): uphill on its drive axles, downhill with every wheel braked.

    Unknown grip is false here; `find_need` counts the unknown by itself.
    """
    margin = grip_margin(
        state.road_class,
        state.mu,
        grade,
        rig.drive_share,
        chained_drive_share=chained_share(rig, tires, (AxleRole.DRIVE,)),
        chained_share=chained_share(rig, tires, tuple(AxleRole)),
    )
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(grade > 0, margin.drive < 0, margin.brake < 0), dtype=bool)


def find_stretches(need: Array, distance_m: Array, params: PlanParams) -> list[tuple[int, int]]:
    """Runs of samples that may need chains, as (first, last) index; runs with a short gap between them are one.

    A run ends where its points alone are likely enough. But where that would leave out members that need chains
    only beyond it, it goes as far as any member does: showers that each member puts elsewhere are few at any one
    point, and yet on the way. So a stretch is never less likely for a need that has risen.
    """
    enough = params.ready_probability - SAME_PROBABILITY
    likely = _joined(np.asarray(need.mean(axis=0) >= enough), distance_m, params.join_gap_m)
    found: list[tuple[int, int]] = []
    for first, last in _joined(np.asarray((need >= enough).any(axis=0)), distance_m, params.join_gap_m):
        inside = [(a, b) for a, b in likely if first <= a and b <= last]
        whole = stretch_probability(need, first, last)
        if any(stretch_probability(need, a, b) >= whole - SAME_PROBABILITY for a, b in inside):
            found += inside
        elif whole >= enough:
            found.append((first, last))
    return found


def _joined(mask: Mask, distance_m: Array, gap_m: float) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in runs_of(mask):
        if joined and distance_m[first] - distance_m[joined[-1][1]] < gap_m:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def stretch_probability(need: Array, first: int, last: int) -> float:
    """Probability that any point of the stretch needs chains: counted per member, then averaged."""
    return float(need[:, first : last + 1].max(axis=1).mean())

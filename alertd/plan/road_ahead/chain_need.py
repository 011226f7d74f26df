"""Finds stretches that may need chains, their probability counted per member, and the laws on them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.control_zones import Span, control_grade
from alertd.plan.road_ahead.sections import Sections
from alertd.route.model import JurisdictionSpan, Route
from alertd.route.project import interval_between, spans_along
from alertd.route.runs import runs_of
from alertd.rules.posting.estimate import PostingTable, posting_tables
from alertd.rules.practice import Practice, with_practice
from alertd.rules.requirements import TireDemand, demand_for, unknown_law
from alertd.rules.rig import IdentityKey, Rig
from alertd.rules.ruleset import ControlLevel, RuleSet, RuleZone
from alertd.rules.ruleset_zones import spans_inside

Mask: TypeAlias = NDArray[np.bool_]
Chance: TypeAlias = NDArray[np.floating]  # (member, section), a probability in each

# A mean over members is inexact: 0.15 in each of 21 members averages to less than 0.15.
SAME_PROBABILITY = 1e-6
_NORTH_AMERICA = ("US", "CA", "MX")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelForRig:
    """A control level that requires tires on this rig here, or bars it."""

    level: ControlLevel
    demand: TireDemand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawSpan:
    """One jurisdiction's run of this route with its rules placed on it.

    rules: None when none is on file.
    at: the sections with any sample on its land.
    levels: mildest first.
    zone_spans: the placed zones that this run touches, as (start_m, end_m) along the route.
    unknown: what applies in place of rules where none is on file.
    practices: company practice that may ask more.
    """

    span: JurisdictionSpan
    rules: RuleSet | None
    at: slice
    levels: tuple[LevelForRig, ...]
    zone_spans: Mapping[str, Sequence[tuple[float, float]]]
    unknown: TireDemand | None = None
    practices: tuple[Practice, ...] = ()


def place_laws(
    sections: Sections, rulesets: Mapping[str, RuleSet], rig: Rig, practices: tuple[Practice, ...] = ()
) -> tuple[LawSpan, ...]:
    """The route's jurisdictions with their rule sets placed on its sections."""
    spans = sections.route.jurisdictions
    return tuple(
        _place(sections, span, rulesets[span.code], rig, practices)
        if span.code in rulesets
        else LawSpan(
            span=span,
            rules=None,
            at=sections.on(span),
            levels=(),
            zone_spans={},
            unknown=unknown_law(rig, _neighbours(span.code, rulesets)),
        )
        for span in spans
    )


def _neighbours(code: str, rulesets: Mapping[str, RuleSet]) -> list[RuleSet]:
    """The rule sets of the same part of the world, North America or the rest; all for land that is not known."""
    american = code.startswith(_NORTH_AMERICA)
    return [r for key, r in rulesets.items() if not code or key.startswith(_NORTH_AMERICA) == american]


def _place(
    sections: Sections, span: JurisdictionSpan, rules: RuleSet, rig: Rig, practices: tuple[Practice, ...]
) -> LawSpan:
    at = sections.on(span)
    spans = {}
    for zone_id, along in zones_along(sections.route, IdentityKey(rules)).items():
        touched = [w for w in along if w[0] <= span.end_m and w[1] >= span.start_m]
        if touched:
            spans[zone_id] = touched
    levels = []
    for level in sorted(rules.levels, key=lambda lv: lv.rank):
        demand = with_practice(demand_for(rules, level, rig), practices, rig, tuple(spans))
        if demand.tires_min > 0 or demand.barred:
            levels.append(LevelForRig(level=level, demand=demand))
    return LawSpan(span=span, rules=rules, at=at, levels=tuple(levels), zone_spans=spans, practices=practices)


@lru_cache(maxsize=256)
def zones_along(route: Route, rules: IdentityKey[RuleSet]) -> Mapping[str, list[tuple[float, float]]]:
    """The runs of this route in each zone: the same for every truck on it, and by far the slowest part of placing."""
    return {zone.id: _zone_spans(route, zone) for zone in rules.value.zones}


def _zone_spans(route: Route, zone: RuleZone) -> list[tuple[float, float]]:
    if zone.outline:
        return spans_inside(zone.outline, route.lat_deg, route.lon_deg, route.distance_m)
    if zone.line:
        return list(spans_along(route, zone.line))
    if zone.from_point is None or zone.to_point is None:
        return []
    where = interval_between(route, zone.from_point, zone.to_point)
    return [] if where is None else [where]


@lru_cache(maxsize=256)
def certain_zones(route: Route, rules: IdentityKey[RuleSet], params: PlanParams) -> tuple[Span, ...]:
    """The runs of this route in zones that bound a level, without the doubtful and those too long for one control."""
    bounding = {zone_id for level in rules.value.levels for zone_id in level.zones}
    return tuple(
        span
        for zone in rules.value.zones
        if zone.id in bounding and not zone.doubt
        for span in zones_along(route, rules)[zone.id]
        if span[1] - span[0] <= params.zone_longest_m
    )


@lru_cache(maxsize=1024)
def tables_along(
    sections: Sections, rules: IdentityKey[RuleSet], level_id: str, params: PlanParams
) -> tuple[PostingTable, ...]:
    """A level's estimate on the whole route: a section may be posted where any of its samples may."""
    route = sections.route
    zones, grade = zones_along(route, rules), control_grade(route, params, certain_zones(route, rules, params))
    tables = posting_tables(rules.value, level_id, grade, route.distance_m, zones)
    return tuple(replace(t, holds=sections.any(t.holds)) for t in tables)


def find_stretches(need: Chance, sections: Sections, params: PlanParams) -> list[tuple[int, int]]:
    """Runs of sections with `need`, as (first, last) index; runs with a short gap between them are joined.

    For surfaces, whose extent is not advice; see `find_runs` for chains. A run covers the sections that are likely
    enough by themselves. Where that would omit members that need chains only beyond it, the run extends as far as any
    member does: each member puts showers elsewhere, so they are rare at any one point. A higher need therefore never
    makes the likeliest stretch less likely. Sections left out by a likelier run form runs of their own where they are
    likely enough.
    """
    enough = params.ready_probability - SAME_PROBABILITY
    anywhere = np.asarray((need >= enough).any(axis=0))
    if not anywhere.any():
        return []
    likely = joined_runs(np.asarray(need.mean(axis=0) >= enough), sections, params.join_gap_m)
    runs: list[tuple[int, int]] = []
    for first, last in joined_runs(anywhere, sections, params.join_gap_m):
        run_probability = stretch_probability(need, first, last)
        inside = [(a, b) for a, b in likely if first <= a and b <= last]
        if not any(stretch_probability(need, a, b) >= run_probability - SAME_PROBABILITY for a, b in inside):
            runs += [(first, last)] if run_probability >= enough else []
            continue
        selected = np.zeros(sections.count, dtype=np.bool_)
        for a, b in inside:
            selected[a : b + 1] = True
        for a, b in runs_of(~selected[first : last + 1]):
            selected[first + a : first + b + 1] = stretch_probability(need, first + a, first + b) >= enough
        runs += runs_of(selected)
    return runs


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedRun:
    """A run of sections that may need chains, by index.

    first, last: the core, every end of which is likely enough by itself.
    fringe_first, fringe_last: with the road around it on which few members need chains; `first` and `last` without any.
    showers: no section is likely enough by itself, because each member needs chains elsewhere on the run.
    """

    first: int
    last: int
    fringe_first: int
    fringe_last: int
    showers: bool = False


def find_runs(need: Chance, sections: Sections, params: PlanParams) -> list[NeedRun]:
    """Runs of sections that may need chains: cores with their fringe, and showers without a core.

    A core never includes its fringe: a few members ahead of a storm do not get the advice of the storm. The fringe
    begins where `ready_probability` of the members have needed chains since the last core, and ends likewise. A higher
    need only ever extends cores, and what was showers is then a core or the fringe of one.
    """
    enough = params.ready_probability - SAME_PROBABILITY
    anywhere = np.asarray(np.maximum.reduce(need, axis=0) >= enough)
    if not anywhere.any():
        return []
    mean = np.add.reduce(need, axis=0, dtype=np.float64) / need.shape[0]
    likely = joined_runs(mean >= enough, sections, params.join_gap_m)
    runs = []
    for first, last in joined_runs(anywhere, sections, params.join_gap_m):
        cores = [(a, b) for a, b in likely if first <= a and b <= last]
        if not cores:
            if stretch_probability(need, first, last) >= enough:
                runs.append(NeedRun(first=first, last=last, fringe_first=first, fringe_last=last, showers=True))
            continue
        since = first
        for n, (a, b) in enumerate(cores):
            ahead = since + _reaches(need[:, since:a], enough)
            behind = last - _reaches(need[:, last:b:-1], enough) if n == len(cores) - 1 else b
            runs.append(NeedRun(first=a, last=b, fringe_first=ahead, fringe_last=behind))
            since = b + 1
    return runs


def _reaches(need: Chance, enough: float) -> int:
    """Number of sections before the first at which `enough` members have needed chains; all where they never do."""
    if not need.shape[1]:
        return 0
    so_far = np.maximum.accumulate(need, axis=1)
    reaches = np.add.reduce(so_far, axis=0, dtype=np.float64) / need.shape[0] >= enough
    first = int(reaches.argmax())
    return first if reaches[first] else int(reaches.size)


def joined_runs(mask: Mask, sections: Sections, gap_m: float) -> list[tuple[int, int]]:
    """Runs of True sections, as (first, last) index, joined across gaps shorter than gap_m. mask: (section,)."""
    joined: list[tuple[int, int]] = []
    for first, last in runs_of(mask):
        if joined and sections.start_m[first] - sections.end_m[joined[-1][1]] < gap_m:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def stretch_probability(need: Chance, first: int, last: int) -> float:
    """Probability that any point of the stretch needs chains: counted per member, then averaged."""
    return mean_chance(np.maximum.reduce(need[:, first : last + 1], axis=1))


def mean_chance(chance: Chance) -> float:
    """Mean over members, (member,), in double precision; as `mean` gives it, without its overhead."""
    return float(np.add.reduce(chance, dtype=np.float64)) / chance.size

"""Finds winter road, flat or graded: runs of ice, frost or snow that call for less speed.

A driver may not see ice and glaze and cannot coast over them, so they cause a notice. Frost alone does not: its usual
friction (0.20, see `road.friction`) is that of packed snow, not of ice (0.08). Frost and snow make a trip `slow`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.solution import Solution
from alertd.plan.describe.lanes import lane_surfaces
from alertd.plan.describe.met_classes import MetClasses, class_bits
from alertd.plan.describe.stretches import place_of
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, find_stretches
from alertd.plan.road_ahead.hourly_need import Float32, Mask
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE, NAMED_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.bridges import on_bridges
from alertd.route.model import zone_at
from alertd.route.runs import runs_of
from alertd.route.spot import spot_at
from alertd.units import HOUR_S

Span: TypeAlias = tuple[int, int]  # first and last section

ICY: Final = (RoadClass.ICE, RoadClass.GLAZE)
# By RoadClass + 1: refrozen water lies in patches that a driver may see, and roads are salted against it. So ice is a
# message from twice the odds on that glaze is one [A]: drivers ignore a message of ice on every clear night.
ICE_PART: Final = np.asarray([{RoadClass.GLAZE: 1.0, RoadClass.ICE: 0.5}.get(c, 0.0) for c in RoadClass], np.float32)
# Glaze on half of a run, over members and length, or ice on all of it decides its speed, however short the run is [A]:
# a run too short for a message may be the end of one that a stretch with chains cuts off.
LIKELY_ICE_FRAC: Final = 0.5
NIGHT_S: Final = 6.0 * HOUR_S  # [A] a stand from which on the road behind it is that of another day
_BECAUSE: Final = "CDL manual 2.6.2: a crawl on ice, half speed or less on packed snow"
_WINTER_CODE: Final = np.isin(NAMED_OF_CODE, WINTER_CLASSES)
_ROAD_OF_CODE: Final = np.where(np.isin(GRIP_OF_CODE, ICY), GRIP_OF_CODE, NAMED_OF_CODE)
_IS_WINTER: Final = np.isin(list(RoadClass), WINTER_CLASSES)  # by RoadClass + 1


def winter_enough(params: PlanParams) -> float:
    """The probability from which a road counts as a winter road."""
    return min(params.winter_probability, params.ready_probability)


def is_winter_road(code: Codes, sections: Sections, params: PlanParams) -> bool:
    """True when enough members meet ice, frost or snow somewhere on the way.

    code: (member, section), see plan.road_ahead.pavement_codes.

    Members count over a run of road, so that showers at different places in each member are not lost.
    """
    winter = _WINTER_CODE[code]
    if winter.mean(axis=0).max() >= winter_enough(params) - SAME_PROBABILITY:
        return True
    return bool(_likely(winter, sections, params))


def surface_stretches(
    solution: Solution, chained: Sequence[Stretch], depart_epoch_s: float, params: PlanParams
) -> tuple[SurfaceStretch, ...]:
    """The runs of winter road on the way, in order; where chains may be needed only the icy ones.

    An icy run has ice or glaze over more than `ice_least_m` of it in enough members; ice without glaze counts by half,
    see `ICE_PART`. Less is winter road without a message. It ends where a stretch that may
    need chains begins. Snow and frost where chains are on anyway are omitted. Short bridges take the state of the road
    beside them here, as the bridge notes cover them.
    """
    sections, road = solution.sections, _road(solution, params)
    winter, part_icy = _IS_WINTER[road + 1], ICE_PART[road + 1]
    may_need_chains, chained_way = np.zeros((2, sections.count), dtype=np.bool_)
    for s in chained:
        may_need_chains |= (sections.end_m >= s.start_m) & (sections.start_m <= s.end_m)
        if s.advice.rank >= Advice.CHAIN.rank:
            chained_way |= (sections.middle_m >= s.chain_up.distance_m) & (sections.middle_m <= s.chain_off.distance_m)
    spans: list[tuple[Span, bool]] = []
    excluded = may_need_chains | chained_way
    for run in _runs(part_icy, solution, params):
        if not _is_long(part_icy, run, sections, params):
            continue
        for part in _parts(run, may_need_chains):
            inside = bool(may_need_chains[part[0]])
            enough = _most(part_icy, part) if inside else _long_frac(part_icy, part, sections, params)
            if enough >= winter_enough(params) - SAME_PROBABILITY:
                spans.append((part, True))
                excluded[part[0] : part[1] + 1] = True
    for run in _runs(winter & ~excluded, solution, params):
        spans += [(part, False) for part in _parts(run, excluded) if not excluded[part[0]]]
    enough_frac = winter_enough(params) - SAME_PROBABILITY
    bits, found = class_bits(road), []
    for span, is_icy in sorted(spans):
        met = MetClasses(bits, slice(span[0], span[1] + 1))
        probability = met.frac(ICY if is_icy else WINTER_CLASSES)
        if probability >= enough_frac:
            of_run = _Run(span=span, met=met, probability=probability, part_icy=part_icy)
            asked = bool(may_need_chains[span[0]])
            found.append(_stretch(solution, of_run, depart_epoch_s, params, icy=is_icy, chains_asked=asked))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """A run of winter road. part_icy: see `ICE_PART`, (member, section) of the whole way."""

    span: Span
    met: MetClasses
    probability: float
    part_icy: Float32


def _road(solution: Solution, params: PlanParams) -> NDArray[np.int8]:
    """RoadClass by (member, section), short bridges as the road beside them.

    Ice under snow so thin that the ice decides the grip counts as ice: a driver sees the snow but slides on the ice.
    """
    route = solution.sections.route
    road: NDArray[np.int8] = _ROAD_OF_CODE[solution.code]
    short = [b for b in route.bridges if b.end_m - b.start_m <= params.short_bridge_m]
    if not short:
        return road
    deck = solution.sections.any(on_bridges(route.distance_m, short))
    return np.asarray(np.where(deck, solution.encounter.beside_class, road), dtype=np.int8)


def _runs(mask: Mask | Float32, solution: Solution, params: PlanParams) -> list[Span]:
    """Runs of sections that enough members meet; a night on the way ends one: the next day's road is another."""
    sections, stands = solution.sections, solution.stands
    nights = {int(sections.at(m)) for m in stands.at_m[stands.takes_s >= NIGHT_S]}
    runs = []
    for first, last in _likely(mask, sections, params):
        ends = [*sorted(n for n in nights if first <= n < last), last]
        runs += list(zip([first, *(n + 1 for n in ends[:-1])], ends, strict=True))
    return runs


def _likely(mask: Mask | Float32, sections: Sections, params: PlanParams) -> list[Span]:
    """Runs of sections that enough members meet, short gaps joined, as in `find_stretches`."""
    return find_stretches(mask.astype(np.float32), sections, replace(params, ready_probability=winter_enough(params)))


def _parts(span: Span, cut: Mask) -> Iterator[Span]:
    """A run in parts, each entirely inside or outside of `cut`."""
    first, last = span
    inside = cut[first : last + 1]
    for a, b in sorted((*runs_of(inside), *runs_of(~inside))):
        yield first + a, first + b


def _is_long(part: Float32, span: Span, sections: Sections, params: PlanParams) -> bool:
    return _long_frac(part, span, sections, params) >= winter_enough(params) - SAME_PROBABILITY


def _long_frac(part: Float32, span: Span, sections: Sections, params: PlanParams) -> float:
    """Mean over members of the most on a run, in those in which more than the minimum length of it has any."""
    on_span = slice(span[0], span[1] + 1)
    long = (part[:, on_span] > 0.0) @ sections.length_m[on_span] > params.ice_least_m
    return float((long * part[:, on_span].max(axis=1)).mean())


def _most(part: Float32, span: Span) -> float:
    """Mean over members of the most on a run."""
    return float(part[:, span[0] : span[1] + 1].max(axis=1).mean(dtype=np.float64))


def _share(shares: Mapping[RoadClass, float], params: PlanParams) -> float:
    """The share of the cruise speed that the worst likely surface allows; ice too short to be icy counts as snow."""
    worse = max((share for c, share in shares.items() if c is not RoadClass.RIME), default=0.0)
    return params.frost_speed_share if worse < winter_enough(params) else params.snow_speed_share


def _stretch(
    solution: Solution, run: _Run, depart_epoch_s: float, params: PlanParams, *, icy: bool, chains_asked: bool
) -> SurfaceStretch:
    sections, (first, last) = solution.sections, run.span
    route = sections.route
    # The outermost sections extend to the next ones: a run of a single sample also counts as road.
    start_m, end_m = float(sections.edge_m[first]), float(sections.edge_m[last + 1])
    shares = {c: share for c, share in run.met.shares().items() if c in WINTER_CLASSES}
    ranked = sorted(shares, key=lambda c: (icy and c not in ICY, -shares[c]))
    likely_ice = float(run.part_icy[:, first : last + 1].mean()) >= LIKELY_ICE_FRAC - SAME_PROBABILITY
    at = int(sections.first[first])
    lanes = lane_surfaces(solution.encounter, slice(first, last + 1))
    enter_at, leave_at = (
        datetime.fromtimestamp(round(depart_epoch_s + s), UTC) for s in solution.reach_s((start_m, end_m)).tolist()
    )
    return SurfaceStretch(
        start_m=start_m,
        end_m=end_m,
        place=place_of(route, start_m, end_m),
        jurisdictions=tuple(
            dict.fromkeys(s.code for s in route.jurisdictions if s.start_m <= end_m and s.end_m >= start_m)
        ),
        zone=zone_at(float(route.lat_deg[at]), float(route.lon_deg[at])),
        enter_at=enter_at,
        leave_at=leave_at,
        icy=icy,
        chains_asked=chains_asked,
        probability=run.probability,
        unknown_frac=run.met.frac((RoadClass.UNKNOWN,)),
        surfaces=tuple((c.label, shares[c]) for c in ranked),
        serviced_surfaces=lanes.serviced,
        untouched_surfaces=lanes.untouched,
        speed_mps=params.ice_mps if icy or likely_ice else params.cruise_mps * _share(shares, params),
        speed_because=_BECAUSE,
        spot=spot_at(route, start_m),
    )

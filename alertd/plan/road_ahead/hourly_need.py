"""Computes the need of one rig on the road at every hour of the forecast, once for all departures."""

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from functools import cached_property
from typing import Any, Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.cycle_caches import cached_in_cycle
from alertd.plan.params import PlanParams
from alertd.plan.posted import PostedSpan
from alertd.plan.road_ahead.chain_need import (
    SAME_PROBABILITY,
    LawSpan,
    LevelForRig,
    certain_zones,
    place_laws,
    tables_along,
)
from alertd.plan.road_ahead.control_zones import control_grade, control_zones
from alertd.plan.road_ahead.long_descents import descent_share, rig_share
from alertd.plan.road_ahead.pavement_codes import Codes, pavement_codes
from alertd.plan.road_ahead.posting_state import PostingState, posting_state
from alertd.plan.road_ahead.rig_grip import short_of_grip
from alertd.plan.road_ahead.sections import Sections, fold
from alertd.plan.road_ahead.shared_answers import SharedAnswers
from alertd.plan.road_ahead.stands import NO_STANDS, Stands
from alertd.road.corridor import RoadCells, RoadField
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.rules.posting.estimate import within_reach
from alertd.rules.practice import Practice
from alertd.rules.rig import IdentityKey, Rig, Tire
from alertd.rules.ruleset import RuleSet
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]
Float32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]
Index: TypeAlias = NDArray[np.int32]
Scalar = TypeVar("Scalar", bound=np.generic)

_ALL: Final = slice(None)
SHARED_START_H: Final = 6  # trips that leave within this many hours share one HourlyNeed

# Frost alone causes no control: agencies treat it and post none (common practice, no source).
_MAY_CAUSE: Final = np.isin(
    np.arange(-1, max(RoadClass) + 1), [int(c) for c in WINTER_CLASSES if c is not RoadClass.RIME]
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corridor:
    """The shared pavement field, the route's samples placed in it, and each member's clock error, (member,).

    answers: what was computed from them for rigs and rules; it is freed with the corridor.
    """

    cells: RoadCells
    field: RoadField
    clock_z: Array
    answers: SharedAnswers = dataclass_field(default_factory=SharedAnswers)


def take_flat(values: NDArray[Scalar], pick: NDArray[np.intp], out: NDArray[Scalar] | None = None) -> NDArray[Scalar]:
    """Values at flat indices, which are in range. `values` is in the order of memory, or each call copies all of it.

    Into `out`, skipping the check halves the time; without it, indexing is several times as fast as `take`.
    """
    flat = values.reshape(-1)
    return flat[pick] if out is None else flat.take(pick, out=out, mode="clip")


@dataclass(frozen=True, kw_only=True, eq=False)
class HourlyNeed:
    """Arrays (member, section, hour + 1) for the rig that `laws` were placed for. The last hour is "unknown".

    Index h is the state at first_epoch_s + h * 3600.

    skip_h: hours of the field before the first.
    code: pavement code.
    need: probability in that member that chains are needed, by an expected posting, by grip, on a long descent or for
        snow that is likely enough to close the road.
    other_need: the same without any posting.
    grip_shortfall: the rig slips there without chains.
    closed: our probability that snow closes the road.
    descent: share of drivers who chain for a long descent in snow, see `long_descents`.
    by_level: for each level of each law, the probability of posting on its own sections.
    chance: the same by the level's identity.
    posting: the posting state of the control zones.
    posted: the posted controls included.
    stands: the planned rests and breaks of the trip.
    """

    sections: Sections
    corridor: Corridor
    rig: Rig
    laws: tuple[LawSpan, ...]
    first_epoch_s: float
    skip_h: int
    code: Codes
    need: Float32
    other_need: Float32
    grip_shortfall: Mask
    closed: Float32
    descent: Float32
    by_level: tuple[tuple[LawSpan, LevelForRig, Float32], ...]
    chance: Mapping[int, Float32]
    posting: PostingState
    posted: tuple[PostedSpan, ...] = ()
    stands: Stands = NO_STANDS

    @property
    def hours(self) -> int:
        """Number of known hours; also the index of the unknown hour."""
        return int(self.code.shape[2]) - 1

    def slips(self, tires: tuple[Tire, ...], code: Codes, here: slice) -> Mask:
        """Where the rig slips with these tires chained, on pavement `code` of the sections `here`; its shape."""
        friction = IdentityKey(self.corridor.field.quantiles.friction)
        return short_of_grip(self.sections, self.rig, tires, friction, code, here)

    @cached_property
    def may_bar(self) -> bool:
        """True when any level on this road bars the rig."""
        return any(x.demand.barred for law in self.laws for x in law.levels)

    @cached_property
    def most_closed(self) -> Float32:
        """The highest of `closed` in any member and hour, (section,)."""
        return np.asarray(self.closed.max(axis=(0, 2)))

    @cached_property
    def most_chance(self) -> Mapping[int, Float32]:
        """The highest of `chance` in any member and hour, (section of its law,), by the level's identity."""
        return {level: np.asarray(chance.max(axis=(0, 2))) for level, chance in self.chance.items()}

    @cached_property
    def shared(self) -> SharedAnswers:
        """What trips with this need have in common; it lives as long as the need."""
        return SharedAnswers()

    @property
    def members(self) -> int:
        return int(self.code.shape[0])

    def hour_at(self, epoch_s: ArrayLike) -> Index:
        """Index of the nearest whole hour, any shape; the unknown hour for NaN and beyond the forecast."""
        offset = (np.asarray(epoch_s, dtype=np.float64) - self.first_epoch_s) / HOUR_S
        return self.hour_of_offset(offset.astype(np.float32))

    def hour_of_offset(self, offset_h: Float32) -> Index:
        """`hour_at` for hours since the first."""
        first, last = -1.0 if self.skip_h == 0 else -0.5, self.hours - 0.5
        near = np.rint(offset_h)
        if not (offset_h.size and first <= offset_h.min() and offset_h.max() <= last):  # NaN is not inside either
            near = np.where((offset_h >= first) & (offset_h <= last), near, self.hours)
        return np.maximum(near, 0.0).astype(np.int32)

    def pick(self, hour: Index, here: slice = _ALL) -> NDArray[np.intp]:
        """Flat index into the arrays for hours (..., member, section) of the sections `here`; see `take_flat`."""
        return np.asarray(self._base[:, here] + hour, dtype=np.intp)

    @cached_property
    def _base(self) -> NDArray[np.intp]:
        members, sections, hours = self.code.shape
        return np.asarray(np.arange(members * sections, dtype=np.intp).reshape(members, sections) * hours)

    def field_values(self, name: str, hour: Index, here: slice = _ALL) -> Array:
        """Values of the road field for hour (member, section) of the sections `here`; NaN at the unknown hour."""
        return np.where(hour == self.hours, np.nan, self._field(name, hour, self.sections.column[here]))

    def beside_class(self, hour: Index) -> Codes:
        """RoadClass of the road beside each section, (member, section); differs from its own on bridges only."""
        beside = self._field("road_class", hour, self.sections.beside)
        return np.asarray(np.where(hour == self.hours, RoadClass.UNKNOWN, beside), dtype=np.int8)

    def lane_class(self, name: str, hour: Index, here: slice = _ALL) -> Codes:
        """RoadClass of a lane, a field of RoadField, for hour (member, section) of the sections `here`."""
        there = self._field(name, hour, self.sections.column[here])
        return np.asarray(np.where(hour == self.hours, RoadClass.UNKNOWN, there), dtype=np.int8)

    def _field(self, name: str, hour: Index, column: NDArray[np.int64]) -> NDArray[Any]:
        values: NDArray[Any] = getattr(self.corridor.field, name)
        field_hour = np.minimum(hour + self.skip_h, values.shape[2] - 1)
        return np.asarray(values[np.arange(self.members)[:, None], column, field_hour])


def hourly_need_for(
    route: Route,
    rig: Rig,
    rulesets: Mapping[str, RuleSet],
    corridor: Corridor,
    params: PlanParams,
    from_epoch_s: float,
    practices: tuple[Practice, ...] = (),
) -> HourlyNeed:
    """The need of this rig on this corridor, cached while trips share it. practices: what the company asks besides."""
    ahead_h = (from_epoch_s - corridor.field.first_epoch_s) / HOUR_S - 1.0
    last_h = corridor.field.road_class.shape[2] - 1
    skip_h = int(np.clip(ahead_h // SHARED_START_H * SHARED_START_H, 0, last_h))
    for_rig, of_rules = IdentityKey(rig.nameless), IdentityKey(rulesets)
    return corridor.answers.answer(
        "need",
        (route, for_rig, of_rules, params, skip_h, practices),
        lambda: _hourly_need(route, for_rig, of_rules, corridor, params, skip_h, practices),
    )


def _hourly_need(
    route: Route,
    for_rig: IdentityKey[Rig],
    of_rules: IdentityKey[Mapping[str, RuleSet]],
    corridor: Corridor,
    params: PlanParams,
    skip_h: int,
    practices: tuple[Practice, ...],
) -> HourlyNeed:
    rig = for_rig.value
    road = corridor.answers.answer(
        "pavement", (route, params, skip_h), lambda: _pavement(route, corridor, params, skip_h)
    )
    laws = place_laws(road.sections, of_rules.value, rig, practices)
    posting = corridor.answers.answer("posting", (road, of_rules), lambda: _posting(road, of_rules))
    short = short_of_grip(road.sections, rig, (), IdentityKey(corridor.field.quantiles.friction), road.code)
    rigless = corridor.answers.answer("rigless", (road, IdentityKey(posting)), lambda: _rigless_need(road, posting))
    other = np.maximum(rigless, short)
    share = rig_share(rig, params)
    descent = corridor.answers.answer("descent", (road, share), lambda: _descent(road, share))
    steep = np.flatnonzero(descent_share(road.sections, params))
    if steep.size:
        other[:, steep] = np.maximum(other[:, steep], descent[:, steep])
    for law in (x for x in laws if x.rules is None):
        # No rule on file is not "no rule": a winter surface there may well cause a control.
        winter = _MAY_CAUSE[road.posted_by[:, law.at] + 1]
        part = other[:, law.at]
        np.maximum(part, np.float32(params.unknown_probability) * winter, out=part)
    by_level = level_chances(road.sections, laws, posting, params)
    return HourlyNeed(
        sections=road.sections,
        corridor=corridor,
        rig=rig,
        laws=laws,
        first_epoch_s=corridor.field.first_epoch_s + skip_h * HOUR_S,
        skip_h=skip_h,
        code=road.code,
        need=need_of(other, by_level),
        other_need=other,
        grip_shortfall=short,
        closed=posting.closed,
        descent=descent,
        by_level=by_level,
        chance={id(level): chance for _, level, chance in by_level},
        posting=posting,
    )


LevelChances: TypeAlias = tuple[tuple[LawSpan, LevelForRig, Float32], ...]


def level_chances(
    sections: Sections, laws: tuple[LawSpan, ...], posting: PostingState, params: PlanParams
) -> LevelChances:
    """Our estimate that each level of each law is posted, on the sections of its law."""
    return tuple(
        (
            law,
            level,
            _chance(sections, IdentityKey(law.rules), level.level.id, IdentityKey(posting), law.at.start, law.at.stop),
        )
        for law in laws
        if law.rules is not None
        for level in law.levels
    )


def need_of(other: Float32, by_level: LevelChances) -> Float32:
    """Need from everything but postings, and from the postings of each level, (member, section, hour + 1)."""
    need = other.copy()
    for law, _, chance in by_level:
        part = need[:, law.at]
        np.maximum(part, chance, out=part)
    return need


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pavement:
    """The pavement for every rig, (member, section, hour + 1).

    posted_by: the class that an authority posts by.
    columns: the column of the road field with that class, (section,).
    descent: see `long_descents`.
    """

    sections: Sections
    corridor: Corridor
    params: PlanParams
    skip_h: int
    code: Codes
    posted_by: Codes
    columns: NDArray[np.int64]
    descent: Float32
    unknown_need: Float32


def _pavement(route: Route, corridor: Corridor, params: PlanParams, skip_h: int) -> _Pavement:
    field, sections = corridor.field, fold(route, corridor.cells)

    def hourly(values: NDArray[Any], unknown: float, column: NDArray[np.int64] = sections.column) -> NDArray[Any]:
        members, _, hours = values.shape
        out = np.full((members, column.size, hours - skip_h + 1), unknown, dtype=values.dtype)
        out[:, :, :-1] = values[:, column, skip_h:]
        return out

    code = pavement_codes(
        hourly(field.road_class, RoadClass.UNKNOWN),
        hourly(field.grip_class, RoadClass.UNKNOWN),
        hourly(field.surface_temp_c, np.nan),
    )
    beside = _posted_by(sections, params)
    posted_by: Codes = hourly(field.road_class, RoadClass.UNKNOWN, beside)
    not_known = (code == 0) | (posted_by == RoadClass.UNKNOWN)
    share = descent_share(sections, params)
    steep = np.flatnonzero(share)
    descent = np.zeros(code.shape, dtype=np.float32)
    if steep.size:
        snow_mmwe = np.nan_to_num(hourly(field.snow_mmwe, 0.0, beside[steep]))
        low, high = params.descent_snow_mmwe
        deep = np.clip((snow_mmwe - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
        descent[:, steep] = share[steep, None] * deep
    return _Pavement(
        sections=sections,
        corridor=corridor,
        params=params,
        skip_h=skip_h,
        code=code,
        posted_by=posted_by,
        columns=beside,
        descent=descent,
        unknown_need=_unknown_need(sections, params)[None, :, None] * not_known,
    )


def _posting(road: _Pavement, of_rules: IdentityKey[Mapping[str, RuleSet]]) -> PostingState:
    """The posting state of a road under these rules, for any rig."""
    route, params = road.sections.route, road.params
    codes = dict.fromkeys(span.code for span in route.jurisdictions)
    rulesets = [of_rules.value[code] for code in codes if code in of_rules.value]
    certain = tuple(span for rules in rulesets for span in certain_zones(route, IdentityKey(rules), params))
    zones = control_zones(road.sections, params, certain)
    return posting_state(zones, road.columns, road.corridor.field, params, road.skip_h)


def _descent(road: _Pavement, share: float) -> Float32:
    """The road's share of drivers who chain for a descent, for rigs of which this share does."""
    return road.descent if share == 1.0 else np.asarray(road.descent * np.float32(share))


def _rigless_need(road: _Pavement, posting: PostingState) -> Float32:
    """Need of every rig for unknown pavement, and for snow that closes the road.

    A closure counts only where it is likely enough to hold a trip, which needs a stretch to hold on. Below that it asks
    for no chains: they open no closed road.
    """
    closed = posting.closed
    held = closed.mean(axis=0) >= road.params.hold_probability - SAME_PROBABILITY
    return np.where(held, np.maximum(road.unknown_need, closed), road.unknown_need)


@cached_in_cycle(24)
def _chance(
    sections: Sections,
    rules: IdentityKey[RuleSet],
    level_id: str,
    posting: IdentityKey[PostingState],
    start: int,
    stop: int,
) -> Float32:
    """Our estimate that a level is posted on sections start to stop, for any rig."""
    tables = tables_along(sections, rules, level_id, posting.value.params)
    by_road = rules.value.level(level_id).trigger == "road"
    return posting.value.chance(tables, slice(start, stop), by_road)


def _posted_by(sections: Sections, params: PlanParams) -> NDArray[np.int64]:
    """The column whose pavement an authority would post by, (section,): for a short bridge, the road beside it."""
    route = sections.route
    long = [b for b in route.bridges if b.end_m - b.start_m > params.short_bridge_m]
    return np.where(sections.any(on_bridges(route.distance_m, long)), sections.column, sections.beside)


def _unknown_need(sections: Sections, params: PlanParams) -> Float32:
    """Need on unknown pavement in each section, (section,): higher on grades, where chains would be required."""
    grade, d = control_grade(sections.route, params), sections.route.distance_m
    steep = sections.any(within_reach(grade >= params.unknown_grade, d, params.unknown_reach_m))
    return np.where(steep, params.unknown_probability, params.unknown_flat_probability).astype(np.float32)

"""Computes the need of one rig on the road at every hour of the forecast, once for all departures."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.params import PlanParams
from alertd.plan.posted import PostedSpan
from alertd.plan.road_ahead.chain_need import LawSpan, LevelForRig, control_grade, place_laws, tables_along
from alertd.plan.road_ahead.deep_snow import BURST_H, DAY_H, closed_by_snow, fresh_snow_mmwe
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE, SURFACE_OF_CODE, Codes, pavement_codes
from alertd.plan.road_ahead.sections import Sections, fold
from alertd.road.corridor import RoadCells, RoadField
from alertd.road.friction import friction_mu, grip_margin
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.rules.posting_estimate import posting_chance, within_reach
from alertd.rules.rig import AxleRole, IdentityKey, Rig, Tire
from alertd.rules.ruleset import RuleSet
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]
Float32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]
Index: TypeAlias = NDArray[np.int32]
Scalar = TypeVar("Scalar", bound=np.generic)

_ALL: Final = slice(None)
SHARED_START_H: Final = 6  # trips that leave within this many hours share one HourlyNeed

_IS_WINTER: Final = np.isin(np.arange(-1, max(RoadClass) + 1), [int(c) for c in WINTER_CLASSES])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corridor:
    """The shared pavement field, the route's samples placed in it, and each member's clock error, (member,)."""

    cells: RoadCells
    field: RoadField
    clock_z: Array


def take_flat(values: NDArray[Scalar], pick: NDArray[np.intp]) -> NDArray[Scalar]:
    """Values at flat indices. The indices are in range; skipping the check halves the time."""
    return np.take(values, pick, mode="clip")


@dataclass(frozen=True, kw_only=True, eq=False)
class HourlyNeed:
    """Arrays (member, section, hour + 1) for the rig that `laws` were placed for. The last hour is "unknown".

    Index h is the state at first_epoch_s + h * 3600.

    skip_h: hours of the field before the first.
    code: pavement code.
    need: probability in that member that chains are needed, by an expected posting, by grip or for snow that closes the
        road.
    grip_shortfall: the rig slips there without chains.
    closed: we expect snow to close the road.
    by_level: for each level of each law, the probability of posting on its own sections.
    chance: the same by the level's identity.
    posted: the posted controls included.
    """

    sections: Sections
    corridor: Corridor
    rig: Rig
    laws: tuple[LawSpan, ...]
    first_epoch_s: float
    skip_h: int
    code: Codes
    need: Float32
    grip_shortfall: Mask
    closed: Mask
    by_level: tuple[tuple[LawSpan, LevelForRig, Float32], ...]
    chance: Mapping[int, Float32]
    posted: tuple[PostedSpan, ...] = ()

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

    def pick(self, hour: Index) -> NDArray[np.intp]:
        """Flat index into the arrays for hours (..., member, section); see `take_flat`."""
        return np.asarray(self._base + hour, dtype=np.intp)

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
) -> HourlyNeed:
    """The need of this rig on this corridor, cached while trips share it."""
    ahead_h = (from_epoch_s - corridor.field.first_epoch_s) / HOUR_S - 1.0
    last_h = corridor.field.road_class.shape[2] - 1
    skip_h = int(np.clip(ahead_h // SHARED_START_H * SHARED_START_H, 0, last_h))
    return _hourly_need(route, IdentityKey(rig), IdentityKey(rulesets), corridor, params, skip_h)


@lru_cache(maxsize=16)
def _hourly_need(
    route: Route,
    for_rig: IdentityKey[Rig],
    of_rules: IdentityKey[Mapping[str, RuleSet]],
    corridor: Corridor,
    params: PlanParams,
    skip_h: int,
) -> HourlyNeed:
    rig, road = for_rig.value, _pavement(route, corridor, params, skip_h)
    laws = place_laws(road.sections, of_rules.value, rig)
    need = road.unknown_need.copy()
    by_level = []
    for law in laws:
        part = need[:, law.at]
        if law.rules is None:
            # No rule on file is not "no rule": a winter surface there may well cause a control.
            winter = _IS_WINTER[road.posted_by[:, law.at] + 1]
            np.maximum(part, np.float32(params.unknown_probability) * winter, out=part)
            continue
        for level in law.levels:
            chance = _chance(road, IdentityKey(law.rules), level.level.id, law.at.start, law.at.stop)
            np.maximum(part, chance, out=part)
            by_level.append((law, level, chance))
    short = short_of_grip(road.sections, rig, (), IdentityKey(corridor.field.quantiles.friction), road.code)
    np.maximum(need, short, out=need)
    np.maximum(need, road.closed, out=need)
    return HourlyNeed(
        sections=road.sections,
        corridor=corridor,
        rig=rig,
        laws=laws,
        first_epoch_s=corridor.field.first_epoch_s + skip_h * HOUR_S,
        skip_h=skip_h,
        code=road.code,
        need=need,
        grip_shortfall=short,
        closed=road.closed,
        by_level=tuple(by_level),
        chance={id(level): chance for _, level, chance in by_level},
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pavement:
    """The pavement for every rig, (member, section, hour + 1).

    posted_by: the class that an authority posts by.
    fresh_mmwe: snow of the last day that remains.
    closed: we expect snow to close the road.
    """

    sections: Sections
    params: PlanParams
    code: Codes
    posted_by: Codes
    snowfall_mmwe_h: Float32
    fresh_mmwe: Float32
    closed: Mask
    unknown_need: Float32


@lru_cache(maxsize=8)
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
    day, burst = fresh_snow_mmwe(field, DAY_H, lying_first=True), fresh_snow_mmwe(field, BURST_H)
    posted_by: Codes = hourly(field.road_class, RoadClass.UNKNOWN, beside)
    not_known = (code == 0) | (posted_by == RoadClass.UNKNOWN)
    return _Pavement(
        sections=sections,
        params=params,
        code=code,
        posted_by=posted_by,
        snowfall_mmwe_h=hourly(field.snowfall_mmwe_h, np.nan),
        fresh_mmwe=hourly(day, 0.0, beside),
        closed=hourly(closed_by_snow(day, burst, params), False, beside),
        unknown_need=_unknown_need(sections, params)[None, :, None] * not_known,
    )


@lru_cache(maxsize=64)
def _chance(road: _Pavement, rules: IdentityKey[RuleSet], level_id: str, start: int, stop: int) -> Float32:
    """Our estimate that a level is posted on sections start to stop, for any rig."""
    here = slice(start, stop)
    tables = [replace(t, holds=t.holds[here]) for t in tables_along(road.sections, rules, level_id, road.params)]
    return posting_chance(tables, road.posted_by[:, here], road.snowfall_mmwe_h[:, here], road.fresh_mmwe[:, here])


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


def short_of_grip(
    sections: Sections, rig: Rig, tires: tuple[Tire, ...], friction: IdentityKey[Array], code: Codes, here: slice = _ALL
) -> Mask:
    """True where the rig slips with these tires chained: uphill on its drive axles, downhill with every wheel braked.

    code: (member, section) or (member, section, hour) of the sections `here`.
    friction: each member's rank, (member,).

    Unknown grip is False here, because the unknown is counted separately.
    """
    table = _short_table(sections, IdentityKey(rig), tires, friction)[:, here]
    if code.ndim == 2:
        return np.take_along_axis(table, code[:, :, None].astype(np.intp), axis=2)[:, :, 0]
    return np.take_along_axis(table, code.astype(np.intp), axis=2)


@lru_cache(maxsize=256)
def _short_table(
    sections: Sections, rig: IdentityKey[Rig], tires: tuple[Tire, ...], friction: IdentityKey[Array]
) -> Mask:
    """(member, section, code): a section falls short where its steepest part does, in either direction."""
    mu = code_mu(np.arange(GRIP_OF_CODE.size), friction.value[:, None])  # (member, code)
    short = []
    for grade in (sections.up_grade, sections.down_grade):
        required_mu = -rig_margin(rig.value, tires, GRIP_OF_CODE[:, None], 0.0, grade)  # (code, section)
        with np.errstate(invalid="ignore"):
            short.append(mu[:, None, :] - required_mu.T[None, :, :] < 0.0)
    return np.asarray(short[0] | short[1])


def code_mu(code: NDArray[np.integer], friction: ArrayLike) -> Array:
    """Friction of tires without chains on pavement of these codes, at each member's rank; shapes broadcast."""
    return friction_mu(GRIP_OF_CODE[code], friction, SURFACE_OF_CODE[code])


def rig_margin(rig: Rig, tires: tuple[Tire, ...], road_class: ArrayLike, mu: ArrayLike, grade: ArrayLike) -> Array:
    """Available minus required friction with chains on these tires: to climb, or to hold a descent by braking."""
    margin = grip_margin(
        road_class,
        mu,
        grade,
        rig.drive_share,
        chained_drive_share=chained_share(rig, tires, (AxleRole.DRIVE,)),
        chained_share=chained_share(rig, tires, tuple(AxleRole)),
    )
    return np.where(np.asarray(grade) > 0, margin.drive, margin.brake)


def chained_share(rig: Rig, tires: tuple[Tire, ...], roles: tuple[AxleRole, ...]) -> float:
    """Share of the gross load on chained tires of axles with one of these roles."""
    gross = sum(a.load_kg for a in rig.axles)
    load = 0.0
    for tire in tires:
        axle = rig.axles[tire.axle_idx]
        if axle.role in roles:
            load += axle.load_kg / (4.0 if axle.dual else 2.0)
    return load / gross

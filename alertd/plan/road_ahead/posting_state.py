"""Computes OUR ESTIMATE of what is posted in each control zone at each hour, from the pavement field of a road.

A posted control covers a zone from its first to its last part with snow, slush or ice on it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.control_zones import ZonesOfSections
from alertd.plan.road_ahead.deep_snow import DAY_H, fresh_snow_mmwe, snowfall_of_burst_mmwe_h
from alertd.road.corridor import RoadField
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.rules.posting.estimate import PostingTable, ZonePavement, road_chance, unknown_chance, zone_chance
from alertd.rules.posting.hazard import (
    ZoneWeather,
    close_rate,
    odds_factor,
    off_rate,
    on_rate,
    posted_state,
    reopen_rate,
    run_state,
    severity_mmwe_h,
    uncleared_mmwe,
)

Float32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]
Codes: TypeAlias = NDArray[np.int8]
# (zone, hour of the field, probability): what is known to be posted in a zone at an hour.
Seeds: TypeAlias = tuple[tuple[int, int, float], ...]

_WHITE: Final = tuple(c for c in WINTER_CLASSES if c is not RoadClass.RIME)
_IS_WHITE: Final = np.isin(np.arange(-1, max(RoadClass) + 1), [int(c) for c in _WHITE])
_WHITE_BITS: Final = np.uint16(sum(1 << c for c in _WHITE))
_BIT: Final = np.asarray([0, *(1 << c for c in range(max(RoadClass) + 1))], dtype=np.uint16)


@dataclass(frozen=True, kw_only=True, eq=False)
class PostingState:
    """The posting state of the zones of a road, for every rig and level.

    skip_h: hours of the field before those of the result; the state runs from the first hour of the field.
    posted_by: class that an authority posts by, (member, section, hour of the result + 1).
    covered: where a control of the section's zone lies, same shape.
    seeds: what is posted now.
    """

    zones: ZonesOfSections
    weather: ZoneWeather
    pavement: ZonePavement
    params: PlanParams
    skip_h: int
    posted_by: Codes
    untouched_by: Codes
    covered: Mask
    seeds: Seeds = ()

    @cached_property
    def state(self) -> Float32:
        """Probability that a control is posted, (member, zone, hour of the field)."""
        on, off = on_rate(self.weather, self.zones.rise_m), off_rate(self.weather)
        return posted_state(on, off, self.seeds)

    @cached_property
    def odds_factor(self) -> Float32:
        """Factor on the odds of a level, (member, zone, hour of the field)."""
        return odds_factor(severity_mmwe_h(self.weather), [z.is_pass for z in self.zones.zones])

    @cached_property
    def closed(self) -> Float32:
        """Probability that snow closes the road, (member, section, hour + 1)."""
        # The axes are in the order of memory: `take_flat` copies all of any other array.
        return np.ascontiguousarray(self._along(self.closed_state, slice(None)) * self.covered, dtype=np.float32)

    @cached_property
    def closed_state(self) -> Float32:
        """Probability that snow closes a zone, (member, zone, hour of the field)."""
        deep_mmwe = self.params.closed_day_snow_mmwe
        return run_state(close_rate(self.weather, deep_mmwe), reopen_rate(self.weather, deep_mmwe))

    def reseeded(self, seeds: Seeds) -> "PostingState":
        """The same zones and weather with another knowledge of what is posted."""
        return replace(self, seeds=seeds)

    def chance(self, tables: Sequence[PostingTable], here: slice, by_road: bool) -> Float32:
        """Probability of a level on the sections `here`, (member, section of here, hour + 1).

        tables: of the level, with `holds` by section of the whole road.
        by_road: True for a level that the road itself triggers, without a sign.

        Unknown pavement has the estimate's own probability at least.
        """
        cut = [replace(t, holds=t.holds[here]) for t in tables]
        posted_by = self.posted_by[:, here]
        if by_road:
            # The law does not ask whether a plough has passed: what may lie on the untouched lane decides.
            return road_chance(cut, self.untouched_by[:, here], self._along(self.odds_factor, here))
        holds = np.stack([t.holds for t in cut])
        out = np.zeros(posted_by.shape, dtype=np.float32)
        for pattern in np.unique(holds, axis=1).T:
            used = [t for t, has in zip(tables, pattern.tolist(), strict=True) if has]
            if used:
                of_zone = zone_chance(used, self.pavement, self.state, self.odds_factor)
                at = np.flatnonzero((holds == pattern[:, None]).all(axis=0))
                out[:, at] = self._along(of_zone, here, at)
        out *= self.covered[:, here]
        unknown = posted_by == RoadClass.UNKNOWN
        if unknown.any():
            np.maximum(out, unknown_chance(cut)[None, :, None] * unknown, out=out)
        return out

    def _along(self, of_zone: Float32, here: slice, at: NDArray[np.intp] | None = None) -> Float32:
        """Values of zones on sections, from the first hour of the result; the unknown hour has those of the last."""
        zone_of = self.zones.zone_of[here]
        values = of_zone[:, zone_of if at is None else zone_of[at], self.skip_h :]
        return np.concatenate((values, values[:, :, -1:]), axis=2)


def posting_state(
    zones: ZonesOfSections,
    columns: NDArray[np.int64],
    field: RoadField,
    params: PlanParams,
    skip_h: int,
) -> PostingState:
    """The posting state of a road's zones.

    columns: of the road field by which an authority posts each section, (section,).
    """
    weather, pavement = _worst_of_zones(zones, columns, field)
    first, last = _white_ends(zones, field.road_class[:, columns])
    index = np.arange(columns.size, dtype=np.int16)[None, :, None]

    def hourly(ends: NDArray[np.int16]) -> NDArray[np.int16]:
        kept = ends[:, :, skip_h:]
        return np.concatenate((kept, kept[:, :, -1:]), axis=2)[:, zones.zone_of]

    covered = (index >= hourly(first)) & (index <= hourly(last))
    posted_by, untouched_by = (np.full(covered.shape, RoadClass.UNKNOWN, dtype=np.int8) for _ in range(2))
    posted_by[:, :, :-1] = field.road_class[:, columns, skip_h:]
    untouched_by[:, :, :-1] = field.untouched_class[:, columns, skip_h:]
    return PostingState(
        zones=zones,
        weather=weather,
        pavement=pavement,
        params=params,
        skip_h=skip_h,
        posted_by=posted_by,
        untouched_by=untouched_by,
        covered=covered,
    )


def _worst_of_zones(
    zones: ZonesOfSections, columns: NDArray[np.int64], field: RoadField
) -> tuple[ZoneWeather, ZonePavement]:
    bounds = (*zones.first.tolist(), columns.size)
    of_zone = [np.unique(columns[a:b]) for a, b in pairwise(bounds)]
    used, starts = np.concatenate(of_zone), np.cumsum([0, *(c.size for c in of_zone[:-1])])

    def most(values: NDArray[Any], over: np.ufunc = np.maximum) -> NDArray[Any]:
        return np.asarray(over.reduceat(values[:, used], starts, axis=1))

    classes = field.road_class
    snow, ice = np.nan_to_num(field.snow_mmwe), np.nan_to_num(field.ice_mmwe)
    rate: Float32 = most(snowfall_of_burst_mmwe_h(field, snow + ice))
    bits = most(_BIT[classes + 1] | _BIT[field.grip_class + 1], np.bitwise_or)
    weather = ZoneWeather(
        snowfall_mmwe_h=rate,
        uncleared_mmwe=uncleared_mmwe(
            rate, most(np.nan_to_num(field.air_temp_c, nan=99.0), np.minimum), most(snow + ice)
        ),
        day_mmwe=most(fresh_snow_mmwe(field, DAY_H, lying_first=True)),
        wind_mps=most(np.nan_to_num(field.wind_mps)),
        glaze=(bits & _BIT[RoadClass.GLAZE + 1] > 0).astype(np.float32),
        ice=(bits & _BIT[RoadClass.ICE + 1] > 0).astype(np.float32),
        known=~most(classes == RoadClass.UNKNOWN, np.logical_or),
    )
    pavement = ZonePavement(
        classes=_kept_bits(bits),
        snow_mmwe=most(np.where(classes == RoadClass.SNOW, snow, np.float32(0.0))),
        slush_mmwe=most(np.where(classes == RoadClass.SLUSH, snow, np.float32(0.0))),
        snowfall_mmwe_h=rate,
    )
    return weather, pavement


def _kept_bits(bits: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """The classes of each zone and hour; the last winter pavement is kept while a control may still be posted."""
    out = bits.copy()
    for h in range(1, bits.shape[2]):
        bare = bits[:, :, h] & _WHITE_BITS == 0
        out[:, :, h] |= out[:, :, h - 1] * bare
    return out


def _white_ends(zones: ZonesOfSections, road_class: Codes) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """First and last section with snow, slush or ice in each zone, (member, zone, hour); of the last such hour."""
    sections_n = road_class.shape[1]
    white = _IS_WHITE[road_class + 1]
    index = np.arange(sections_n, dtype=np.int16)[None, :, None]
    first = np.minimum.reduceat(np.where(white, index, np.int16(sections_n)), zones.first, axis=1)
    last = np.maximum.reduceat(np.where(white, index, np.int16(-1)), zones.first, axis=1)
    for h in range(1, road_class.shape[2]):
        bare = last[:, :, h] < 0
        first[:, :, h] = np.where(bare, first[:, :, h - 1], first[:, :, h])
        last[:, :, h] = np.where(bare, last[:, :, h - 1], last[:, :, h])
    return first, last

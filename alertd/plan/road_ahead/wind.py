"""Reads gusts and sight on the way from the forecast, by member, and finds where they are too much for this rig.

Gusts in the forecast are those of 10 m height in the open, and so are those of road authorities' limits. Sight is the
source's own visibility, or that of a blizzard where snow falls in strong gusts.
"""

from dataclasses import dataclass
from functools import lru_cache
from hashlib import blake2b
from typing import Final, NamedTuple, TypeAlias
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Forecast, Obscured
from alertd.plan.cycle_caches import cached_in_cycle
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed, Index, Mask, take_flat
from alertd.plan.road_ahead.pavement_codes import NAMED_OF_CODE, Codes
from alertd.plan.road_ahead.shared_answers import SharedAnswers
from alertd.road.road_class import WINTER_CLASSES
from alertd.rules.rig import AxleRole, IdentityKey, Rig

Array: TypeAlias = NDArray[np.float64]
Float32: TypeAlias = NDArray[np.float32]

_ANSWERS: Final[WeakKeyDictionary[Forecast, SharedAnswers]] = WeakKeyDictionary()
_WINTER_CODE = np.isin(NAMED_OF_CODE, [int(c) for c in WINTER_CLASSES])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WindHours:
    """Gusts [m/s] and sight [m] by (member, cell, hour), NaN where unknown, and the cell of each section.

    first_h: the hour of these arrays for hour 0 of the hourly need.
    """

    gust_mps: Float32
    sight_m: Float32
    cell: NDArray[np.int64]
    first_h: int

    def at(self, hour: Index) -> tuple[Float32, Float32]:
        """Gust and sight at hours (member, section) of the hourly need; NaN beyond the forecast."""
        hours = self.gust_mps.shape[2]
        last_h = hours - 1 - self.first_h
        ahead = hour.size > 0 and int(hour.max()) > last_h
        pick = _base(IdentityKey(self)) + (np.minimum(hour, last_h) if ahead else hour)
        gust, sight = (take_flat(values, pick) for values in (self.gust_mps, self.sight_m))
        if ahead:
            beyond = hour > last_h
            gust[beyond] = sight[beyond] = np.nan
        return gust, sight

    @property
    def digest(self) -> bytes:
        """Equal for equal wind, whichever forecast it came from."""
        return _digest(IdentityKey(self))


@cached_in_cycle(8)
def _base(of: IdentityKey[WindHours]) -> NDArray[np.intp]:
    """Flat index of hour 0 of the hourly need into the arrays of the wind, (member, section)."""
    members, cells, hours = of.value.gust_mps.shape
    return np.asarray((np.arange(members)[:, None] * cells + of.value.cell) * hours + of.value.first_h, dtype=np.intp)


@cached_in_cycle(64)
def _digest(of: IdentityKey[WindHours]) -> bytes:
    whole = blake2b(str((of.value.first_h, of.value.gust_mps.shape)).encode(), digest_size=16)
    for values in (of.value.gust_mps, of.value.sight_m, of.value.cell):
        whole.update(np.ascontiguousarray(values).tobytes())
    return whole.digest()


def wind_hours(forecast: Forecast, hourly_need: HourlyNeed, params: PlanParams) -> WindHours | None:
    """The wind along the sections of a route.

    None where the forecast has none for these members, or none that matters to this rig.
    """
    kept = _answers(forecast)
    return kept.answer("wind", (hourly_need, params), lambda: _wind_hours(forecast, hourly_need, params))


def _answers(forecast: Forecast) -> SharedAnswers:
    """What was computed from a forecast. A forecast of one road takes some 20 MB, so nothing here keeps it."""
    return _ANSWERS.setdefault(forecast, SharedAnswers())


def _wind_hours(forecast: Forecast, hourly_need: HourlyNeed, params: PlanParams) -> WindHours | None:
    if forecast.gust_mps.shape[0] != hourly_need.members or forecast.hours < hourly_need.hours:
        return None
    gust, sight = _answers(forecast).answer("gust", params, lambda: _gust_and_sight(forecast, params))
    limits = limits_of(hourly_need.rig, params)
    least_mps = min(limits.caution_mps, limits.hold_slick_mps)
    with np.errstate(invalid="ignore"):
        if not ((gust >= least_mps).any() or (sight <= params.sight_caution_m).any()):
            return None
    return WindHours(
        gust_mps=gust,
        sight_m=sight,
        cell=hourly_need.corridor.cells.cell_idx[hourly_need.sections.column],
        first_h=hourly_need.skip_h,
    )


def _gust_and_sight(f: Forecast, params: PlanParams) -> tuple[Float32, Float32]:
    """Gusts, at least the mean wind, and sight; (member, cell, hour).

    Where snow falls in strong gusts and the source gives no visibility, sight is that of a caution. Where that lasts
    as long as a blizzard, it is that of a hold. [A] Where the source names blowing snow, sight is at most that of a
    caution in strong gusts, and where it gives no visibility.
    """
    gust = np.fmax(f.gust_mps, f.wind_mps)
    snowing = (f.precip_mmwe_h >= params.whiteout_mmwe_h) & (f.air_temp_c <= 0.0)
    whiteout = snowing & (gust >= params.whiteout_gust_mps)
    inferred = np.where(whiteout, params.sight_caution_m, np.nan)
    inferred[_lasting(whiteout, params.blizzard_h)] = params.sight_hold_m
    sight = np.where(np.isnan(f.visibility_m), inferred, f.visibility_m)
    if f.obscured is not None:
        blowing = (f.obscured >= Obscured.BLOWING_SNOW)[None]
        dimmed = blowing & (np.isnan(sight) | (gust >= params.whiteout_gust_mps))
        sight = np.where(dimmed, np.fmin(sight, params.sight_caution_m), sight)
    return np.ascontiguousarray(gust, dtype=np.float32), np.ascontiguousarray(sight, dtype=np.float32)


def _lasting(on: Mask, hours: int) -> Mask:
    """True in each run of at least `hours` true values along the last axis."""
    out = np.zeros_like(on)
    if on.shape[2] < hours:
        return out
    whole = np.lib.stride_tricks.sliding_window_view(on, hours, axis=2).all(axis=3)
    for shift in range(hours):
        out[:, :, shift : shift + whole.shape[2]] |= whole
    return out


def is_light(rig: Rig, params: PlanParams) -> bool:
    """Whether a rig is one of those that wind blows over first: nearly empty, or with several trailers."""
    towed = [a for a in rig.axles if a.role in (AxleRole.TRAILER, AxleRole.DOLLY)]
    if len({a.unit for a in towed}) > 1:
        return True
    return bool(towed) and rig.gross_mass_kg < params.light_share * rig.rated_mass_kg


class WindLimits(NamedTuple):
    """Gusts [m/s] from which this rig gets a caution and a hold; the latter also on a winter road."""

    caution_mps: float
    hold_mps: float
    hold_slick_mps: float


def limits_of(rig: Rig, params: PlanParams) -> WindLimits:
    """The limits of a rig."""
    return _limits(IdentityKey(rig), params)


@lru_cache(maxsize=64)
def _limits(of: IdentityKey[Rig], params: PlanParams) -> WindLimits:
    rig = of.value
    light = is_light(rig, params)
    return WindLimits(
        caution_mps=params.gust_caution_light_mps if light else params.gust_caution_mps,
        hold_mps=params.gust_hold_light_mps if light else params.gust_hold_mps,
        hold_slick_mps=params.gust_hold_light_slick_mps if light else params.gust_hold_slick_mps,
    )


def too_windy(gust_mps: Float32, code: Codes, limit_mps: float, slick_mps: float) -> Mask:
    """Where gusts reach a limit, or the lower one on winter pavement; shape of `gust_mps`. False where unknown."""
    with np.errstate(invalid="ignore"):
        return np.asarray(gust_mps >= np.where(_WINTER_CODE[code], slick_mps, limit_mps))


def blind(sight_m: Float32, limit_m: float) -> Mask:
    """Where sight is at most a limit. False where unknown."""
    with np.errstate(invalid="ignore"):
        return np.asarray(sight_m <= limit_m)

"""Computes friction of each pavement class, what a grade requires, and the gain from chains.

Friction between a truck tire and a winter road is a range, not a number. Each class has a triangular distribution, and
each member draws its own value with a persistent quantile. All functions take scalars or arrays and carry NaN.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.road.humidity import Array
from alertd.road.road_class import RoadClass
from alertd.units import GRAVITY_MPS2

WET_ICE_TEMP_C: Final = -0.5  # [A] from this temperature up ice has a water film


class Friction(NamedTuple):
    """Lowest, most likely and highest coefficient for loaded truck tires without chains, and their source."""

    low: float
    mode: float
    high: float
    source: str


_WET_ICE: Final = Friction(
    0.03, 0.05, 0.10, "quoted from VTI 911A 2001 (from memory): wet black ice 0.05-0.10; low assumed"
)
FRICTION: Final[dict[RoadClass, Friction]] = {
    RoadClass.DRY: Friction(0.50, 0.60, 0.75, "Noon 1994: dry asphalt 0.65, concrete 0.75 (cars); truck mode assumed"),
    RoadClass.MOIST: Friction(0.40, 0.50, 0.65, "assumed, between dry and wet"),
    RoadClass.WET: Friction(0.35, 0.45, 0.60, "Noon 1994: wet asphalt 0.50, concrete 0.60 (cars); truck mode assumed"),
    RoadClass.RIME: Friction(0.10, 0.20, 0.40, "assumed; falls with dew point minus road temperature (Karlsson 2001)"),
    RoadClass.SNOW: Friction(0.12, 0.20, 0.30, "NSC loose snow 0.22, Noon 1994 0.20-0.25 (cars); low assumed"),
    RoadClass.ICE: Friction(0.04, 0.08, 0.15, "Navin et al. 1996 SAE, truck 0.06; Noon 1994 0.10-0.15; NSC 0.06-0.09"),
    RoadClass.GLAZE: _WET_ICE,
    RoadClass.SLUSH: Friction(0.15, 0.25, 0.40, "quoted from VTI 911A 2001 (from memory): slush 0.20-0.50"),
    RoadClass.PACKED_SNOW: Friction(0.15, 0.20, 0.30, "Navin et al. 1996 SAE, truck braking 0.23; mode assumed"),
}

# Chained over bare, stops of cars: NSC 149/74.5 ft on ice = 2.0, 60/38 ft on snow = 1.58. No truck figure was found.
# Slush is assumed to be like snow: a chain cuts through it to the road. Chains get no credit on other classes.
CHAIN_RATIO: Final[dict[RoadClass, float]] = {
    RoadClass.ICE: 2.0,
    RoadClass.GLAZE: 2.0,
    RoadClass.SNOW: 1.5,
    RoadClass.PACKED_SNOW: 1.5,
    RoadClass.SLUSH: 1.5,
}

# Start traction of cars with chains over without (NSC, quoted by the Utah Safety Council): 3 or more on snow, 6 or more
# on ice. A braked wheel slides over the snow; a driven one digs its chain in. Half of that gain is assumed for a truck.
CHAIN_TRACTION_RATIO: Final[dict[RoadClass, float]] = {
    RoadClass.ICE: 3.5,
    RoadClass.GLAZE: 3.5,
    RoadClass.SNOW: 2.0,
    RoadClass.PACKED_SNOW: 2.0,
    RoadClass.SLUSH: 2.0,
}

# Rolling resistance of truck tires: 0.006-0.010 on hard road, 0.015 packed, 0.02-0.05 loose snow. All assumed.
ROLLING: Final[dict[RoadClass, float]] = {
    RoadClass.DRY: 0.008,
    RoadClass.MOIST: 0.008,
    RoadClass.WET: 0.008,
    RoadClass.RIME: 0.008,
    RoadClass.SNOW: 0.030,
    RoadClass.ICE: 0.010,
    RoadClass.GLAZE: 0.010,
    RoadClass.SLUSH: 0.030,
    RoadClass.PACKED_SNOW: 0.015,
}


def _by_class(table: dict[RoadClass, float], unlisted: float) -> Array:
    """A table indexed by class + 1, so that UNKNOWN (-1) comes first and is always NaN."""
    values = [table.get(c, unlisted) for c in sorted(RoadClass) if c is not RoadClass.UNKNOWN]
    return np.asarray([np.nan, *values], dtype=np.float64)


_LOW = _by_class({c: f.low for c, f in FRICTION.items()}, np.nan)
_MODE = _by_class({c: f.mode for c, f in FRICTION.items()}, np.nan)
_HIGH = _by_class({c: f.high for c, f in FRICTION.items()}, np.nan)
# 1.0 by definition: chains change nothing on classes that are not listed.
_CHAIN = _by_class(CHAIN_RATIO, 1.0)
_CHAIN_TRACTION = _by_class(CHAIN_TRACTION_RATIO, 1.0)
_ROLL = _by_class(ROLLING, np.nan)


def _row(road_class: ArrayLike) -> NDArray[np.int64]:
    return np.asarray(road_class, dtype=np.int64) + 1


def friction_mu(road_class: ArrayLike, quantile: ArrayLike, surface_temp_c: ArrayLike = np.nan) -> Array:
    """The friction coefficient at a quantile (0-1) of its class; NaN for UNKNOWN.

    Ice at WET_ICE_TEMP_C or warmer takes the values of glaze, since both are wet ice.
    """
    row = _row(road_class)
    wet_ice = (row == _row(RoadClass.ICE)) & (np.asarray(surface_temp_c, dtype=np.float64) >= WET_ICE_TEMP_C)
    row = np.where(wet_ice, _row(RoadClass.GLAZE), row)
    low, mode, high = _LOW[row], _MODE[row], _HIGH[row]
    q = np.asarray(quantile, dtype=np.float64)
    rising = low + np.sqrt(q * (high - low) * (mode - low))
    falling = high - np.sqrt((1.0 - q) * (high - low) * (high - mode))
    return np.where(q <= (mode - low) / (high - low), rising, falling)


def chain_ratio(road_class: ArrayLike) -> Array:
    """Braking friction of a chained axle over that of the same axle without chains: 1 or more; NaN for UNKNOWN."""
    return _CHAIN[_row(road_class)]


def chain_traction_ratio(road_class: ArrayLike) -> Array:
    """Traction of a chained drive axle over that of the same axle without chains: 1 or more; NaN for UNKNOWN."""
    return _CHAIN_TRACTION[_row(road_class)]


def rolling_coeff(road_class: ArrayLike) -> Array:
    """Rolling resistance over weight; NaN for UNKNOWN."""
    return _ROLL[_row(road_class)]


def effective_share(share: ArrayLike, chained_share: ArrayLike, ratio: ArrayLike) -> Array:
    """Part of the weight on working axles, at the friction of an unchained tire.

    share: weight on all working axles (drive axles to climb, braked axles to stop) over gross weight.
    chained_share: the part of it on axles with chains. Only that part gains friction.
    """
    chained = np.minimum(np.asarray(chained_share, dtype=np.float64), np.asarray(share, dtype=np.float64))
    gain = chained * (np.asarray(ratio, dtype=np.float64) - 1.0)
    return np.asarray(np.asarray(share, dtype=np.float64) + gain)


def required_mu_climb(
    grade: ArrayLike,
    drive_share: ArrayLike,
    rolling: ArrayLike,
    *,
    chained_share: ArrayLike = 0.0,
    ratio: ArrayLike = 1.0,
    accel_mps2: ArrayLike = 0.0,
) -> Array:
    """Friction of the bare road needed to keep climbing: (grade + rolling + a/g) / effective drive share, at least 0.

    grade is rise over run, positive uphill. Air drag and the load shift to the rear on a grade are omitted.
    """
    need = np.asarray(grade, dtype=np.float64) + np.asarray(rolling, dtype=np.float64)
    need = need + np.asarray(accel_mps2, dtype=np.float64) / GRAVITY_MPS2
    return np.maximum(need / effective_share(drive_share, chained_share, ratio), 0.0)


def required_mu_hold(
    grade: ArrayLike,
    share: ArrayLike,
    rolling: ArrayLike,
    *,
    chained_share: ArrayLike = 0.0,
    ratio: ArrayLike = 1.0,
) -> Array:
    """Friction of the bare road needed to hold a steady speed downhill, at least 0.

    share: that of the drive axles when engine or retarder holds the truck, 1 when every wheel is braked.
    """
    need = -np.asarray(grade, dtype=np.float64) - np.asarray(rolling, dtype=np.float64)
    return np.maximum(need / effective_share(share, chained_share, ratio), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GripMargin:
    """Available minus required friction, for tires without chains, (member, sample). Negative: the rig slips.

    drive: to climb an upgrade, or to hold a downgrade on the drive axles alone (engine brake, retarder).
    brake: to hold a downgrade with every wheel braked; equals mu on the level and uphill.
    """

    drive: Array
    brake: Array


def grip_margin(
    road_class: ArrayLike,
    mu: ArrayLike,
    grade: ArrayLike,
    drive_share: ArrayLike,
    *,
    chained_drive_share: ArrayLike = 0.0,
    chained_share: ArrayLike = 0.0,
) -> GripMargin:
    """Margins of a rig on the road, NaN where the class is UNKNOWN.

    Parameters
    ----------
    road_class, mu: (member, sample); mu is the friction of tires without chains, see `friction_mu`.
    grade: (sample,), rise over run in the direction of travel.
    drive_share: weight on driven axles over gross weight.
    chained_drive_share: the part of drive_share on chained tires.
    chained_share: weight on all chained tires over gross weight, trailer included.
    """
    ratio, rolling = chain_ratio(road_class), rolling_coeff(road_class)
    climb = required_mu_climb(
        grade, drive_share, rolling, chained_share=chained_drive_share, ratio=chain_traction_ratio(road_class)
    )
    hold = required_mu_hold(grade, drive_share, rolling, chained_share=chained_drive_share, ratio=ratio)
    brake = required_mu_hold(grade, 1.0, rolling, chained_share=chained_share, ratio=ratio)
    have = np.asarray(mu, dtype=np.float64)
    return GripMargin(drive=np.asarray(have - np.maximum(climb, hold)), brake=np.asarray(have - brake))

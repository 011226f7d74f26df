"""What reaches a lane from beside it: drifting snow, melt-water of the snow there, and rime from freezing fog.

The ploughed and fallen snow beside the road is one store, in mm w.e. It grows with snowfall, drifts while it is cold
and loose, and melts in the sun and in mild air, whether or not the lane itself is clear.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.road.downscale import RoadWeather
from alertd.road.humidity import Array

Float32 = NDArray[np.float32]

# Degree-hour melt of the snow beside the road: 4.8 mm w.e. per day and K, within the 2-6 of Hock 2003, J. Hydrol. 282.
MELT_MMWE_PER_K_H: Final = 0.2
MELT_ALBEDO: Final = 0.7  # [A] of old snow beside a road
SUN_MELTS_ABOVE_C: Final = -1.0  # [A] in colder air the sun's heat is lost again
LATENT_MM: Final = 92.8  # W/m² that melt 1 mm w.e. an hour: latent heat of fusion 3.34e5 J/kg over 3600 s
ONTO_LANE_FRAC: Final = 0.1  # [A] share of the melt-water that crosses the lane
WETTED_FRAC: Final = 0.3  # [A] share of the road where it does: level or banked toward the lane
# Loose snow hardens with an e-folding time of a day [A], and at once in a thaw.
LOOSE_H: Final = 24.0
# Threshold of 10 m wind for the transport of dry snow by temperature: Li & Pomeroy 1997, J. Appl. Meteor. 36:205
# (coefficients from memory).
THRESHOLD_MPS: Final = (9.43, 0.18, 0.0033)
TRANSPORT: Final = (3.8, 233_847.0)  # Tabler 1991: kg/(m s) of the lowest 5 m is u^3.8 / 233 847
TRAPPED_FRAC: Final = 0.01  # [A] part of that transport that stops on the lane
LANE_M: Final = 10.0  # [A] width of the road in the wind's direction
# [A] drift of an hour in which a source reports blowing snow, whatever the wind and the snow that the model knows of.
REPORTED_DRIFT_MMWE_H: Final = 0.1
MOST_OF_STORE: Final = 0.1  # [A] the lane takes at most this share of the loose snow in an hour


class FromBeside(NamedTuple):
    """What reaches the lane each hour, (hour, column), mm w.e.; None where it is nowhere more than 0.

    drift: snow.
    meltwater: water that runs over the lane.
    rime: ice of fog droplets that freeze on a road at 0 °C or below.
    """

    drift: Float32 | None
    meltwater: Float32 | None
    rime: Float32 | None


def drift_transport_kgms(wind_mps: Array, air_temp_c: Array) -> Array:
    """Transport of blowing snow in the lowest 5 m, kg per m of width and s; 0 below the threshold wind."""
    base, linear, square = THRESHOLD_MPS
    threshold = base + linear * air_temp_c + square * air_temp_c**2
    power, scale = TRANSPORT
    blows = np.flatnonzero((wind_mps > threshold) & (air_temp_c < 0.0))  # few; a power takes long
    out = np.zeros(wind_mps.shape, dtype=wind_mps.dtype)
    out[blows] = wind_mps[blows] ** power / scale
    return out


def from_beside(weather: RoadWeather, lying_mmwe: Float32) -> FromBeside:
    """Drift, melt-water and rime of all columns and hours of a block.

    lying_mmwe: (column,) loose snow beside the lane as the window begins.
    """
    f, rime = weather.forcing, weather.fog_mmwe_h
    fog = rime if rime.any() else None
    if not (lying_mmwe.any() or weather.blowing is not None or (f.snow_mmwe_h > 0.0).any()):
        return FromBeside(None, None, fog)
    hours, columns = weather.known.shape
    store, loose = lying_mmwe, lying_mmwe
    drift, water = (np.zeros((hours, columns), dtype=np.float32) for _ in range(2))
    for h in range(hours):
        air = f.air_temp_c[h].astype(np.float32)
        fell = f.snow_mmwe_h[h].astype(np.float32)
        store = store + fell
        loose = np.where(air > 0.0, np.float32(0.0), loose * np.float32(np.exp(-1.0 / LOOSE_H))) + fell
        mild = np.float32(MELT_MMWE_PER_K_H) * np.maximum(air, 0.0)
        sun = np.where(air > SUN_MELTS_ABOVE_C, f.shortwave_wm2[h] * np.float32((1.0 - MELT_ALBEDO) / LATENT_MM), 0.0)
        melt = np.minimum(mild + sun, store)
        store = store - melt
        loose = np.minimum(loose, store)
        water[h] = ONTO_LANE_FRAC * melt
        blown = drift_transport_kgms(np.asarray(f.wind_mps[h]), air) * (TRAPPED_FRAC * 3600.0 / LANE_M)
        drift[h] = np.minimum(blown, MOST_OF_STORE * loose)
        if weather.blowing is not None:
            reported = weather.blowing[h] & (air < 0.0)
            drift[h] = np.maximum(drift[h], np.where(reported, np.float32(REPORTED_DRIFT_MMWE_H), 0.0))
    return FromBeside(drift if drift.any() else None, water if water.any() else None, fog)

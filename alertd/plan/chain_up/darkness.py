"""Tells whether it is dark at places without light when a truck is there."""

from functools import lru_cache
from math import ceil, floor
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.road.radiation import solar_position
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

NIGHT_ZENITH_DEG: Final = 96.0  # the end of civil twilight
# The sun moves by 15 degrees an hour, so by 7.6 at most in the half hour to the nearest whole one.
NEAR_DEG: Final = 8.0
TABLE_H: Final = 24


def is_dark(places: StopCandidates, at: NDArray[np.intp], when_epoch_s: Array) -> NDArray[np.bool_]:
    """Whether it is dark at the places `at`, (place,), at these moments, (..., place).

    The sun at the nearest whole hour decides, but around twilight that at the moment itself: the position of the sun
    costs as much as all else about a view.
    """
    hour = np.rint(when_epoch_s / HOUR_S)
    first, last = (floor(float(x) / TABLE_H) * TABLE_H for x in (hour.min(), hour.max()))
    table = _zenith_deg(places, first, ceil((last - first + 1) / TABLE_H) * TABLE_H)
    zenith = table[(hour - first).astype(np.intp), at]
    close = np.abs(zenith - NIGHT_ZENITH_DEG) <= NEAR_DEG
    if close.any():
        where = np.broadcast_to(at, close.shape)[close]
        zenith[close], _ = solar_position(places.lat_deg[where], places.lon_deg[where], when_epoch_s[close])
    return np.asarray(zenith > NIGHT_ZENITH_DEG)


@lru_cache(maxsize=32)
def _zenith_deg(places: StopCandidates, first_h: int, hours: int) -> Array:
    """Zenith angle of the sun at whole hours since the epoch, (hour, place)."""
    epoch_s = (first_h + np.arange(hours)) * HOUR_S
    zenith, _ = solar_position(places.lat_deg, places.lon_deg, epoch_s[:, None])
    return zenith

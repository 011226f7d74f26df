"""Where a route runs over land that a rule names by its outline."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def spans_inside(
    outline: Sequence[tuple[float, float]],
    lat_deg: NDArray[np.float64],
    lon_deg: NDArray[np.float64],
    distance_m: NDArray[np.float64],
) -> list[tuple[float, float]]:
    """The runs (start_m, end_m) of a route inside an outline, one sample wider at each end: never too short.

    Parameters
    ----------
    outline : corners (latitude, longitude), straight between them on the map, closed by itself; it may not cross the
        180th meridian
    lat_deg, lon_deg, distance_m : (sample,)
    """
    inside = _inside(np.asarray(outline, dtype=np.float64), lat_deg, lon_deg)
    edges = np.diff(np.concatenate(([0], inside.astype(np.int8), [0])))
    firsts = np.maximum(np.flatnonzero(edges == 1) - 1, 0)
    lasts = np.minimum(np.flatnonzero(edges == -1), distance_m.size - 1)
    return list(zip(distance_m[firsts].tolist(), distance_m[lasts].tolist(), strict=True))


def _inside(
    corners: NDArray[np.float64], lat_deg: NDArray[np.float64], lon_deg: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Even-odd rule: a ray to the east crosses the outline an odd number of times."""
    inside = np.zeros(lat_deg.shape, dtype=np.bool_)
    for (lat_a, lon_a), (lat_b, lon_b) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        spans = (lat_a > lat_deg) != (lat_b > lat_deg)
        if lat_a != lat_b:
            inside ^= spans & (lon_deg < lon_a + (lat_deg - lat_a) * (lon_b - lon_a) / (lat_b - lat_a))
    return inside

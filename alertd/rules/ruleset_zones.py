"""Finds the runs of a route over land that a rule names by its outline."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.polygons import inside_ring
from alertd.route.runs import runs_of


def spans_inside(
    outline: Sequence[tuple[float, float]],
    lat_deg: NDArray[np.float64],
    lon_deg: NDArray[np.float64],
    distance_m: NDArray[np.float64],
) -> list[tuple[float, float]]:
    """The runs (start_m, end_m) of a route inside an outline, one sample wider at each end, so never too short.

    Parameters
    ----------
    outline : corners (latitude, longitude), joined by straight lines on the map and closed automatically; it may not
        cross the 180th meridian
    lat_deg, lon_deg, distance_m : (sample,)
    """
    end = distance_m.size - 1
    return [
        (float(distance_m[max(first - 1, 0)]), float(distance_m[min(last + 1, end)]))
        for first, last in runs_of(inside_ring(outline, lat_deg, lon_deg))
    ]

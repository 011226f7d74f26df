"""Whether places lie inside a ring of corners."""

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray


def inside_ring(corners: ArrayLike, x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
    """True where (x, y) lies inside the ring, shape of x and y.

    corners: (corner, 2) in x and y, straight between them, closed by itself. Fewer than three of them, or one that is
    not finite, hold nothing; where the ring crosses itself the even-odd rule holds.
    """
    ring = np.asarray(corners, dtype=np.float64)
    if len(ring) < 3 or not np.isfinite(ring).all():
        return np.zeros(np.shape(x), dtype=np.bool_)
    return np.asarray(shapely.contains_xy(shapely.Polygon(ring), x, y))

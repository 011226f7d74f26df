"""Runs of True along a road's samples."""

import numpy as np
from numpy.typing import NDArray


def runs_of(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of True in `mask`, (sample,), in order."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))

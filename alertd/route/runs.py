"""Finds runs of True along a road's samples."""

import numpy as np
from numpy.typing import NDArray


def runs_of(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of True in `mask`, (sample,), in order."""
    changes = ((mask[1:] != mask[:-1]).nonzero()[0] + 1).tolist()
    starts_true, ends_true = mask.size and mask[0], mask.size and mask[-1]
    bounds = [0] * bool(starts_true) + changes + [mask.size] * bool(ends_true)
    return [(a, b - 1) for a, b in zip(bounds[::2], bounds[1::2], strict=True)]

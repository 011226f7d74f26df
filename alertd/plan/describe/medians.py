"""Medians as `np.median` gives them, in a fifth of its time: it is slow on the small arrays of one trip."""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


def median(values: Array) -> np.floating[Any]:
    """The median of values that are all known, (n,), in their own precision; there is at least one."""
    found: np.floating[Any] = _middle(np.sort(values))
    return found


def median_of_members(values: Array) -> Array:
    """The median over members, (member, section) to (section,); NaN where any is."""
    ranked = np.sort(values, axis=0)
    return np.asarray(np.where(np.isnan(ranked[-1]), np.nan, _middle(ranked)))


def _middle(ranked: Array) -> Any:
    half = ranked.shape[0] // 2
    return ranked[half] if ranked.shape[0] % 2 else (ranked[half - 1] + ranked[half]) / 2

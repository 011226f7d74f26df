"""Moves the weather of each member in time: a forecast errs in the hour of a change, not only in its size.

Without this, every member starts to snow in the same hour, and two departures a quarter of an hour apart get opposite
advice. A member is early or late by the same quantile over the whole window and in all cells, because the error of a
front is one error. Temperature and humidity do not move: the sun drives their daily course, and they have errors of
their own.
"""

from typing import Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array

Index: TypeAlias = NDArray[np.intp]
Scalar = TypeVar("Scalar", bound=np.generic)

MOVED: Final = ("wind_mps", "gust_mps", "visibility_m", "cloud_frac")  # beside precipitation and its form


class Shift:
    """Source hours of each member: hour h of a member is the source's hour `from_h[member, h]`."""

    def __init__(self, late_h: Array) -> None:
        """late_h: (member, hour) hours by which a member's weather is later than the source's, negative for earlier."""
        hours = late_h.shape[1]
        from_h = np.clip(np.arange(hours) - late_h, 0.0, hours - 1.0)
        self.low: Index = np.floor(from_h).astype(np.intp)
        self.high: Index = np.minimum(self.low + 1, hours - 1)
        self.weight: Array = from_h - self.low
        self.nearest: Index = np.rint(from_h).astype(np.intp)

    def linear(self, values: Array) -> Array:
        """(member, cell, hour) from (member or 1, cell, hour), linear between hours.

        An unknown hour stays unknown, and a known hour stays known: where the moved value is unknown, the source's own
        remains.
        """
        weight = self.weight[:, None, :]
        moved = (1.0 - weight) * _at(values, self.low) + weight * _at(values, self.high)
        return np.where(np.isnan(values), np.nan, np.where(np.isnan(moved), values, moved))

    def code(self, values: NDArray[np.int8]) -> NDArray[np.int8]:
        """(member, cell, hour) codes of the nearest source hour."""
        return np.ascontiguousarray(_at(values, self.nearest))


def _at(values: NDArray[Scalar], hour: Index) -> NDArray[Scalar]:
    """Values (member or 1, cell, hour) at hours (member, hour): (member, cell, hour)."""
    members = np.arange(hour.shape[0]) if values.shape[0] > 1 else np.zeros(hour.shape[0], dtype=np.intp)
    return np.moveaxis(values[members[:, None], :, hour], 1, 2)

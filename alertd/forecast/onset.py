"""Moves the weather of each member in time: a forecast errs in the hour of a change, not only in its size.

Without this, every member starts to snow in the same hour, and two departures a quarter of an hour apart get opposite
advice. A member is early or late by the same quantile over the whole window and in all cells, because the error of a
front is one error.
"""

from typing import Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array

Index: TypeAlias = NDArray[np.intp]
Scalar = TypeVar("Scalar", bound=np.generic)

DAY_H: Final = 24
MIN_DAYS_H: Final = 2 * DAY_H  # a shorter window does not show the daily course
DAILY: Final = ("air_temp_c", "rh_frac")  # the sun drives their daily course, which is never early or late
MOVED: Final = ("wind_mps", "gust_mps", "visibility_m", "cloud_frac", "freezing_level_m", "snow_level_m")


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

    def daily(self, values: Array) -> Array:
        """The same, without moving the mean daily course of the values."""
        course = daily_course(values)
        return np.asarray(self.linear(values - course) + course)

    def code(self, values: NDArray[np.int8]) -> NDArray[np.int8]:
        """(member, cell, hour) codes of the nearest source hour."""
        return np.ascontiguousarray(_at(values, self.nearest))


def _at(values: NDArray[Scalar], hour: Index) -> NDArray[Scalar]:
    """Values (member or 1, cell, hour) at hours (member, hour): (member, cell, hour)."""
    members = np.arange(hour.shape[0]) if values.shape[0] > 1 else np.zeros(hour.shape[0], dtype=np.intp)
    return np.moveaxis(values[members[:, None], :, hour], 1, 2)


def daily_course(values: Array) -> Array:
    """The mean departure of each hour of the day from the mean of the day around it, same shape; 0 where unknown.

    0 also for a window of less than two days: the course and a front are then not told apart.
    """
    hours = values.shape[-1]
    if hours < MIN_DAYS_H:
        return np.zeros_like(values)
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    near = (np.abs(np.arange(hours)[:, None] - np.arange(hours)) <= DAY_H // 2).astype(np.float64)
    ones = known.astype(np.float64)
    count = ones @ near
    around = np.divide(filled @ near, count, out=np.zeros_like(filled), where=count > 0)
    of_day = (np.arange(hours)[:, None] % DAY_H == np.arange(hours) % DAY_H).astype(np.float64)
    rest, days = np.where(known, values - around, 0.0) @ of_day, ones @ of_day
    return np.asarray(np.divide(rest, days, out=np.zeros_like(filled), where=days > 0))

"""Formats lengths and times on axes and in sentences, in the reader's units."""

from datetime import datetime
from math import ceil, floor
from typing import Final
from zoneinfo import ZoneInfo

from alertd.units import FOOT_M, MILE_M

_NICE: Final = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 2500, 5000)
_NICE_H: Final = (1, 2, 3, 4, 6, 12, 24)


class AxisUnits:
    """Miles and feet, or kilometres and metres."""

    def __init__(self, *, metric: bool) -> None:
        self.far, self.far_m = ("km", 1000.0) if metric else ("mi", MILE_M)
        self.high, self.high_m = ("m", 1.0) if metric else ("ft", FOOT_M)

    def distance(self, distance_m: float) -> str:
        """Format a distance, e.g. "12 mi"."""
        return f"{distance_m / self.far_m:.0f} {self.far}"

    def height(self, elevation_m: float) -> str:
        """Format a height, rounded to ten: the line is smoothed, and signs at summits are more precise."""
        return f"{round(elevation_m / self.high_m, -1):,.0f} {self.high}"

    def even_distances(self, start_m: float, end_m: float, most: int) -> list[tuple[float, str]]:
        """Return round distances between two places as (metres, tick label), at most `most`."""
        even = even_values(start_m / self.far_m, end_m / self.far_m, most)
        return [(n * self.far_m, f"{n:,}") for n in even]


def even_values(first: float, last: float, most: int) -> list[int]:
    """Return round numbers between two values, evenly spaced, at most `most`."""
    step = next((n for n in _NICE if (last - first) / n <= most), _NICE[-1])
    return [n * step for n in range(ceil(first / step), floor(last / step) + 1)]


def even_hours(first: datetime, last: datetime, zone: str, most: int) -> list[datetime]:
    """Return whole hours of the local clock between two times, evenly spaced, at most `most`."""
    here = ZoneInfo(zone)
    span_h = (last - first).total_seconds() / 3600.0
    step = next((h for h in _NICE_H if span_h / h <= most), 24)
    epoch, out = -(-first.timestamp() // 3600.0) * 3600.0, []
    while epoch <= last.timestamp():
        at = datetime.fromtimestamp(epoch, here)
        if at.minute == 0 and at.hour % step == 0:
            out.append(at)
        epoch += 1800.0 if at.minute else 3600.0
    return out

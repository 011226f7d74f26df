"""Defines the interface of forecast sources and the request that they answer."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil
from typing import Protocol

from alertd.forecast.model import Array, Forecast


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ForecastRequest:
    """Places, (cell,), with the road's height there, and the requested aware UTC window, past hours included.

    Raises ValueError for arrays of different sizes, no place, naive times or an empty window.
    """

    lat_deg: Array
    lon_deg: Array
    road_elevation_m: Array
    start: datetime
    end: datetime
    now_utc: datetime

    def __post_init__(self) -> None:
        if not 0 < self.lat_deg.size == self.lon_deg.size == self.road_elevation_m.size:
            raise ValueError("a request needs at least one place, and a longitude and road height for each")
        if any(when.utcoffset() is None for when in (self.start, self.end, self.now_utc)) or self.end <= self.start:
            raise ValueError("a request needs aware times, and a window that ends after it starts")


def window(request: ForecastRequest) -> tuple[datetime, int]:
    """The whole UTC hours that cover the requested window: start of the first hour, and their number."""
    start = request.start.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    return start, max(1, ceil((request.end - start) / timedelta(hours=1)))


class ForecastProvider(Protocol):
    """A source of forecasts. Raises SourceError when no usable data arrived; a missing part is a Gap."""

    @property
    def name(self) -> str: ...

    async def fetch(self, request: ForecastRequest) -> Forecast: ...


class ElevationProvider(Protocol):
    """A source of ground heights above sea level. Raises SourceError."""

    async def elevations_m(self, lat_deg: Array, lon_deg: Array) -> Array: ...

"""What any forecast source must offer, and what it is asked."""

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from alertd.forecast.series import Array, Forecast


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ForecastAsk:
    """Places (cell,) with the road's height there, and the aware UTC window wanted, past hours included."""

    lat_deg: Array
    lon_deg: Array
    road_elevation_m: Array
    start: datetime
    end: datetime
    now_utc: datetime


class ForecastProvider(Protocol):
    """A source of forecasts. Raises SourceError when nothing usable came; a part that is missing is a Gap."""

    @property
    def name(self) -> str: ...

    async def fetch(self, ask: ForecastAsk) -> Forecast: ...


class ElevationProvider(Protocol):
    """A source of ground heights above sea level. Raises SourceError."""

    async def elevations_m(self, lat_deg: Array, lon_deg: Array) -> Array: ...

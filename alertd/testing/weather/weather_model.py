"""Protocol of invented weather that the fake servers serve."""

from typing import Protocol, Self

from numpy.typing import ArrayLike

from alertd.testing.weather.derived_weather import Array


class WeatherModel(Protocol):
    """A pure function of place and time, with ensemble members; see `storm.Storm` for names and units."""

    def weather(
        self, lat_deg: ArrayLike, lon_deg: ArrayLike, elevation_m: ArrayLike, epoch_s: ArrayLike
    ) -> dict[str, Array]: ...

    def member(self, number: int) -> Self: ...

"""Forecast arrays over (member, cell, hour): what the sky will do, says which source, and how old it is.

The one axis order of the project is (member, cell-or-sample, hour). Hour h stands for the interval
[start + h, start + h + 1 hour): means of instants over it, rates of totals over it. NaN is "unknown", which
every stage carries on; it never means zero.
"""

from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


class PrecipForm(IntEnum):
    """What a source says of the form of precipitation, where its word overrides temperature."""

    UNSPECIFIED = 0  # decide from temperature and humidity
    FREEZING = 1  # freezing rain or freezing drizzle: supercooled liquid
    PELLETS = 2  # ice pellets, snow grains, graupel: solid whatever the temperature says


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A part of the answer that is missing: which cells, and why, in words for the reader."""

    cell_idx: tuple[int, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Credit:
    """A source to be named wherever its forecast is used, by its own licence and age."""

    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    served_stale: bool
    issue_every_h: float

    def age_h(self, now_utc: datetime) -> float:
        """Hours since the source issued it; since it was fetched where the source does not say."""
        return (now_utc - (self.issued_at or self.fetched_at)).total_seconds() / 3600.0

    def overdue_h(self, now_utc: datetime) -> float:
        """Its age less the hours in which this source makes no new issue; never below zero."""
        return max(self.age_h(now_utc) - self.issue_every_h, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """One source's forecast for the cells of a route.

    lat_deg, lon_deg: (cell,) places asked for. elevation_m: (cell,) the height for which air_temp_c is valid
    (the cell's own height, or the road height where the source has already corrected to it); NaN if unknown.
    All weather arrays: (member, cell, hour).

    air_temp_c [°C, 2 m], rh_frac [0-1, over liquid water], pressure_hpa [surface], wind_mps [10 m],
    cloud_frac [0-1], shortwave_wm2 [global horizontal], precip_mmwe_h [water equivalent, all forms],
    precip_prob_frac [0-1, over the hour], freezing_level_m and snow_level_m [above sea level],
    precip_form [PrecipForm].

    outside: cells that lie outside the source's area by its own word: all NaN, and no fault. issue_every_h: hours
    between two issues where the source makes only a few a day. pooled: the sources it is made of, when several.
    """

    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    start: datetime
    lat_deg: Array
    lon_deg: Array
    elevation_m: Array
    air_temp_c: Array
    rh_frac: Array
    pressure_hpa: Array
    wind_mps: Array
    cloud_frac: Array
    shortwave_wm2: Array
    precip_mmwe_h: Array
    precip_prob_frac: Array
    freezing_level_m: Array
    snow_level_m: Array
    precip_form: NDArray[np.int8]
    gaps: tuple[Gap, ...] = ()
    served_stale: bool = False  # the provider could not be reached, this is its last good answer
    outside: tuple[int, ...] = ()
    issue_every_h: float = 0.0
    pooled: tuple[Credit, ...] = ()

    def __post_init__(self) -> None:
        shape = self.air_temp_c.shape
        if len(shape) != 3 or shape[1] != self.lat_deg.size:
            raise ValueError(f"forecast arrays must be (member, cell, hour); got {shape} for {self.lat_deg.size} cells")
        for name in WEATHER_FIELDS:
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, air_temp_c has {shape}")
        for when in (self.start, self.fetched_at, self.issued_at):
            if when is not None and when.utcoffset() is None:
                raise ValueError("forecast times must be aware")
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value.flags.writeable = False

    @property
    def hours(self) -> int:
        return int(self.air_temp_c.shape[2])

    @property
    def end(self) -> datetime:
        return self.start + timedelta(hours=self.hours)

    def age_h(self, now_utc: datetime) -> float:
        """Hours since the source issued it; since it was fetched where the source does not say."""
        return (now_utc - (self.issued_at or self.fetched_at)).total_seconds() / 3600.0

    @property
    def credits(self) -> tuple[Credit, ...]:
        """The sources behind it, itself when it is one; none when it knows nothing."""
        if self.pooled or not self.provider:
            return self.pooled
        own = Credit(
            provider=self.provider, licence=self.licence, issued_at=self.issued_at, fetched_at=self.fetched_at,
            served_stale=self.served_stale, issue_every_h=self.issue_every_h,
        )  # fmt: skip
        return (own,)


REQUIRED_FIELDS: Final = ("air_temp_c", "rh_frac", "wind_mps", "precip_mmwe_h")  # without these an hour is not known

WEATHER_FIELDS: tuple[str, ...] = (
    "air_temp_c",
    "rh_frac",
    "pressure_hpa",
    "wind_mps",
    "cloud_frac",
    "shortwave_wm2",
    "precip_mmwe_h",
    "precip_prob_frac",
    "freezing_level_m",
    "snow_level_m",
    "precip_form",
)

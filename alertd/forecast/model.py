"""Defines forecast arrays over (member, cell, hour), with source and age.

The axis order of the project is always (member, cell-or-sample, hour). Hour h is the interval [start + h, start + h + 1
hour): means of instantaneous values over it, rates of totals over it. NaN is "unknown", which every stage carries on.
NaN never means zero.
"""

from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


class PrecipForm(IntEnum):
    """A source's code for the form of precipitation, where it overrides temperature."""

    UNSPECIFIED = 0  # decide from temperature and humidity
    FREEZING = 1  # freezing rain or freezing drizzle: supercooled liquid
    PELLETS = 2  # ice pellets, snow grains, graupel: solid at any temperature


class Obscured(IntEnum):
    """What a source reports to take the sight; a higher code is worse."""

    NOTHING = 0
    FOG = 1
    FREEZING_FOG = 2  # also ice fog: it leaves rime on the road
    BLOWING_SNOW = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A missing part of the answer: the cells, and the reason as text for the reader."""

    cell_idx: tuple[int, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Credit:
    """A source to name wherever its forecast is used, with its licence and age."""

    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    served_stale: bool
    issue_every_h: float

    def age_h(self, now_utc: datetime) -> float:
        """Hours since issue, or since fetch where the source gives no issue time."""
        return (now_utc - (self.issued_at or self.fetched_at)).total_seconds() / 3600.0

    def overdue_h(self, now_utc: datetime) -> float:
        """The age less the hours in which this source makes no new issue; 0 or more."""
        return max(self.age_h(now_utc) - self.issue_every_h, 0.0)


@dataclass(frozen=True, slots=True, weakref_slot=True, kw_only=True, eq=False)
class Forecast:
    """One source's forecast for the cells of a route. All weather arrays are (member, cell, hour).

    lat_deg, lon_deg: (cell,) requested places.
    elevation_m: (cell,) height for which air_temp_c is valid; NaN if unknown. It is the cell's own height, or the road
        height where the source has already corrected to it.
    air_temp_c: [°C, 2 m]
    rh_frac: [0-1, over liquid water]
    pressure_hpa: [surface]
    wind_mps: [10 m]
    gust_mps: [10 m, highest of the hour]
    visibility_m: [horizontal, near the ground]
    cloud_frac: [0-1]
    shortwave_wm2: [global horizontal]
    precip_mmwe_h: [water equivalent, all forms]
    precip_prob_frac: [0-1, over the hour]
    freezing_level_m, snow_level_m: [above sea level]
    precip_form: [PrecipForm]
    obscured, snow_depth_m, ground_temp_c: (cell, hour) hints for judgement, None where no source gives them.
        [Obscured]; snow on open ground; the model's own ground surface, which is no pavement.
    air_temp_sd_c: (cell, hour) standard deviation of the air temperature by the source's own percentiles.
    outside: cells that the source reports as outside its area. They are all NaN, and this is not a fault.
    issue_every_h: hours between two issues for a source with only a few a day.
    pooled: the credits of the sources, when there are several.
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
    gust_mps: Array
    visibility_m: Array
    precip_form: NDArray[np.int8]
    gaps: tuple[Gap, ...] = ()
    served_stale: bool = False  # the provider was not reachable; this is its last good answer
    outside: tuple[int, ...] = ()
    issue_every_h: float = 0.0
    pooled: tuple[Credit, ...] = ()
    obscured: NDArray[np.int8] | None = None
    snow_depth_m: Array | None = None
    ground_temp_c: Array | None = None
    air_temp_sd_c: Array | None = None

    def __post_init__(self) -> None:
        shape = self.air_temp_c.shape
        if len(shape) != 3 or shape[1] != self.lat_deg.size:
            raise ValueError(f"forecast arrays must be (member, cell, hour); got {shape} for {self.lat_deg.size} cells")
        for name in WEATHER_FIELDS:
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, air_temp_c has {shape}")
        for name in HINT_FIELDS:
            hint = getattr(self, name)
            if hint is not None and hint.shape != shape[1:]:
                raise ValueError(f"{name} has shape {hint.shape}, the cells and hours are {shape[1:]}")
        for when in (self.start, self.fetched_at, self.issued_at):
            if when is not None and when.utcoffset() is None:
                raise ValueError("forecast times must be aware")
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                value.flags.writeable = False

    @property
    def hours(self) -> int:
        """Number of hours of the window."""
        return int(self.air_temp_c.shape[2])

    @property
    def end(self) -> datetime:
        """End of the last hour, aware."""
        return self.start + timedelta(hours=self.hours)

    def age_h(self, now_utc: datetime) -> float:
        """Hours since issue, or since fetch where the source gives no issue time."""
        return (now_utc - (self.issued_at or self.fetched_at)).total_seconds() / 3600.0

    @property
    def credits(self) -> tuple[Credit, ...]:
        """The sources of this forecast: itself when not pooled, none when it has no provider."""
        if self.pooled or not self.provider:
            return self.pooled
        own = Credit(
            provider=self.provider, licence=self.licence, issued_at=self.issued_at, fetched_at=self.fetched_at,
            served_stale=self.served_stale, issue_every_h=self.issue_every_h,
        )  # fmt: skip
        return (own,)


REQUIRED_FIELDS: Final = ("air_temp_c", "rh_frac", "wind_mps", "precip_mmwe_h")  # an hour without these is unknown

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
    "gust_mps",
    "visibility_m",
    "precip_form",
)

HINT_FIELDS: Final[tuple[str, ...]] = (
    "obscured",
    "snow_depth_m",
    "ground_temp_c",
    "air_temp_sd_c",
)  # (cell, hour), or None

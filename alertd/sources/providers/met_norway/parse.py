"""A Locationforecast 2.0 answer read into hours [start, end). Pure: a body in, arrays out.

Its steps run on two axes: hourly at first, six-hourly after two or three days. An instant holds at the step's time and
is joined to the next by a straight line; an amount is for the hour, or the six hours, that follow. What the answer does
not say is unknown and stays NaN: before its first step, after its last, and wherever a value is left out.
Meaning of the values: docs.api.met.no, ForecastJSON and data model; schema METJSONForecast.

Symbols do not decide the form of precipitation. There is none for freezing rain or ice pellets ("sleet" is rain and
snow mixed), and rain or snow we decide from temperature and humidity, so no hour's form is specified by this source.
A symbol of snow and the dew point are read only to doubt an air temperature that contradicts them. Sea-level pressure
is not the road's and is left out; so are the extremes. The 10th and 90th percentile of air temperature, which only
Nordic places have, give its spread.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from alertd.errors import SourceChanged
from alertd.forecast import plausibility
from alertd.sources.http.validation import AnswerModel, Number, in_utc, validated

Array: TypeAlias = NDArray[np.float64]

SOURCE = "met-norway"
MAX_STEP_H = 6  # instants farther apart are not joined
LOWEST_M, HIGHEST_M = -500.0, 9000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MetNorwayVariable:
    """One value of the answer: the Forecast field it fills, its unit, factor to SI and plausible range in SI."""

    field: str
    unit: str
    low: float
    high: float
    factor: float = 1.0


INSTANTS: dict[str, MetNorwayVariable] = {
    "air_temperature": MetNorwayVariable(field="air_temp_c", unit="celsius", low=-60.0, high=60.0),
    "relative_humidity": MetNorwayVariable(field="rh_frac", unit="%", low=0.0, high=1.05, factor=0.01),
    "wind_speed": MetNorwayVariable(field="wind_mps", unit="m/s", low=0.0, high=115.0),
    "wind_speed_of_gust": MetNorwayVariable(field="gust_mps", unit="m/s", low=0.0, high=150.0),
    "cloud_area_fraction": MetNorwayVariable(field="cloud_frac", unit="%", low=0.0, high=1.0, factor=0.01),
}
NORMAL_P90 = 1.2815515655446004  # quantile of the standard normal distribution
DEW_POINT = "dew_point_temperature"
AMOUNT, CHANCE = "precipitation_amount", "probability_of_precipitation"
PERIODS: dict[str, MetNorwayVariable] = {
    AMOUNT: MetNorwayVariable(field="precip_mmwe_h", unit="mm", low=0.0, high=300.0),
    CHANCE: MetNorwayVariable(field="precip_prob_frac", unit="%", low=0.0, high=1.0, factor=0.01),
}
FIELDS = tuple(v.field for v in (*INSTANTS.values(), *PERIODS.values()))


class _Details(AnswerModel):
    air_temperature: Number | None = None
    relative_humidity: Number | None = None
    wind_speed: Number | None = None
    wind_speed_of_gust: Number | None = None
    cloud_area_fraction: Number | None = None
    precipitation_amount: Number | None = None
    probability_of_precipitation: Number | None = None
    dew_point_temperature: Number | None = None
    air_temperature_percentile_10: Number | None = None
    air_temperature_percentile_90: Number | None = None


class _Summary(AnswerModel):
    symbol_code: str | None = None


class _Period(AnswerModel):
    details: _Details = _Details()
    summary: _Summary = _Summary()


class _Data(AnswerModel):
    instant: _Period
    next_1_hours: _Period | None = None
    next_6_hours: _Period | None = None


class _TimeStep(AnswerModel):
    time: datetime
    data: _Data


class _Meta(AnswerModel):
    updated_at: datetime
    units: dict[str, str]


class _Properties(AnswerModel):
    meta: _Meta
    timeseries: list[_TimeStep] = Field(min_length=1)


class _Geometry(AnswerModel):
    coordinates: list[Number] = Field(min_length=2, max_length=3)


class _Body(AnswerModel):
    geometry: _Geometry
    properties: _Properties


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MetNorwayHours:
    """One place's forecast: arrays (hour,) by Forecast field from `start`, NaN where unknown.

    updated_at: when the forecast was made, which is hours before it was sent. elevation_m: the height its temperature
    is for, NaN where it does not say. reported_c: (step,) air temperatures as reported. air_temp_sd_c: (hour,), NaN
    where no percentiles are given. dew_point_c, snow: (hour,) arrays only to judge the answer by; snow is the symbol of
    the hour or six hours.
    """

    lat_deg: float
    lon_deg: float
    elevation_m: float
    updated_at: datetime
    start: datetime
    fields: dict[str, Array]
    reported_c: Array
    dew_point_c: Array
    snow: NDArray[np.bool_]
    air_temp_sd_c: Array


def read_place(body: object) -> MetNorwayHours:
    """The hours of an answer. Raises SourceChanged for what cannot be trusted."""
    raw = validated(SOURCE, _Body, body)
    steps, meta = raw.properties.timeseries, raw.properties.meta
    start, at_h = _clock(steps)
    lon, lat, *height = raw.geometry.coordinates
    fields = {v.field: _between(at_h, _values(steps, name, v, meta)) for name, v in INSTANTS.items()}
    fields |= {v.field: _periods(steps, at_h, name, v, meta) for name, v in PERIODS.items()}
    fields["rh_frac"] = np.minimum(fields["rh_frac"], 1.0)
    air = INSTANTS["air_temperature"]
    if height and not LOWEST_M <= height[0] <= HIGHEST_M:
        raise SourceChanged(SOURCE, f"forecasts for a height of {height[0]:g} m")
    return MetNorwayHours(
        lat_deg=lat, lon_deg=lon, elevation_m=height[0] if height else float("nan"),
        updated_at=in_utc(SOURCE, "updated_at", meta.updated_at), start=start, fields=fields,
        reported_c=_values(steps, "air_temperature", air, meta),
        dew_point_c=_between(at_h, _values(steps, DEW_POINT, air, meta)), snow=_snow(steps, at_h),
        air_temp_sd_c=_spread(steps, at_h, air, meta),
    )  # fmt: skip


def _clock(steps: list[_TimeStep]) -> tuple[datetime, NDArray[np.intp]]:
    """The first step's time, and each step's whole hours since."""
    times = [in_utc(SOURCE, "time", step.time) for step in steps]
    since = np.array([(at - times[0]) / timedelta(hours=1) for at in times])
    if times[0].minute or times[0].second or np.any(since % 1.0):
        raise SourceChanged(SOURCE, "times are not on the hour")
    if np.any(np.diff(since) <= 0.0) or since[-1] > 24.0 * 30.0:
        raise SourceChanged(SOURCE, "times do not follow one another")
    return times[0], since.astype(np.intp)


def _values(steps: list[_TimeStep], name: str, variable: MetNorwayVariable, meta: _Meta) -> Array:
    """(step,): an instant's values, NaN where left out."""
    return _checked([getattr(step.data.instant.details, name) for step in steps], name, variable, meta)


def _checked(raw: list[float | None], name: str, variable: MetNorwayVariable, meta: _Meta) -> Array:
    values = np.array([np.nan if v is None else v for v in raw]) * variable.factor
    if np.isnan(values).all():
        return values
    unit = meta.units.get(name)
    if unit != variable.unit:
        raise SourceChanged(SOURCE, f'{name} is in "{unit}", not "{variable.unit}"')
    if np.any((values < variable.low) | (values > variable.high)):
        raise SourceChanged(
            SOURCE, f"{name} has values beyond what is possible ({np.nanmin(values):g} to {np.nanmax(values):g})"
        )
    return values


def _between(at_h: NDArray[np.intp], values: Array) -> Array:
    """(hour,): means over each hour of the straight lines between steps; unknown next to a value left out."""
    middle = np.arange(at_h[-1]) + 0.5  # where a straight line has its mean over the hour
    after = np.searchsorted(at_h, middle)  # the step that ends the line over each hour
    since, apart = middle - at_h[after - 1], at_h[after] - at_h[after - 1]
    means = values[after - 1] + (values[after] - values[after - 1]) * since / apart
    return np.where(apart <= MAX_STEP_H, means, np.nan)


def _spread(steps: list[_TimeStep], at_h: NDArray[np.intp], air: MetNorwayVariable, meta: _Meta) -> Array:
    """(hour,): standard deviation of a normal distribution with the percentiles given; unknown where they are not, or
    are out of order. A unit that is not that of the temperature leaves it unknown too.
    """
    try:
        low, high = (_values(steps, f"air_temperature_percentile_{p}", air, meta) for p in (10, 90))
    except SourceChanged:
        return np.full(int(at_h[-1]), np.nan)
    sd = (high - low) / (2.0 * NORMAL_P90)
    return _between(at_h, np.where(sd >= 0.0, sd, np.nan))


def _periods(
    steps: list[_TimeStep], at_h: NDArray[np.intp], name: str, variable: MetNorwayVariable, meta: _Meta
) -> Array:
    """(hour,): amounts an hour, or the chance that holds over it, by the shortest period told for each hour.

    Six hours count only from a step that says nothing for its next hour, and never over an earlier six. Hours of theirs
    that are told singly keep their own amounts, and the rest of the total is shared by the others. At the end of the
    answer its periods reach beyond the last step.
    """
    one, six = (
        _checked([getattr(part.details, name) if part else None for part in parts], name, variable, meta)
        for parts in ([s.data.next_1_hours for s in steps], [s.data.next_6_hours for s in steps])
    )
    hours = np.full(int(at_h[-1]) + 6, np.nan)
    hours[at_h] = one
    free_from = 0
    for i in np.flatnonzero(np.isnan(one) & ~np.isnan(six)):
        first = int(at_h[i])
        if first < free_from:
            continue
        span = hours[first : first + 6]
        free_from, open_h = first + 6, np.isnan(span)
        rest = max(six[i] - np.nansum(span), 0.0) / np.count_nonzero(open_h)
        span[open_h] = rest if name == AMOUNT else six[i]
    return hours


def _snow(steps: list[_TimeStep], at_h: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(hour,): hours with a symbol of snow for the shortest period that starts at their step."""
    snow = np.zeros(int(at_h[-1]) + 6, dtype=np.bool_)
    for at, step in zip(at_h, steps, strict=True):
        part, hours = (step.data.next_1_hours, 1) if step.data.next_1_hours else (step.data.next_6_hours, 6)
        if part is not None and "snow" in (part.summary.symbol_code or ""):
            snow[at : at + hours] = True
    return snow


def why_doubted(place: MetNorwayHours, before: MetNorwayHours | None, now_utc: datetime) -> str:
    """Why an answer must not be believed; see `plausibility.why_doubted`."""
    return plausibility.why_doubted(
        _reported_values(place), None if before is None else _reported_values(before), now_utc
    )


def _reported_values(place: MetNorwayHours) -> plausibility.ReportedValues:
    hours = place.fields["precip_mmwe_h"].size

    def whole(values: Array) -> Array:
        """The instants end with the last step, six hours before the amounts may."""
        return np.append(values, np.full(hours - values.size, np.nan))[None, None]

    return plausibility.ReportedValues(
        start=place.start,
        lat_deg=np.array([place.lat_deg]),
        lon_deg=np.array([place.lon_deg]),
        elevation_m=np.array([place.elevation_m]),
        air_temp_c=whole(place.fields["air_temp_c"]),
        precip_mmwe_h=place.fields["precip_mmwe_h"][None, None],
        reported_c=place.reported_c[None, None],
        dew_point_c=whole(place.dew_point_c),
        snow=place.snow[None, None],
    )

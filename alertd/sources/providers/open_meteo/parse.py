"""An Open-Meteo answer read into hours [start, end). Pure: bodies in, arrays out.

The series gives stamps. A sum or mean at stamp t belongs to the hour before t; an instant at t is one end of two
hours, so an hour gets the mean of its two ends and stays unknown (NaN) when one is missing. null is unknown too.
Meaning and units of the variables: open-meteo.com/en/docs. Rain or snow is not taken from the source: it re-phases in
one direction only, so we decide from temperature and humidity; only the freezing and pellet codes are used.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.forecast import plausibility
from alertd.forecast.model import Obscured, PrecipForm
from alertd.sources.http.validation import AnswerModel, Number, validated
from alertd.units import FOOT_M, INCH_MM, KMH_MPS, MPH_MPS

Array: TypeAlias = NDArray[np.float64]
Convert: TypeAlias = Callable[[Array], Array]

SOURCE = "open-meteo"
FREEZING_CODES = (56, 57, 66, 67)  # WMO 4677 as the source uses it: freezing drizzle, freezing rain
PELLET_CODES = (77,)  # snow grains
SNOW_CODES = (71, 73, 75, 85, 86)  # snowfall, snow showers
FOG_CODES = (45, 48)  # fog, fog that deposits rime
# The code is for the model's ground, the air for the road's height, which may lie 800 m lower.
SNOW_ABOVE_C = 10.0
MIN_FREEZING_LEVEL_M = -500.0  # some models send -100000 where the air is below zero throughout


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenMeteoVariable:
    """One hourly variable: the Forecast field it fills, the units it may come in, its plausible range in SI, and
    whether its stamp ends the hour it speaks of (`preceding`)."""

    field: str
    units: Mapping[str, Convert]
    low: float
    high: float
    preceding: bool = False


def _times(factor: float) -> Convert:
    return lambda values: values * factor


# By the words of `hourly_units`: what we ask for first, then what else a caller can ask the source for.
_TEMPERATURE: dict[str, Convert] = {"°C": _times(1.0), "°F": lambda values: (values - 32.0) / 1.8}
_FRACTION: dict[str, Convert] = {"%": _times(0.01)}
_SPEED: dict[str, Convert] = {
    "m/s": _times(1.0), "km/h": _times(KMH_MPS), "mp/h": _times(MPH_MPS), "kn": _times(1852.0 / 3600.0)
}  # fmt: skip
_DEPTH: dict[str, Convert] = {"mm": _times(1.0), "inch": _times(INCH_MM)}
_HEIGHT: dict[str, Convert] = {"m": _times(1.0), "ft": _times(FOOT_M)}


VARIABLES: dict[str, OpenMeteoVariable] = {
    "temperature_2m": OpenMeteoVariable(field="air_temp_c", units=_TEMPERATURE, low=-60.0, high=60.0),
    "relative_humidity_2m": OpenMeteoVariable(field="rh_frac", units=_FRACTION, low=0.0, high=1.05),
    "surface_pressure": OpenMeteoVariable(field="pressure_hpa", units={"hPa": _times(1.0)}, low=300.0, high=1100.0),
    "wind_speed_10m": OpenMeteoVariable(field="wind_mps", units=_SPEED, low=0.0, high=115.0),
    "cloud_cover": OpenMeteoVariable(field="cloud_frac", units=_FRACTION, low=0.0, high=1.0),
    "shortwave_radiation": OpenMeteoVariable(
        field="shortwave_wm2", units={"W/m²": _times(1.0)}, low=-5.0, high=1600.0, preceding=True
    ),
    "precipitation": OpenMeteoVariable(field="precip_mmwe_h", units=_DEPTH, low=0.0, high=300.0, preceding=True),
    "precipitation_probability": OpenMeteoVariable(
        field="precip_prob_frac", units=_FRACTION, low=0.0, high=1.0, preceding=True
    ),
    "freezing_level_height": OpenMeteoVariable(
        field="freezing_level_m", units=_HEIGHT, low=MIN_FREEZING_LEVEL_M, high=9000.0
    ),
    "wind_gusts_10m": OpenMeteoVariable(field="gust_mps", units=_SPEED, low=0.0, high=150.0, preceding=True),
    "visibility": OpenMeteoVariable(field="visibility_m", units=_HEIGHT, low=0.0, high=500_000.0),
}
CODE, CODE_UNIT = "weather_code", "wmo code"
# Beyond the list above: asked for only with `open_meteo_ground`, because each costs a tenth of a call a place, and read
# wherever given. The dew point and the wet bulb only judge the air temperature.
DEW_POINT, WET_BULB = "dew_point_2m", "wet_bulb_temperature_2m"
SNOW_LEVEL, SNOW_DEPTH = "snowfall_height", "snow_depth"
GROUND = ("surface_temperature", "soil_temperature_0cm", "soil_temperature_0_to_7cm")  # the first that is given counts
GROUND_VARIABLES = (DEW_POINT, WET_BULB, SNOW_LEVEL, SNOW_DEPTH, "soil_temperature_0cm")
_HEIGHT_VALUES = OpenMeteoVariable(field="freezing_level_m", units=_HEIGHT, low=MIN_FREEZING_LEVEL_M, high=9000.0)
_DEPTH_VALUES = OpenMeteoVariable(field="snow_depth_m", units=_HEIGHT, low=0.0, high=30.0)
_GROUND_VALUES = OpenMeteoVariable(field="ground_temp_c", units=_TEMPERATURE, low=-80.0, high=90.0)
# The ensemble endpoint has no probability (its members are one), no freezing level and no visibility in most models.
NOT_OF_ENSEMBLES = ("precipitation_probability", "freezing_level_height", "visibility")
ENSEMBLE_VARIABLES = tuple(v for v in VARIABLES if v not in NOT_OF_ENSEMBLES)
FIELDS = tuple(v.field for v in VARIABLES.values())


_VALUE_TYPES: Final = frozenset((int, float, str, type(None)))


class _Place(AnswerModel):
    latitude: Number
    longitude: Number
    elevation: Number | None = None
    utc_offset_seconds: int
    location_id: int | None = None
    hourly_units: dict[str, str]
    hourly: dict[str, list[Any]]  # `_read` checks the values, in a tenth of the time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenMeteoHours:
    """One place's forecast: arrays (member, hour) by Forecast field from `start`, NaN where unknown.

    reported_c: (member, stamp) air temperatures as reported; snow: an hour with a code of snowfall at one of its ends;
    dew_point_c: all NaN where the answer holds none; of the wet bulb where it holds that alone. snow_level_m: (member,
    hour). snow_depth_m, ground_temp_c: (hour,), of the control. obscured: (hour,), fog where half of the members
    code it.
    """

    lat_deg: float
    lon_deg: float
    elevation_m: float
    start: datetime
    fields: dict[str, Array]
    precip_form: NDArray[np.int8]
    reported_c: Array
    dew_point_c: Array
    snow: NDArray[np.bool_]
    snow_level_m: Array
    snow_depth_m: Array
    ground_temp_c: Array
    obscured: NDArray[np.int8]


def read_places(body: object, *, want_local_time: bool = False) -> list[OpenMeteoHours]:
    """All places of an answer, in its order. Raises SourceChanged for what cannot be trusted, SourceDown for a limit.

    Local times are refused, because the source gives one offset for the whole answer and so invents or drops an hour
    at a clock change; `want_local_time` accepts them with that offset, for answers someone else recorded.
    """
    raw = body if isinstance(body, list) else [body]
    if not raw:
        raise SourceChanged(SOURCE, "answered an empty list of places")
    places = []
    clock: object = None
    for i, one in enumerate(raw):
        if isinstance(one, dict) and one.get("error"):
            raise limit_or_refusal(str(one.get("reason", "no reason given"))) or SourceChanged(
                SOURCE, f"answered an error: {one.get('reason')}"
            )
        place = validated(SOURCE, _Place, one)
        if place.location_id not in (None, i):
            raise SourceChanged(SOURCE, f"place {i} of the answer says it is place {place.location_id}")
        own_clock = (place.hourly.get("time"), place.hourly_units.get("time"), place.utc_offset_seconds)
        if own_clock != clock:  # the places of one answer share their times, and reading them takes longest
            clock, stamps = own_clock, _stamps(place, want_local_time)
        places.append(_read(place, stamps))
    return places


def _read(place: _Place, stamps: Sequence[datetime]) -> OpenMeteoHours:
    n = len(stamps)
    for name, series in place.hourly.items():
        if len(series) != n:
            raise SourceChanged(SOURCE, f"{name} has {len(series)} values for {n} times")
        if not _VALUE_TYPES.issuperset(map(type, series)):
            raise SourceChanged(SOURCE, f"answer has another shape at hourly.{name}: neither numbers nor text")
    members = member_keys(place.hourly)
    start = stamps[0]
    fields = {field: np.full((len(members), n), np.nan) for field in FIELDS}
    form = np.zeros((len(members), n), dtype=np.int8)
    reported_c, dew_point_c, snow_level_m = (np.full((len(members), n), np.nan) for _ in range(3))
    snow, fog = (np.zeros((len(members), n), dtype=np.bool_) for _ in range(2))
    for m, suffix in enumerate(members):
        for name, variable in VARIABLES.items():
            if name + suffix in place.hourly:
                at_stamp = _values(place, name + suffix, variable)
                fields[variable.field][m] = preceding(at_stamp) if variable.preceding else between(at_stamp)
                if variable.field == "air_temp_c":
                    reported_c[m] = at_stamp
        for name in (DEW_POINT, WET_BULB):
            if name + suffix in place.hourly and np.isnan(dew_point_c[m]).all():
                dew_point_c[m] = between(_values(place, name + suffix, VARIABLES["temperature_2m"]))
        if SNOW_LEVEL + suffix in place.hourly:
            snow_level_m[m] = between(_values(place, SNOW_LEVEL + suffix, _HEIGHT_VALUES))
        if CODE + suffix in place.hourly:
            form[m] = _form(place, CODE + suffix)
            codes = _numbers(place, CODE + suffix)
            snow[m], fog[m] = (_at_either_end(np.isin(codes, some)) for some in (SNOW_CODES, FOG_CODES))
    return OpenMeteoHours(
        lat_deg=place.latitude, lon_deg=place.longitude, start=start, fields=fields, precip_form=form,
        reported_c=reported_c, dew_point_c=dew_point_c, snow=snow, snow_level_m=snow_level_m,
        snow_depth_m=_hint(place, (SNOW_DEPTH,), _DEPTH_VALUES), ground_temp_c=_hint(place, GROUND, _GROUND_VALUES),
        elevation_m=float("nan") if place.elevation is None else place.elevation,
        obscured=np.where(fog.mean(axis=0) >= 0.5, Obscured.FOG, Obscured.NOTHING).astype(np.int8),
    )  # fmt: skip


def _hint(place: _Place, names: Sequence[str], variable: OpenMeteoVariable) -> Array:
    """(hour,): the first variable that is given, unknown where none is or where it cannot be read: plans do without."""
    for name in names:
        if name in place.hourly:
            try:
                values = between(_values(place, name, variable))
            except SourceChanged:
                continue
            if np.isfinite(values).any():
                return values
    return np.full(len(place.hourly["time"]), np.nan)


def member_keys(names: Iterable[str]) -> list[str]:
    """Suffixes of the members in order: the control carries none, the others _member01, _member02 …"""
    numbered = {match.group() for name in names if (match := re.search(r"_member\d+$", name))}
    return ["", *sorted(numbered, key=lambda s: int(s.removeprefix("_member")))]


def preceding(at_stamp: Array) -> Array:
    """Values of the hour before each stamp, moved to the hour they belong to; the last hour is unknown."""
    return np.append(at_stamp[1:], np.nan)


def between(at_stamp: Array) -> Array:
    """Instants at both ends of each hour, averaged; the last hour has no second end and is unknown."""
    return np.append((at_stamp[:-1] + at_stamp[1:]) / 2.0, np.nan)


def _stamps(place: _Place, want_local_time: bool) -> list[datetime]:
    raw, unit = place.hourly.get("time", []), place.hourly_units.get("time")
    if not raw:
        raise SourceChanged(SOURCE, "answer has no times")
    try:
        if unit == "unixtime":
            stamps = [datetime.fromtimestamp(float(t), UTC) for t in raw]
        elif unit == "iso8601" and (want_local_time or place.utc_offset_seconds == 0):
            offset = timedelta(seconds=place.utc_offset_seconds)
            stamps = [datetime.fromisoformat(str(t)).replace(tzinfo=UTC) - offset for t in raw]
        elif unit == "iso8601":
            raise SourceChanged(SOURCE, "answered local times where UTC was asked")
        else:
            raise SourceChanged(SOURCE, f'times are in unit "{unit}"')
    except (TypeError, ValueError, OverflowError) as exc:
        raise SourceChanged(SOURCE, f"times cannot be read ({exc})") from exc
    if any(b - a != timedelta(hours=1) for a, b in pairwise(stamps)):
        raise SourceChanged(SOURCE, "times are not one hour apart")
    if not want_local_time and (stamps[0].minute or stamps[0].second):
        raise SourceChanged(SOURCE, "times are not on the hour")
    return stamps


def _values(place: _Place, key: str, variable: OpenMeteoVariable) -> Array:
    unit = place.hourly_units.get(key, "")
    if unit not in variable.units:
        raise SourceChanged(SOURCE, f'{key} is in "{unit}", which is no unit known for it')
    values = variable.units[unit](_numbers(place, key))
    if variable.field == "freezing_level_m":
        return np.where((values < variable.low) | (values > variable.high), np.nan, values)
    if np.any((values < variable.low) | (values > variable.high)):
        raise SourceChanged(SOURCE, f"{key} has values beyond what is possible ({np.nanmin(values):g} to "
                                    f"{np.nanmax(values):g})")  # fmt: skip
    values = np.maximum(values, 0.0) if variable.field == "shortwave_wm2" else values
    return np.minimum(values, 1.0) if variable.field == "rh_frac" else values


def _numbers(place: _Place, key: str) -> Array:
    raw = place.hourly[key]
    if str in set(map(type, raw)):
        raise SourceChanged(SOURCE, f"{key} holds text")
    values = np.array(raw, dtype=np.float64)  # null becomes NaN
    if np.isinf(values).any():
        raise SourceChanged(SOURCE, f"{key} holds a number that is not finite")
    return values


def _form(place: _Place, key: str) -> NDArray[np.int8]:
    """The form of each hour by the codes at its two ends; freezing wins over pellets."""
    if place.hourly_units.get(key) != CODE_UNIT:
        raise SourceChanged(SOURCE, f'{key} is in "{place.hourly_units.get(key)}", not "{CODE_UNIT}"')
    codes = _numbers(place, key)
    form = np.zeros(codes.size, dtype=np.int8)
    for known, value in ((PELLET_CODES, PrecipForm.PELLETS), (FREEZING_CODES, PrecipForm.FREEZING)):
        form[_at_either_end(np.isin(codes, known))] = value
    return form


def _at_either_end(at_stamp: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.asarray(at_stamp | np.append(at_stamp[1:], False))


def why_doubted(places: list[OpenMeteoHours], before: list[OpenMeteoHours] | None, now_utc: datetime) -> str:
    """Why the places of an answer must not be believed; see `plausibility.why_doubted`."""
    groups: dict[tuple[datetime, tuple[int, ...]], list[int]] = {}
    for i, place in enumerate(places):
        groups.setdefault((place.start, place.reported_c.shape), []).append(i)
    for which in groups.values():
        old = [before[i] for i in which] if before is not None and len(before) == len(places) else []
        alike = len({(place.start, place.reported_c.shape) for place in old}) == 1
        why = plausibility.why_doubted(
            _reported_values([places[i] for i in which]), _reported_values(old) if alike else None, now_utc
        )
        if why:
            return why
    return ""


def _reported_values(places: list[OpenMeteoHours]) -> plausibility.ReportedValues:
    """Places that begin at one moment and are of one shape."""
    first = places[0]

    def stacked(arrays: Iterable[Array]) -> Array:
        return np.stack(list(arrays), axis=1)

    return plausibility.ReportedValues(
        start=first.start,
        lat_deg=np.array([p.lat_deg for p in places]),
        lon_deg=np.array([p.lon_deg for p in places]),
        elevation_m=np.array([p.elevation_m for p in places]),
        air_temp_c=stacked(p.fields["air_temp_c"] for p in places),
        precip_mmwe_h=stacked(p.fields["precip_mmwe_h"] for p in places),
        reported_c=stacked(p.reported_c for p in places),
        dew_point_c=stacked(p.dew_point_c for p in places),
        freezing_level_m=stacked(p.fields["freezing_level_m"] for p in places),
        snow=np.stack([p.snow for p in places], axis=1),
        snow_above_c=SNOW_ABOVE_C,
    )


def limit_or_refusal(reason: str, now_utc: datetime | None = None) -> SourceError | None:
    """What the source's own words ask of us; None when they are none of its known ones.

    Limits are counted in fixed windows (minute, hour, UTC day), so the wait runs to the end of the window. Without
    `now_utc` the wait is a whole window.
    """
    words = reason.lower()
    if "limit exceeded" in words:
        for word, window in (
            ("minutely", timedelta(minutes=1)), ("hourly", timedelta(hours=1)), ("daily", timedelta(days=1)),
        ):  # fmt: skip
            if word in words:
                return SourceDown(SOURCE, reason, retryable=True, retry_after_s=_rest_of(window, now_utc))
        return SourceDown(SOURCE, reason, retryable=True, retry_after_s=_rest_of(timedelta(days=1), now_utc))
    if "concurrent" in words or "overloaded" in words:
        return SourceDown(SOURCE, reason, retryable=True)
    if "api key" in words or "apikey" in words:
        return SourceError(SOURCE, f"refuses the API key: {reason}")
    return None


def _rest_of(window: timedelta, now_utc: datetime | None) -> float:
    if now_utc is None:
        return window.total_seconds()
    midnight = now_utc.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return (window - (now_utc - midnight) % window).total_seconds() + 1.0  # a second past the turn of the window

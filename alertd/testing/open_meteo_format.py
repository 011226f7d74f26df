"""The Open-Meteo API format: parses requests and encodes the invented storm as responses.

Follows the API's published OpenAPI description (2026-08) and recorded responses; error texts that are not in those
records are from memory. Omitted: daily, current and minutely blocks, timezones other than GMT, `models`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from alertd.testing.weather.derived_weather import Array
from alertd.testing.weather.weather_model import WeatherModel
from alertd.units import HOUR_S

Params: TypeAlias = Mapping[str, str]
Ground: TypeAlias = Callable[[ArrayLike, ArrayLike], Array]

CELL_DEG: Final = 0.05
MAX_LOCATIONS: Final = 1000
MAX_ELEVATIONS: Final = 100
PAST_DAYS_MAX: Final = 92
FORECAST_DAYS_MAX: Final = 16
WITHIN_HOUR_S: Final = np.arange(-3300.0, 0.0, 600.0)  # midpoints of six pieces of the hour before the stamp
SNOW_CM_PER_MM: Final = 0.7  # the API's own fixed ratio

Over = Literal["instant", "mean", "sum", "max"]


@dataclass(frozen=True, slots=True)
class FakeVariable:
    """One hourly variable: label, decimals, and how it covers the hour BEFORE its stamp (or the instant)."""

    unit: str
    decimals: int = 1
    over: Over = "instant"


VARIABLES: Final[dict[str, FakeVariable]] = {
    "temperature_2m": FakeVariable("°C"),
    "relative_humidity_2m": FakeVariable("%", 0),
    "dew_point_2m": FakeVariable("°C"),
    "precipitation_probability": FakeVariable("%", 0, "max"),
    "precipitation": FakeVariable("mm", 2, "sum"),
    "rain": FakeVariable("mm", 2, "sum"),
    "showers": FakeVariable("mm", 2, "sum"),
    "snowfall": FakeVariable("cm", 2, "sum"),
    "snowfall_water_equivalent": FakeVariable("mm", 2, "sum"),
    "weather_code": FakeVariable("wmo code", 0),
    "pressure_msl": FakeVariable("hPa"),
    "surface_pressure": FakeVariable("hPa"),
    "cloud_cover": FakeVariable("%", 0),
    "wind_speed_10m": FakeVariable("m/s", 2),
    "wind_gusts_10m": FakeVariable("m/s", 2, "max"),
    "wind_direction_10m": FakeVariable("°", 0),
    "shortwave_radiation": FakeVariable("W/m²", 1, "mean"),
    "freezing_level_height": FakeVariable("m", 0),
    "visibility": FakeVariable("m", 0),
}
# Names that the API has and the storm does not: all null, as from a model that lacks them.
NOT_CARRIED: Final[dict[str, FakeVariable]] = {
    "apparent_temperature": FakeVariable("°C"),
    "wet_bulb_temperature_2m": FakeVariable("°C"),
    "surface_temperature": FakeVariable("°C"),
    "soil_temperature_0cm": FakeVariable("°C"),
    "snow_depth": FakeVariable("m"),
    "snowfall_height": FakeVariable("m"),
    "cape": FakeVariable("J/kg"),
}
# Label and scale per choice of unit; Fahrenheit's offset is in `_in_units`.
UNIT_CHOICES: Final[dict[str, dict[str, dict[str, tuple[str, float]]]]] = {
    "temperature_unit": {"celsius": {}, "fahrenheit": {"°C": ("°F", 1.8)}},
    "wind_speed_unit": {
        "kmh": {"m/s": ("km/h", 3.6)},
        "ms": {},
        "mph": {"m/s": ("mp/h", 3600.0 / 1609.344)},
        "kn": {"m/s": ("kn", 3600.0 / 1852.0)},
    },
    "precipitation_unit": {"mm": {}, "inch": {"mm": ("inch", 1 / 25.4), "cm": ("inch", 1 / 2.54)}},
}
UNIT_DEFAULTS: Final = {"temperature_unit": "celsius", "wind_speed_unit": "kmh", "precipitation_unit": "mm"}
FOREIGN_UNITS: Final = {"temperature_unit": "fahrenheit", "wind_speed_unit": "mph", "precipitation_unit": "inch"}


class BadRequest(Exception):
    """Becomes an HTTP 400 response; the text is its `reason`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaws:
    """Defects of an otherwise good response: locations with all null, old hours, foreign units.

    Lies of the right shape, in temperatures: warmer_k; mislabelled: Fahrenheit under a Celsius label; one_value: the
    first value in all hours.
    """

    null_cells: frozenset[int] = frozenset()
    stale_h: int = 0
    foreign_units: bool = False
    warmer_k: float = 0.0
    mislabelled: bool = False
    one_value: bool = False

    def lied(self, name: str, values: Array) -> Array:
        """The values of a series with the lies of this response."""
        if name not in ("temperature_2m", "dew_point_2m"):
            return values
        out = values * 1.8 + 32.0 if self.mislabelled else values + self.warmer_k
        return np.repeat(out[:, :1], out.shape[1], axis=1) if self.one_value else out


NO_FLAWS: Final = Flaws()


def forecast(
    params: Params, storms: Sequence[WeatherModel], ground: Ground, now_utc: datetime, flaws: Flaws = NO_FLAWS
) -> Any:
    """Return the JSON value of /v1/forecast, or of /v1/ensemble for several storms (the first is the control).

    `ground` returns the model's terrain height [m] from latitudes and longitudes. Raises BadRequest.
    """
    lat, lon = _places(params, MAX_LOCATIONS)
    cell_lat, cell_lon = (np.round(np.round(a / CELL_DEG) * CELL_DEG, 4) for a in (lat, lon))
    given_m = _heights(params, lat, lon, ground)
    height_m = np.where(np.isnan(given_m), ground(cell_lat, cell_lon), given_m)
    names = _variables(params)
    stamps = _stamps(params, now_utc) - flaws.stale_h * HOUR_S
    units = _unit_choice(FOREIGN_UNITS if flaws.foreign_units else params)
    columns = {"time": FakeVariable(_choice(params, "timeformat", ("iso8601", "unixtime")))}
    series: dict[str, Array] = {}
    for i, storm in enumerate(storms):
        hourly = _hourly(storm, cell_lat, cell_lon, height_m, stamps)
        for name in names:
            key = f"{name}_member{i:02d}" if i else name
            columns[key], series[key] = _in_units(_lookup(name), hourly.get(name), (lat.size, stamps.size), units)
    for key in series:
        series[key] = flaws.lied(key.partition("_member")[0], series[key])
    for values in series.values():
        values[sorted(c for c in flaws.null_cells if c < lat.size)] = np.nan
    hourly_units = {key: column.unit for key, column in columns.items()}
    times = _times(stamps, hourly_units["time"])
    places = [
        {
            "latitude": float(cell_lat[i]),
            "longitude": float(cell_lon[i]),
            "generationtime_ms": 0.5,
            "utc_offset_seconds": 0,
            "timezone": "GMT",
            "timezone_abbreviation": "GMT",
            "elevation": None if np.isnan(given_m[i]) else float(given_m[i]),
            **({"location_id": i} if i else {}),
            **({"hourly_units": hourly_units} if names else {}),
            **(
                {"hourly": {"time": times, **{k: _numbers(v[i], columns[k]) for k, v in series.items()}}}
                if names
                else {}
            ),
        }
        for i in range(lat.size)
    ]
    return places if len(places) > 1 else places[0]


def elevation(params: Params, ground: Ground) -> dict[str, list[float]]:
    """Return the JSON value of /v1/elevation. Raises BadRequest."""
    return {"elevation": [float(h) for h in ground(*_places(params, MAX_ELEVATIONS)).round(0)]}


def run_metadata(now_utc: datetime) -> dict[str, int]:
    """Return metadata of the newest six-hourly run that is four hours old, in the API's format."""
    run_s = int((now_utc.timestamp() - 4 * HOUR_S) // (6 * HOUR_S) * 6 * HOUR_S)
    return {
        "last_run_initialisation_time": run_s,
        "last_run_modification_time": run_s + int(3.5 * HOUR_S),
        "last_run_availability_time": run_s + int(4 * HOUR_S),
        "temporal_resolution_seconds": int(HOUR_S),
        "update_interval_seconds": int(6 * HOUR_S),
    }


def _heights(params: Params, lat: Array, lon: Array, ground: Ground) -> Array:
    """Target heights [m]: the requested ones (`nan`: the model's own terrain), else the terrain's."""
    if "elevation" not in params:
        return ground(lat, lon).round(0)
    given_m = _floats(params, "elevation", allow_nan=True)
    if given_m.size != lat.size:
        raise BadRequest("Parameter 'elevation' must have the same number of elements as coordinates")
    return given_m


def _floats(params: Params, name: str, *, allow_nan: bool = False) -> Array:
    try:
        values = np.array([float(x) for x in params[name].split(",")])
    except KeyError:
        raise BadRequest(f"Value of type 'String' required for key '{name}'.") from None
    except ValueError:
        raise BadRequest(f"Invalid value '{params[name]}' for key {name}") from None
    if np.any(np.isinf(values)) or (not allow_nan and np.any(np.isnan(values))):
        raise BadRequest(f"Invalid value '{params[name]}' for key {name}")
    return values


def _places(params: Params, most: int) -> tuple[Array, Array]:
    lat, lon = _floats(params, "latitude"), _floats(params, "longitude")
    if lat.size != lon.size:
        raise BadRequest("Parameter 'latitude' and 'longitude' must have the same number of elements")
    if lat.size > most:
        raise BadRequest(f"Only up to {most} locations can be requested at once")
    for word, values, limit in (("Latitude", lat, 90.0), ("Longitude", lon, 180.0)):
        outside = values[np.abs(values) > limit]
        if outside.size:
            raise BadRequest(f"{word} must be in range of -{limit:g} to {limit:g}°. Given: {float(outside[0])}.")
    return lat, lon


def _lookup(name: str) -> FakeVariable:
    return VARIABLES.get(name) or NOT_CARRIED[name]


def _variables(params: Params) -> list[str]:
    names = [n for n in params.get("hourly", "").split(",") if n]
    for name in names:
        if name not in VARIABLES and name not in NOT_CARRIED:
            raise BadRequest(f"Cannot initialize WeatherVariable from invalid String value {name} for key hourly")
    return names


def _choice(params: Params, name: str, allowed: tuple[str, ...]) -> str:
    value = params.get(name, allowed[0])
    if value not in allowed:
        raise BadRequest(f"Cannot initialize {name} from invalid String value {value} for key {name}")
    return value


def _unit_choice(params: Params) -> dict[str, tuple[str, float]]:
    """Return label and scale by the label of the native unit, for the units that the request chose."""
    chosen: dict[str, tuple[str, float]] = {}
    for name, choices in UNIT_CHOICES.items():
        default = UNIT_DEFAULTS[name]
        chosen |= choices[_choice(params, name, (default, *(c for c in choices if c != default)))]
    return chosen


def _count(params: Params, name: str, default: int, most: int) -> int:
    try:
        value = int(params.get(name, default))
    except ValueError:
        raise BadRequest(f"Invalid value '{params[name]}' for key {name}") from None
    if not 0 <= value <= most:
        words = name.replace("_", " ").capitalize()
        raise BadRequest(f"{words} is invalid. Allowed range 0 to {most}. Given {value}.")
    return value


def _when(params: Params, name: str, pattern: str) -> datetime:
    try:
        return datetime.strptime(params[name], pattern).replace(tzinfo=UTC)
    except KeyError:
        raise BadRequest(f"Parameter '{name}' is missing: both ends of the interval must be set") from None
    except ValueError:
        raise BadRequest(f"Invalid date format. Given: {params[name]}") from None


def _stamps(params: Params, now_utc: datetime) -> Array:
    """Return the requested hour stamps as epoch seconds."""
    if params.get("timezone", "GMT") not in ("GMT", "UTC"):
        raise BadRequest("Invalid timezone: the fake server supports GMT only")
    hour, day = timedelta(hours=1), timedelta(days=1)
    this_hour = now_utc.replace(minute=0, second=0, microsecond=0)
    today = this_hour.replace(hour=0)
    if "start_hour" in params or "end_hour" in params:
        start = _when(params, "start_hour", "%Y-%m-%dT%H:%M")
        end = _when(params, "end_hour", "%Y-%m-%dT%H:%M") + hour
    elif "start_date" in params or "end_date" in params:
        start = _when(params, "start_date", "%Y-%m-%d")
        end = _when(params, "end_date", "%Y-%m-%d") + day
    else:
        start = today - _count(params, "past_days", 0, PAST_DAYS_MAX) * day
        end = today + _count(params, "forecast_days", 7, FORECAST_DAYS_MAX) * day
        if "past_hours" in params or "forecast_hours" in params:
            start = this_hour - _count(params, "past_hours", 0, 24 * PAST_DAYS_MAX) * hour
        if "forecast_hours" in params:
            end = this_hour + _count(params, "forecast_hours", 24, 24 * FORECAST_DAYS_MAX) * hour
    first, last = today - PAST_DAYS_MAX * day, today + FORECAST_DAYS_MAX * day
    if start > end or start < first or end > last:
        raise BadRequest(f"The interval is out of the allowed range from {first:%Y-%m-%d} to {last:%Y-%m-%d}")
    return np.arange(start.timestamp(), end.timestamp(), HOUR_S)


def _times(stamps: Array, timeformat: str) -> list[Any]:
    if timeformat == "unixtime":
        return [int(s) for s in stamps]
    return [f"{datetime.fromtimestamp(s, UTC):%Y-%m-%dT%H:%M}" for s in stamps]


def _hourly(storm: WeatherModel, lat: Array, lon: Array, height_m: Array, stamps: Array) -> dict[str, Array]:
    """Return every variable of the storm, (location, hour): at the instant, or over the hour before the stamp."""
    place = (lat[:, None, None], lon[:, None, None], height_m[:, None, None])
    instant = storm.weather(*place, stamps[None, :, None])
    within = storm.weather(*place, stamps[None, :, None] + WITHIN_HOUR_S)
    for weather in (instant, within):
        weather["showers"] = 0.0 * weather["rain"]
        weather.setdefault("visibility", np.full_like(weather["rain"], np.nan))
        weather["snowfall"] = SNOW_CM_PER_MM * weather["snowfall_water_equivalent"]
    out = {}
    for name, variable in VARIABLES.items():
        match variable.over:
            case "instant":
                out[name] = instant[name][..., 0]
            case "max":
                out[name] = within[name].max(axis=-1)
            case "mean" | "sum":  # the storm gives rates per hour, so an hour's sum is the mean rate
                out[name] = within[name].mean(axis=-1)
    return out


def _in_units(
    variable: FakeVariable, values: Array | None, shape: tuple[int, int], units: Mapping[str, tuple[str, float]]
) -> tuple[FakeVariable, Array]:
    """Return the variable with the chosen unit's label, and its values in that unit; NaN where the storm has none."""
    if values is None:
        values = np.full(shape, np.nan)
    label, scale = units.get(variable.unit, (variable.unit, 1.0))
    offset = 32.0 if label == "°F" else 0.0
    decimals = 3 if label == "inch" else variable.decimals
    return FakeVariable(label, decimals, variable.over), scale * values + offset


def _numbers(values: Array, column: FakeVariable) -> list[float | int | None]:
    """Return JSON numbers: integers where the API has integers, null for NaN."""
    cast_to = int if column.decimals == 0 else float
    return [None if np.isnan(v) else cast_to(v) for v in values.round(column.decimals) + 0.0]

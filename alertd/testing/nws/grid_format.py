"""Encodes invented weather as raw forecast cells of api.weather.gov: layers over ISO 8601 intervals.

Follows the service's OpenAPI text 3.8.1 (2026) and recorded answers: whole degrees Fahrenheit, knots, hundredths of an
inch, totals and chances over synoptic six hours, states over as many hours as they stay the same, and six hours before
the update. The lattice of cells is invented: 0.025 degrees of latitude by 0.035 of longitude, one office.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.units import FOOT_M, HOUR_S, INCH_MM, KMH_MPS, KNOT_MPS

Array = NDArray[np.float64]
Ground = Callable[[ArrayLike, ArrayLike], Array]

OFFICE: Final = "MDE"
CELL_LAT_DEG, CELL_LON_DEG = 0.025, 0.035
SOUTH_DEG, WEST_DEG = 20.0, -180.0
BEFORE_H, AHEAD_H = 6, 156  # hours of a cell before and after its update, as in recorded answers
BLOCK_H: Final = 6
WITHIN_HOUR_S: Final = np.arange(300.0, HOUR_S, 600.0)  # middles of six pieces of an hour
SNOW_RATIO: Final = 12.0  # depth to water
MELTING_LAYER_M: Final = 300.0  # the snow level lies so far below the freezing level
FREEZING_CODES: Final = (56, 57, 66, 67)
_WORDS: Final[dict[int, tuple[str, str]]] = {
    45: ("fog", ""), 48: ("freezing_fog", ""),
    51: ("drizzle", "light"), 53: ("drizzle", "moderate"), 55: ("drizzle", "heavy"),
    56: ("freezing_drizzle", "light"), 57: ("freezing_drizzle", "moderate"),
    61: ("rain", "light"), 63: ("rain", "moderate"), 65: ("rain", "heavy"),
    66: ("freezing_rain", "light"), 67: ("freezing_rain", "moderate"),
    71: ("snow", "light"), 73: ("snow", "moderate"), 75: ("snow", "heavy"), 77: ("snow_grains", "light"),
    79: ("sleet", "light"),
    80: ("rain_showers", "light"), 81: ("rain_showers", "moderate"), 82: ("rain_showers", "heavy"),
    85: ("snow_showers", "light"), 86: ("snow_showers", "heavy"), 95: ("thunderstorms", "moderate"),
}  # fmt: skip


class Weather(Protocol):
    """Invented weather, a pure function of place and time; see `storm.Storm.weather` for names and units."""

    def weather(
        self, lat_deg: ArrayLike, lon_deg: ArrayLike, elevation_m: ArrayLike, epoch_s: ArrayLike
    ) -> dict[str, Array]: ...


def cell_of(lat_deg: float, lon_deg: float) -> tuple[int, int]:
    """The cell of a place as (x, y)."""
    return int((lon_deg - WEST_DEG) // CELL_LON_DEG), int((lat_deg - SOUTH_DEG) // CELL_LAT_DEG)


def ring_of(x: int, y: int) -> list[list[float]]:
    """Corners of a cell as [longitude, latitude], the first one again at the end."""
    west, south = WEST_DEG + x * CELL_LON_DEG, SOUTH_DEG + y * CELL_LAT_DEG
    east, north = west + CELL_LON_DEG, south + CELL_LAT_DEG
    corners = [(west, north), (west, south), (east, south), (east, north), (west, north)]
    return [[round(lon, 7), round(lat, 7)] for lon, lat in corners]


def update_time(now_utc: datetime) -> datetime:
    """The newest update: a quarter past the last hour, or the hour before."""
    return (now_utc - timedelta(minutes=15)).replace(minute=15, second=0, microsecond=0)


def hourly_means(storm: Weather, place: tuple[float, float, float], hours_epoch_s: Array) -> dict[str, Array]:
    """Each variable of the storm, (hour,): the mean over the hour that begins at the time given."""
    within = storm.weather(*place, hours_epoch_s[:, None] + WITHIN_HOUR_S)
    return {name: values.mean(axis=-1) for name, values in within.items()} | {
        "weather_code": storm.weather(*place, hours_epoch_s + 0.5 * HOUR_S)["weather_code"]
    }


def gridpoint(storm: Weather, ground: Ground, x: int, y: int, now_utc: datetime) -> dict[str, Any]:
    """The body of /gridpoints/{office}/{x},{y}."""
    ring = ring_of(x, y)
    lon, lat = (float(np.mean([c[i] for c in ring[:-1]])) for i in (0, 1))
    height_m = round(float(ground(lat, lon)) / FOOT_M) * FOOT_M
    updated = update_time(now_utc)
    start = updated.replace(minute=0) - timedelta(hours=BEFORE_H)
    hours = BEFORE_H + AHEAD_H
    w = hourly_means(storm, (lat, lon, height_m), start.timestamp() + HOUR_S * np.arange(hours, dtype=np.float64))
    code = np.nan_to_num(w["weather_code"]).astype(int)
    freezing = np.isin(code, FREEZING_CODES)
    ice = np.where(freezing, w["precipitation"], 0.0)
    snow_mm = SNOW_RATIO * w["snowfall_water_equivalent"]

    def states(uom: str, values: Array) -> dict[str, Any]:
        return {"uom": f"wmoUnit:{uom}", "values": _merged(start, [_number(v) for v in values])}

    def totals(uom: str, values: Array, step: float) -> dict[str, Any]:
        blocks = [(a, b, round(float(values[a:b].sum()) / step) * step) for a, b in _blocks(start, hours)]
        return {"uom": f"wmoUnit:{uom}", "values": [_valid(start, a, b - a, _number(v)) for a, b, v in blocks]}

    def blocked(uom: str, values: Array) -> dict[str, Any]:
        held = np.concatenate([np.full(b - a, values[a:b].max().round()) for a, b in _blocks(start, hours)])
        return states(uom, held)

    temp_c, dew_c = ((np.round(w[n] * 1.8 + 32.0) - 32.0) / 1.8 for n in ("temperature_2m", "dew_point_2m"))
    knots_kmh = KNOT_MPS / KMH_MPS
    properties = {
        "@id": f"https://api.weather.gov/gridpoints/{OFFICE}/{x},{y}",
        "@type": "wx:Gridpoint",
        "updateTime": updated.isoformat(),
        "validTimes": f"{start.isoformat()}/P{hours // 24}DT{hours % 24}H",
        "elevation": {"unitCode": "wmoUnit:m", "value": height_m},
        "forecastOffice": f"https://api.weather.gov/offices/{OFFICE}",
        "gridId": OFFICE,
        "gridX": str(x),
        "gridY": str(y),
        "temperature": states("degC", temp_c),
        "dewpoint": states("degC", dew_c),
        "relativeHumidity": states("percent", w["relative_humidity_2m"].round()),
        "skyCover": states("percent", w["cloud_cover"].round()),
        "windDirection": states("degree_(angle)", (w["wind_direction_10m"] / 10.0).round() * 10.0),
        "windSpeed": states("km_h-1", (w["wind_speed_10m"] / KNOT_MPS).round() * knots_kmh),
        "windGust": states("km_h-1", (w["wind_gusts_10m"] / KNOT_MPS).round() * knots_kmh),
        "weather": {"values": _merged(start, [_words(c) for c in code])},
        "hazards": {"values": []},
        "probabilityOfPrecipitation": blocked("percent", w["precipitation_probability"]),
        "quantitativePrecipitation": totals("mm", w["precipitation"], INCH_MM / 100.0),
        "iceAccumulation": totals("mm", ice, INCH_MM / 100.0) if ice.any() else {"values": []},
        "snowfallAmount": totals("mm", snow_mm, INCH_MM / 10.0),
        "snowLevel": states("m", _snow_level_m(w["freezing_level_height"])),
        "visibility": {"values": []},
    }
    return {
        "@context": ["https://geojson.org/geojson-ld/geojson-context.jsonld", {"@version": "1.1"}],
        "id": properties["@id"],
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": properties,
    }


def _snow_level_m(freezing_level_m: Array) -> Array:
    return np.round(np.maximum(freezing_level_m - MELTING_LAYER_M, 0.0) / FOOT_M / 10.0) * 10.0 * FOOT_M


def _blocks(start: datetime, hours: int) -> list[tuple[int, int]]:
    """First and last hours of the synoptic six hours in the window; the first and last ones may be shorter."""
    offset = -(start.hour % BLOCK_H)
    edges = [max(offset, 0), *range(offset + BLOCK_H, hours, BLOCK_H), hours]
    return [(a, b) for a, b in pairwise(edges) if b > a]


def _number(value: float) -> float | int | None:
    """As in recorded answers: null for NaN, whole numbers without a point."""
    if np.isnan(value):
        return None
    rounded = round(float(value), 6)
    return int(rounded) if rounded == int(rounded) else rounded


def _valid(start: datetime, first_h: int, length_h: int, value: Any) -> dict[str, Any]:
    days, hours = divmod(length_h, 24)
    length = "P" + (f"{days}D" if days else "") + (f"T{hours}H" if hours else "")
    return {"validTime": f"{(start + timedelta(hours=first_h)).isoformat()}/{length}", "value": value}


def _merged(start: datetime, values: Sequence[Any]) -> list[dict[str, Any]]:
    """One entry for each run of equal values."""
    out, first = [], 0
    for value, run in groupby(values):
        length = sum(1 for _ in run)
        out.append(_valid(start, first, length, value))
        first += length
    return out


def _words(code: int) -> list[Mapping[str, Any]]:
    word, intensity = _WORDS.get(code, (None, None))
    return [
        {
            "coverage": "likely" if word else None,
            "weather": word,
            "intensity": intensity or None,
            "visibility": {"unitCode": "wmoUnit:km", "value": None},
            "attributes": [],
        }
    ]

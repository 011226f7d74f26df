"""One raw forecast cell of the National Weather Service, read into hours. Pure: a body in, arrays out.

The raw layers hold totals (precipitation, snow, ice) and states (all else) over intervals of different lengths.
No interval, an empty layer or null is unknown and stays NaN; it never becomes zero. The probability of precipitation
is for its whole interval and is held over its hours: members that stay wet or dry together then are wet as often as it
says, where shares of it an hour would make too few of them wet.
Meaning of the layers: weather-gov.github.io/api/gridpoints and the service's OpenAPI text 3.8.1 (2026).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from alertd.errors import SourceChanged
from alertd.forecast import plausibility
from alertd.forecast.model import Obscured, PrecipForm
from alertd.route.geometry.polygons import inside_ring
from alertd.sources.http.validation import AnswerModel, Number, in_utc, validated
from alertd.sources.providers.nws.intervals import Array, held, parse_interval, rates_per_h
from alertd.units import FOOT_M, INCH_MM, KELVIN_AT_0C, KMH_MPS, KNOT_MPS

SOURCE = "nws"
Ring: TypeAlias = tuple[tuple[float, float], ...]

# Snow is reported as depth and never falls lighter than 20:1 (recorded cells: 4:1 to 20:1), ice as thickness of
# density 0.917. Where a cell says snow or ice but less water than that, the water is raised to it.
LIGHTEST_SNOW_RATIO = 20.0
LEAST_SNOW_MM_H = 0.2  # depth; less may be left over of a total that is spread over its hours
# Temperatures are whole degrees Fahrenheit, and a calm cloudy night may keep one for many hours; a whole day does not.
SAME_HOURS = 24
LONGEST_H = 240
ICE_DENSITY = 0.917  # of glaze without bubbles, to water


def _as_is(values: Array) -> Array:
    return values


# unit word -> (quantity, to SI); prefixes have changed from unit: to wmoUnit:, and the OpenAPI text allows UCUM (uc:)
UNITS: dict[str, tuple[str, Callable[[Array], Array]]] = {
    "degC": ("temperature", _as_is),
    "degF": ("temperature", lambda v: (v - 32.0) / 1.8),
    "K": ("temperature", lambda v: v - KELVIN_AT_0C),
    "percent": ("fraction", lambda v: v / 100.0),
    "mm": ("depth", _as_is),
    "in": ("depth", lambda v: v * INCH_MM),
    "m": ("height", _as_is),
    "ft": ("height", lambda v: v * FOOT_M),
    "km": ("height", lambda v: v * 1000.0),
    "km_h-1": ("speed", lambda v: v * KMH_MPS),
    "m_s-1": ("speed", _as_is),
    "kt": ("speed", lambda v: v * KNOT_MPS),
    "degree_(angle)": ("angle", _as_is),
    "Cel": ("temperature", _as_is),
    "[degF]": ("temperature", lambda v: (v - 32.0) / 1.8),
    "%": ("fraction", lambda v: v / 100.0),
    "[in_i]": ("depth", lambda v: v * INCH_MM),
    "[ft_i]": ("height", lambda v: v * FOOT_M),
    "km/h": ("speed", lambda v: v * KMH_MPS),
    "m/s": ("speed", _as_is),
    "[kn_i]": ("speed", lambda v: v * KNOT_MPS),
}

# layer -> (quantity, lowest and highest value that can be true, after conversion)
LAYERS: dict[str, tuple[str, float, float]] = {
    "temperature": ("temperature", -60.0, 60.0),
    "relativeHumidity": ("fraction", 0.0, 1.05),
    "windSpeed": ("speed", 0.0, 115.0),
    "windGust": ("speed", 0.0, 150.0),
    "visibility": ("height", 0.0, 500_000.0),
    "skyCover": ("fraction", 0.0, 1.0),
    "probabilityOfPrecipitation": ("fraction", 0.0, 1.0),
    "snowLevel": ("height", -500.0, 10_000.0),
    "quantitativePrecipitation": ("depth", 0.0, 1000.0),
    "snowfallAmount": ("depth", 0.0, 5000.0),
    "iceAccumulation": ("depth", 0.0, 500.0),
}
TOTALS = ("quantitativePrecipitation", "snowfallAmount", "iceAccumulation")
# One of these that cannot be read costs the cell. Any other is left out of it and named.
NEEDED_LAYERS = ("temperature", "quantitativePrecipitation")
OBSCURING_WORDS = {
    "fog": Obscured.FOG,
    "freezing_fog": Obscured.FREEZING_FOG,
    "ice_fog": Obscured.FREEZING_FOG,
    "blowing_snow": Obscured.BLOWING_SNOW,
}
FREEZING_WORDS = frozenset({"freezing_rain", "freezing_drizzle"})
PELLET_WORDS = frozenset({"sleet"})  # American usage: ice pellets


class _Quantity(AnswerModel):
    unitCode: str | None = None
    value: Number | None = None


class _Sample(AnswerModel):
    validTime: str
    value: Number | None = None


class _Layer(AnswerModel):
    uom: str | None = None
    values: list[_Sample] | None = None


class _Word(AnswerModel):
    weather: str | None = None
    visibility: _Quantity | None = None


class _WeatherSample(AnswerModel):
    validTime: str
    value: list[_Word] | None = None


class _WeatherLayer(AnswerModel):
    values: list[_WeatherSample] | None = None


class _Geometry(AnswerModel):
    type: str
    coordinates: list[Any] = Field(default_factory=list)


class _Properties(AnswerModel):
    updateTime: datetime
    gridId: str
    gridX: int
    gridY: int
    elevation: _Quantity | None = None
    temperature: _Layer
    quantitativePrecipitation: _Layer | None = None
    # Validated one by one: see `_optional`.
    dewpoint: Any = None
    weather: Any = None
    relativeHumidity: Any = None
    windSpeed: Any = None
    windGust: Any = None
    visibility: Any = None
    skyCover: Any = None
    probabilityOfPrecipitation: Any = None
    snowLevel: Any = None
    snowfallAmount: Any = None
    iceAccumulation: Any = None


class _Grid(AnswerModel):
    geometry: _Geometry | None = None
    properties: _Properties


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridCell:
    """A cell's forecast over `hours` hours from `start`. Arrays (hour,), NaN where unknown.

    precip_mmwe_h is the layer's own water; `water_mmwe_h()` is never less than snow and ice need. ring: (lon, lat)
    corners of the cell, empty when the answer shows none. obscured: [Obscured]. lost: layers that could not be read, as
    text. dew_point_c, and reported_c over all hours of the answer, are
    only to judge the cell by.
    """

    name: str
    updated_at: datetime
    elevation_m: float
    ring: Ring
    start: datetime
    air_temp_c: Array
    rh_frac: Array
    wind_mps: Array
    gust_mps: Array
    visibility_m: Array
    cloud_frac: Array
    precip_prob_frac: Array
    snow_level_m: Array
    precip_mmwe_h: Array
    snowfall_mm_h: Array
    ice_mm_h: Array
    precip_form: NDArray[np.int8]
    obscured: NDArray[np.int8]
    dew_point_c: Array
    reported_c: Array
    lost: tuple[str, ...] = ()

    def water_mmwe_h(self) -> Array:
        """Water equivalent an hour, raised to what the same cell's snow and ice need; unknown stays unknown."""
        snow = np.nan_to_num(self.snowfall_mm_h) / LIGHTEST_SNOW_RATIO
        ice = np.nan_to_num(self.ice_mm_h) * ICE_DENSITY
        return np.maximum(self.precip_mmwe_h, snow + ice)

    def contains(self, lat_deg: float, lon_deg: float, *, slack: float = 0.2) -> bool:
        """Whether the point lies in the cell, enlarged by `slack` of its half width. True when no ring is known."""
        return not self.ring or _inside(self.ring, lon_deg, lat_deg, 1.0 + slack)


def read_grid(body: object, *, start: datetime, hours: int, now_utc: datetime) -> GridCell:
    """A /gridpoints answer as hours [start + h, start + h + 1). Raises SourceChanged for what cannot be trusted."""
    grid = validated(SOURCE, _Grid, body)
    p = grid.properties
    updated_at = in_utc(SOURCE, "updateTime", p.updateTime)
    lost: list[str] = []
    hourly = {
        name: _hourly(name, getattr(p, name), start, hours, now_utc)
        if name in NEEDED_LAYERS
        else _optional(name, getattr(p, name), lost, start, hours, now_utc)
        for name in LAYERS
    }
    weather, dewpoint = _weather(p.weather, lost), _layer("dewpoint", p.dewpoint, [])
    obscured, sight_m = _obscured(weather, start, hours, now_utc)
    return GridCell(
        name=f"{p.gridId}/{p.gridX},{p.gridY}",
        updated_at=updated_at,
        elevation_m=_elevation_m(p.elevation),
        ring=_ring(grid.geometry),
        start=start,
        air_temp_c=hourly["temperature"],
        rh_frac=np.minimum(hourly["relativeHumidity"], 1.0),
        wind_mps=hourly["windSpeed"],
        gust_mps=hourly["windGust"],
        visibility_m=np.fmin(hourly["visibility"], sight_m),
        cloud_frac=hourly["skyCover"],
        precip_prob_frac=hourly["probabilityOfPrecipitation"],
        snow_level_m=hourly["snowLevel"],
        precip_mmwe_h=hourly["quantitativePrecipitation"],
        snowfall_mm_h=hourly["snowfallAmount"],
        ice_mm_h=hourly["iceAccumulation"],
        precip_form=_form(weather, hourly["iceAccumulation"], start, hours, now_utc),
        obscured=obscured,
        dew_point_c=_dew_point_c(dewpoint, start, hours, now_utc),
        reported_c=_reported_c(p.temperature, now_utc),
        lost=tuple(lost),
    )


def _layer(name: str, raw: object, lost: list[str]) -> _Layer | None:
    """A layer that the cell can do without; one of another shape is added to `lost`."""
    try:
        return None if raw is None else validated(SOURCE, _Layer, raw)
    except SourceChanged as exc:
        lost.append(f"{name} cannot be read ({exc.problem})")
        return None


def _optional(name: str, raw: object, lost: list[str], start: datetime, hours: int, now_utc: datetime) -> Array:
    """The hours of a layer that the cell can do without; unknown, and added to `lost`, where it cannot be read."""
    try:
        return _hourly(name, _layer(name, raw, lost), start, hours, now_utc)
    except SourceChanged as exc:
        lost.append(f"{name} cannot be read ({exc.problem})")
        return np.full(hours, np.nan)


def _weather(raw: object, lost: list[str]) -> _WeatherLayer | None:
    """The layer of weather words, without the intervals that cannot be read."""
    try:
        layer = None if raw is None else validated(SOURCE, _WeatherLayer, raw)
        for sample in (layer.values or ()) if layer else ():
            parse_interval(sample.validTime, now_utc=datetime(2000, 1, 1, tzinfo=UTC))
        return layer
    except (SourceChanged, ValueError) as exc:
        lost.append(f"weather cannot be read ({exc.problem if isinstance(exc, SourceChanged) else exc})")
        return None


def _obscured(
    layer: _WeatherLayer | None, start: datetime, hours: int, now_utc: datetime
) -> tuple[NDArray[np.int8], Array]:
    """(hour,) each: what takes the sight, whatever its chance; and the shortest sight that its words give [m]."""
    code, sight_m = np.zeros(hours, dtype=np.int8), np.full(hours, np.nan)
    hour = np.arange(hours)
    for sample in (layer.values or ()) if layer else ():
        begin, end = parse_interval(sample.validTime, now_utc=now_utc)
        first, last = ((moment - start).total_seconds() / 3600.0 for moment in (begin, end))
        on = (hour + 1 > first) & (hour < last)
        for word in sample.value or ():
            code[on] = np.maximum(code[on], OBSCURING_WORDS.get(word.weather or "", Obscured.NOTHING))
            sight = word.visibility
            if sight is None or sight.value is None or word.weather not in OBSCURING_WORDS:
                continue
            try:
                far_m = float(in_si("visibility", sight.unitCode, "height", np.array([sight.value]))[0])
            except SourceChanged:
                continue
            if far_m >= 0.0:
                sight_m[on] = np.fmin(sight_m[on], far_m)
    return code, sight_m


def _reported_c(layer: _Layer, now_utc: datetime) -> Array:
    """Air temperatures by the hour over all that a readable layer says, at most LONGEST_H hours."""
    if not layer.values:
        return np.empty(0)
    spans = [parse_interval(s.validTime, now_utc=now_utc) for s in layer.values]
    first = min(begin for begin, _ in spans).replace(minute=0, second=0, microsecond=0)
    hours = int(np.ceil((max(end for _, end in spans) - first).total_seconds() / 3600.0))
    return _hourly("temperature", layer, first, min(hours, LONGEST_H), now_utc)


def _dew_point_c(layer: _Layer | None, start: datetime, hours: int, now_utc: datetime) -> Array:
    """Unknown where it cannot be read: the road does not need it."""
    try:
        return _hourly("temperature", layer, start, hours, now_utc)
    except SourceChanged:
        return np.full(hours, np.nan)


def why_doubted(cell: GridCell, before: GridCell | None, place: tuple[float, float], now_utc: datetime) -> str:
    """Why a cell must not be believed; see `plausibility.why_doubted`.

    place: latitude and longitude of one place in it.
    """
    return plausibility.why_doubted(
        _reported_values(cell, place), None if before is None else _reported_values(before, place), now_utc
    )


def _reported_values(cell: GridCell, place: tuple[float, float]) -> plausibility.ReportedValues:
    air = cell.air_temp_c[None, None]
    return plausibility.ReportedValues(
        start=cell.start,
        lat_deg=np.array([place[0]]),
        lon_deg=np.array([place[1]]),
        elevation_m=np.array([cell.elevation_m]),
        air_temp_c=air,
        precip_mmwe_h=cell.precip_mmwe_h[None, None],
        reported_c=cell.reported_c[None, None],
        same_n=SAME_HOURS,
        dew_point_c=cell.dew_point_c[None, None],
        snow=cell.snowfall_mm_h[None, None] > LEAST_SNOW_MM_H,
    )


def _hourly(name: str, layer: _Layer | None, start: datetime, hours: int, now_utc: datetime) -> Array:
    if layer is None or not layer.values:  # an empty layer carries no unit
        return np.full(hours, np.nan)
    quantity, low, high = LAYERS[name]
    raw = np.array([np.nan if s.value is None else s.value for s in layer.values], dtype=np.float64)
    values = in_si(name, layer.uom, quantity, raw)
    if np.any((values < low) | (values > high)):
        raise SourceChanged(SOURCE, f"{name} has values beyond {low:g} to {high:g} ({layer.uom})")
    try:
        spans = [parse_interval(s.validTime, now_utc=now_utc) for s in layer.values]
        return (rates_per_h if name in TOTALS else held)(spans, values, start, hours)
    except ValueError as exc:
        raise SourceChanged(SOURCE, f"{name}: {exc}") from exc


def in_si(name: str, uom: str | None, quantity: str, raw: Array) -> Array:
    """Values in SI by their unit word; SourceChanged for a unit unknown or of another quantity."""
    uom = uom or ""
    word = uom.rsplit("/", 1)[-1] if "://" in uom else uom.rsplit(":", 1)[-1]
    kind, convert = UNITS.get(word, ("", _as_is))
    if kind == "height" and quantity == "depth":  # snow given in metres or feet instead of millimetres
        return convert(raw) * 1000.0
    if kind != quantity:
        raise SourceChanged(SOURCE, f'{name} is in unit "{uom}", which is no known unit of {quantity}')
    return convert(raw)


def _elevation_m(raw: _Quantity | None) -> float:
    if raw is None or raw.value is None:
        return float("nan")
    return float(in_si("elevation", raw.unitCode, "height", np.array([raw.value]))[0])


def _form(
    layer: _WeatherLayer | None, ice_mm_h: Array, start: datetime, hours: int, now_utc: datetime
) -> NDArray[np.int8]:
    """Freezing rain or drizzle wins over pellets, and any chance of it counts; accumulating ice means freezing."""
    form = np.zeros(hours, dtype=np.int8)
    for words, value in ((PELLET_WORDS, PrecipForm.PELLETS), (FREEZING_WORDS, PrecipForm.FREEZING)):
        for sample in (layer.values or ()) if layer else ():
            if any(word.weather in words for word in sample.value or ()):
                try:
                    begin, end = parse_interval(sample.validTime, now_utc=now_utc)
                except ValueError as exc:
                    raise SourceChanged(SOURCE, f"weather: {exc}") from exc
                hour = np.arange(hours)
                first, last = ((moment - start).total_seconds() / 3600.0 for moment in (begin, end))
                form[(hour + 1 > first) & (hour < last)] = value
    form[np.nan_to_num(ice_mm_h) > 0.0] = PrecipForm.FREEZING
    return form


def _ring(geometry: _Geometry | None) -> Ring:
    if geometry is None or geometry.type != "Polygon":
        return ()
    try:
        return tuple((float(lon), float(lat)) for lon, lat, *_ in geometry.coordinates[0])
    except (TypeError, ValueError, IndexError) as exc:
        raise SourceChanged(SOURCE, "geometry is no polygon of longitude and latitude") from exc


def _inside(ring: Ring, x: float, y: float, scale: float) -> bool:
    """Whether the ring, enlarged about its middle, holds the place."""
    corners = np.array(ring[:-1] if ring[0] == ring[-1] else ring)
    middle = corners.mean(axis=0)
    return bool(inside_ring((corners - middle) * scale + middle, x, y))


def last_token(problem: Mapping[str, object]) -> str:
    """The name of a problem document: the last token of `type`, be it a URL or a urn."""
    return str(problem.get("type", "")).replace("/", ":").rsplit(":", 1)[-1]

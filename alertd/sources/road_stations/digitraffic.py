"""Road weather stations of Fintraffic by Digitraffic (tie.digitraffic.fi): one answer of places, one of values.

Data of Fintraffic / digitraffic.fi, CC BY 4.0; no key, and a name of the user is asked for. Names of sensors are
Finnish and have changed their spelling (NAKYVYYS_METRIA, NÄKYVYYS_M), so accents are dropped before they are looked
up. A state counts by its published English text alone: sensors without one have no published meaning.
"""

import re
import unicodedata
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, Final

from pydantic import Field

from alertd.errors import SourceChanged
from alertd.forecast.observations import Station, on_earth
from alertd.forecast.road_observations import RoadReport, state_of, within
from alertd.sources.http.validation import AnswerModel, Moment, Number, validated

# Sensor, as a pattern without accents -> field, its unit, factor to SI. Of several sensors the gravest counts.
_SENSORS: Final[tuple[tuple[re.Pattern[str], str, str, float], ...]] = tuple(
    (re.compile(pattern), field, unit, factor)
    for pattern, field, unit, factor in (
        (r"TIE_\d", "surface_temp_c", "°C", 1.0),
        (r"KITKA\d?(_LUKU)?", "friction", "", 1.0),
        (r"(MAA|RUNKO)_\d", "depth_temp_c", "°C", 1.0),
        (r"JAATYMISPISTE_\d", "freezing_c", "°C", 1.0),
        (r"ILMA", "air_temp_c", "°C", 1.0),
        (r"KASTEPISTE", "dew_point_c", "°C", 1.0),
        (r"ILMAN_KOSTEUS", "rh_frac", "%", 0.01),
        (r"KESKITUULI", "wind_mps", "m/s", 1.0),
        (r"MAKSIMITUULI", "gust_mps", "m/s", 1.0),
        (r"NAKYVYYS(_METRIA|_M)", "visibility_m", "m", 1.0),
        (r"NAKYVYYS_KM", "visibility_m", "km", 1000.0),
    )
)
_STATES: Final = re.compile(r"(KELI|TIENPINNAN_TILA|OPTISEN_ANTURIN_KELI)(_(OPT)?\d)?")
_GRAVEST: Final[dict[str, Callable[[float, float], float]]] = {"gust_mps": max, "wind_mps": max, "rh_frac": max}


class _Point(AnswerModel):
    coordinates: list[Number]


class _Properties(AnswerModel):
    id: int | str
    name: str = ""


class _Feature(AnswerModel):
    geometry: _Point | None = None
    properties: _Properties


class _Stations(AnswerModel):
    features: list[Any]


class _Sensor(AnswerModel):
    name: str
    value: Number | None = None
    unit: str | None = None
    measuredTime: Moment | None = None
    sensorValueDescriptionEn: str | None = None


class _Values(AnswerModel):
    id: int | str
    dataUpdatedTime: Moment | None = None
    sensorValues: list[Any] = Field(default_factory=list)


class _Data(AnswerModel):
    stations: list[Any]


def read_digitraffic(source: str, licence: str, places: object, values: object) -> tuple[RoadReport, ...]:
    """The reports of an answer of values, at the stations of an answer of places.

    A station or a sensor that cannot be read is left out. Raises SourceChanged where none of several can be.
    """
    stations = _places(source, places)
    listed = validated(source, _Data, values).stations
    out, trouble = [], None
    for one in listed:
        try:
            report = _report(source, licence, stations, validated(source, _Values, one))
        except SourceChanged as exc:
            trouble = trouble or exc
            continue
        if report is not None:
            out.append(report)
    if trouble is not None and not out:
        raise trouble
    return tuple(out)


def _places(source: str, places: object) -> dict[str, tuple[Station, str]]:
    found = {}
    for raw in validated(source, _Stations, places).features:
        try:
            feature = validated(source, _Feature, raw)
        except SourceChanged:
            continue
        at = feature.geometry.coordinates if feature.geometry is not None else []
        if len(at) < 2 or not (abs(at[1]) <= 90.0 and abs(at[0]) <= 180.0):
            continue
        id_ = str(feature.properties.id)
        height_m = on_earth(at[2]) if len(at) > 2 and at[2] != 0.0 else float("nan")  # 0 is a placeholder
        station = Station(id=id_, lat_deg=at[1], lon_deg=at[0], elevation_m=height_m)
        found[id_] = (station, feature.properties.name.replace("_", " ") or id_)
    return found


def _report(source: str, licence: str, stations: dict[str, tuple[Station, str]], raw: _Values) -> RoadReport | None:
    known = stations.get(str(raw.id))
    if known is None:
        return None
    fields: dict[str, float] = {}
    words: list[str] = []
    times: list[datetime] = []
    for one in raw.sensorValues:
        try:
            sensor = validated(source, _Sensor, one)
        except SourceChanged:
            continue
        name = _plain(sensor.name)
        if _STATES.fullmatch(name) and sensor.sensorValueDescriptionEn:
            words.append(sensor.sensorValueDescriptionEn)
            times += [sensor.measuredTime] if sensor.measuredTime else []
        for pattern, field, unit, factor in _SENSORS:
            if sensor.value is None or not pattern.fullmatch(name) or (unit and (sensor.unit or unit) != unit):
                continue
            value = within(field, sensor.value * factor)
            if value == value:
                fields[field] = _GRAVEST.get(field, min)(fields.get(field, value), value)
                times += [sensor.measuredTime] if sensor.measuredTime and field == "surface_temp_c" else []
    # The oldest of what tells of the surface, so that a sensor that stopped does not look new.
    at = min(times, default=raw.dataUpdatedTime)
    if at is None:
        return None
    report = RoadReport(
        station=known[0], name=known[1], source=source, licence=licence, observed_at=at.astimezone(UTC),
        state=state_of(words), **fields,
    )  # fmt: skip
    return None if report.is_empty else report


def _plain(name: str) -> str:
    """A sensor's name in capitals without accents."""
    return "".join(c for c in unicodedata.normalize("NFD", name.upper()) if not unicodedata.combining(c))

"""Stations of the US National Weather Service near a place, and what they observed.

The service passes on what the MADIS system holds: values may be null though the coded text has them, come hours late,
or carry a letter of the checks they went through (madis.ncep.noaa.gov/madis_sfc_qc_notes.shtml).
"""

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from alertd.errors import SourceChanged
from alertd.forecast.observations import Station, StationReport, on_earth
from alertd.sources.http.answer import JsonClient, RequestOptions
from alertd.sources.http.validation import AnswerModel, Moment, Number, validated
from alertd.sources.metar_text import NAN, coded_rate_mmwe_h, cover_frac, phenomena_in, read_text
from alertd.sources.providers.nws.forecast import POINT_LIFE_S, interpret_error, point_text, read_point
from alertd.sources.providers.nws.grid import SOURCE, in_si

LIST_LIFE_S = 86_400.0
LIFE_S = 600.0
HISTORY_N = 500  # the most that the service gives at once (OpenAPI 3.8.1)
NEWEST_N = 4  # a record of every five minutes carries no weather, the hourly one before it does
# Failed a check (X), questioned by one (Q), or judged bad by hand (B). Z is not checked yet, as a coded text never is.
REFUSED = frozenset("XQB")
_ID = re.compile(r"[A-Z0-9]{3,12}")

# property -> (our name, quantity, lowest and highest value that can be true); beyond them it is unknown
_VALUES = {
    "temperature": ("air_temp_c", "temperature", -60.0, 60.0),
    "dewpoint": ("dew_point_c", "temperature", -80.0, 40.0),
    "relativeHumidity": ("rh_frac", "fraction", 0.0, 1.05),
    "windSpeed": ("wind_mps", "speed", 0.0, 115.0),
    "windGust": ("gust_mps", "speed", 0.0, 115.0),
    "windDirection": ("wind_from_deg", "angle", 0.0, 360.0),
    "visibility": ("visibility_m", "height", 0.0, 200_000.0),
    "precipitationLastHour": ("precip_last_hour_mmwe", "depth", 0.0, 300.0),
    "precipitationLast3Hours": ("precip_3h_mmwe", "depth", 0.0, 300.0),
    "precipitationLast6Hours": ("precip_6h_mmwe", "depth", 0.0, 300.0),
}


class _Quantity(AnswerModel):
    unitCode: str = ""
    value: Number | None = None
    qualityControl: str | None = None

    @property
    def refused(self) -> bool:
        return (self.qualityControl or "").rsplit(":", 1)[-1] in REFUSED


_NONE = _Quantity()


class _Point(AnswerModel):
    type: Literal["Point"]
    coordinates: Annotated[list[Number], Field(min_length=2)]


class _Phenomenon(AnswerModel):
    rawString: str = ""
    inVicinity: bool = False


class _CloudLayer(AnswerModel):
    amount: str | None = None


class _Observation(AnswerModel):
    station: str
    timestamp: Moment
    elevation: _Quantity = _NONE
    rawMessage: str | None = None
    presentWeather: list[_Phenomenon] | None = None
    temperature: _Quantity = _NONE
    dewpoint: _Quantity = _NONE
    relativeHumidity: _Quantity = _NONE
    windSpeed: _Quantity = _NONE
    windGust: _Quantity = _NONE
    windDirection: _Quantity = _NONE
    visibility: _Quantity = _NONE
    precipitationLastHour: _Quantity = _NONE
    precipitationLast3Hours: _Quantity = _NONE
    precipitationLast6Hours: _Quantity = _NONE
    cloudLayers: list[_CloudLayer] | None = None


class _ObservationFeature(AnswerModel):
    geometry: _Point
    properties: _Observation


class _StationProperties(AnswerModel):
    stationIdentifier: str
    elevation: _Quantity = _NONE


class _StationFeature(AnswerModel):
    geometry: _Point
    properties: _StationProperties


class _Collection(AnswerModel):
    features: list[Any]


class NwsStations:
    """Both questions raise SourceError when the service does not say."""

    def __init__(self, client: JsonClient, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def near(self, lat_deg: float, lon_deg: float) -> tuple[Station, ...]:
        """The stations that the service uses for the place: /points for its cell, then the list of the cell.

        The list by place is deprecated (OpenAPI 3.8.1).
        """
        cell = await self._client.get_json(
            SOURCE, f"{self._base}/points/{point_text(lat_deg, lon_deg)}", read=read_point,
            options=RequestOptions(default_life_s=POINT_LIFE_S, interpret_error=interpret_error),
        )  # fmt: skip
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/gridpoints/{cell.value}/stations", read=read_stations,
            options=RequestOptions(default_life_s=LIST_LIFE_S, interpret_error=interpret_error),
        )  # fmt: skip
        return answer.value

    async def observed(self, station_id: str) -> tuple[StationReport, ...]:
        """The station's last few reports, newest first."""
        if not _ID.fullmatch(station_id):
            raise ValueError(f'"{station_id}" is no station')
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/stations/{station_id}/observations", params={"limit": str(NEWEST_N)},
            read=read_observations, options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error),
        )  # fmt: skip
        return answer.value

    async def history(self, station_id: str, start: datetime, end: datetime) -> tuple[StationReport, ...]:
        """The station's reports between two aware times, at most HISTORY_N."""
        if not _ID.fullmatch(station_id):
            raise ValueError(f'"{station_id}" is no station')
        first, last = (f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}" for at in (start, end))
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/stations/{station_id}/observations",
            params={"start": first, "end": last, "limit": str(HISTORY_N)},
            read=read_history, options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error),
        )  # fmt: skip
        return answer.value


def read_stations(body: object) -> tuple[Station, ...]:
    """The stations of a list. Left out are those whose name could not stand in a question. Raises SourceChanged."""
    listed = (validated(SOURCE, _StationFeature, feature) for feature in validated(SOURCE, _Collection, body).features)
    return tuple(
        _station(one.properties.stationIdentifier, one.geometry, one.properties.elevation)
        for one in listed
        if _ID.fullmatch(one.properties.stationIdentifier)
    )


def read_observations(body: object) -> tuple[StationReport, ...]:
    """The reports of an answer, one or many. Raises SourceChanged for one that cannot be read, or an unknown unit."""
    whole = isinstance(body, dict) and "features" in body
    features = validated(SOURCE, _Collection, body).features if whole else [body]
    return tuple(_report(validated(SOURCE, _ObservationFeature, feature)) for feature in features)


def read_history(body: object) -> tuple[StationReport, ...]:
    """The reports of a list. One that cannot be read is left out, as there are others.

    Raises SourceChanged for what is no list, or when none of several can be read.
    """
    out: list[StationReport] = []
    trouble: SourceChanged | None = None
    for feature in validated(SOURCE, _Collection, body).features:
        try:
            out.append(_report(validated(SOURCE, _ObservationFeature, feature)))
        except SourceChanged as exc:
            trouble = trouble or exc
    if trouble is not None and not out:
        raise trouble
    return tuple(out)


def _report(observed: _ObservationFeature) -> StationReport:
    p = observed.properties
    raw = p.rawMessage or ""
    try:
        at = p.timestamp.astimezone(UTC)
    except OverflowError as exc:
        raise SourceChanged(SOURCE, f"timestamp {p.timestamp} is no time") from exc
    text = read_text(raw, at)
    values: dict[str, float] = {}
    for name, (ours, quantity, low, high) in _VALUES.items():
        measured: _Quantity = getattr(p, name)
        if measured.refused:  # the text repeats what the checks refused
            values[ours] = NAN
        elif measured.value is None:
            values[ours] = getattr(text, ours, NAN)
        else:
            value = float(in_si(name, measured.unitCode, quantity, np.array([measured.value]))[0])
            values[ours] = value if low <= value <= high else NAN
    if values["wind_mps"] == 0.0:
        values["wind_from_deg"] = NAN
    id_ = p.station.rsplit("/", 1)[-1]
    if not _ID.fullmatch(id_):
        raise SourceChanged(SOURCE, "an observation does not say of which station it is")
    groups = [w.rawString for w in p.presentWeather or () if not w.inVicinity]
    seen = phenomena_in(groups, raw) if p.presentWeather else text.weather
    rate_mmwe_h = coded_rate_mmwe_h(groups, seen) if p.presentWeather else text.coded_rate_mmwe_h
    cloud_frac = cover_frac(layer.amount or "" for layer in p.cloudLayers or ())
    return StationReport(
        station=_station(id_, observed.geometry, p.elevation),
        source=SOURCE,
        observed_at=at,
        weather=seen,
        raw=raw,
        precip_24h_mmwe=text.precip_24h_mmwe,
        coded_rate_mmwe_h=rate_mmwe_h,
        cloud_frac=text.cloud_frac if np.isnan(cloud_frac) else cloud_frac,
        snow_depth_m=text.snow_depth_m,
        **values,
    )


def _station(id_: str, place: _Point, elevation: _Quantity) -> Station:
    height_m = NAN
    if elevation.value is not None:
        height_m = float(in_si("elevation", elevation.unitCode, "height", np.array([elevation.value]))[0])
    lon_deg, lat_deg = place.coordinates[:2]
    return Station(id=id_, lat_deg=lat_deg, lon_deg=lon_deg, elevation_m=on_earth(height_m))

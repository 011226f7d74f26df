"""Airport reports of the US Aviation Weather Center (aviationweather.gov/api/data/metar), for a box of the earth.

Public domain, world-wide, no key; asks for identification, few requests and at most 400 reports each. Its JSON gives
knots, statute miles and inches, heights in metres; a number may come as text ("10+", "VRB").
"""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from fractions import Fraction
from typing import Annotated

from pydantic import Field

from alertd.errors import SourceChanged, SourceError
from alertd.forecast.observations import Station, StationReport, on_earth
from alertd.sources.http.answer import JsonClient, RequestOptions
from alertd.sources.http.validation import AnswerModel, Number, validated
from alertd.sources.metar_text import NAN, Groups, coded_rate_mmwe_h, cover_frac, phenomena_in, read_text
from alertd.units import INCH_MM, KNOT_MPS, MILE_M

SOURCE = "metar"
LIFE_S = 600.0
HISTORY_STATIONS_N = 5  # 48 h of one make some 50 to 75 reports, and an answer holds at most 400


class NothingThere(SourceError):
    """No report from the box: the service says so with an empty answer, status 204."""


class _Layer(AnswerModel):
    cover: str = ""


class _AirportReport(AnswerModel):
    icaoId: Annotated[str, Field(pattern=r"^[A-Z0-9]{3,12}$")]
    obsTime: int
    lat: Number
    lon: Number
    elev: Number | None = None
    temp: Number | None = None
    dewp: Number | None = None
    wdir: Number | str | None = None
    wspd: Number | str | None = None
    wgst: Number | str | None = None
    visib: Number | str | None = None
    precip: Number | None = None
    pcp3hr: Number | None = None
    pcp6hr: Number | None = None
    pcp24hr: Number | None = None
    snow: Number | None = None
    clouds: list[_Layer] | None = None
    wxString: str | None = None
    rawOb: str | None = None


class Metars:
    """Raises SourceError when the service does not say."""

    def __init__(self, client: JsonClient, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def inside(
        self, south_deg: float, west_deg: float, north_deg: float, east_deg: float
    ) -> tuple[StationReport, ...]:
        """The newest report of each station in a box, none where there is no station."""
        box = ",".join(f"{edge:.2f}" for edge in (south_deg, west_deg, north_deg, east_deg))
        try:
            answer = await self._client.get_json(
                SOURCE, f"{self._base}/api/data/metar", params={"bbox": box, "format": "json"},
                read=read_metars, options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error),
            )  # fmt: skip
        except NothingThere:
            return ()
        return answer.value

    async def history(self, station_ids: Sequence[str], hours: int) -> tuple[StationReport, ...]:
        """The reports of some stations in the last hours, at most HISTORY_STATIONS_N of them in one question."""
        if not 0 < len(station_ids) <= HISTORY_STATIONS_N:
            raise ValueError(f"one question is for 1 to {HISTORY_STATIONS_N} stations")
        asked = {"ids": ",".join(station_ids), "hours": str(hours), "format": "json"}
        try:
            answer = await self._client.get_json(
                SOURCE, f"{self._base}/api/data/metar", params=asked,
                read=read_metars, options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error),
            )  # fmt: skip
        except NothingThere:
            return ()
        return answer.value


def interpret_error(status: int, problem: object) -> SourceError | None:
    return NothingThere(SOURCE, "no report there") if status == 204 else None


def read_metars(body: object) -> tuple[StationReport, ...]:
    """The reports of an answer, one or a list. One that cannot be read is left out, as there are others.

    Raises SourceChanged when none of several can be read.
    """
    listed = body if isinstance(body, list) else [body]
    out: list[StationReport] = []
    trouble: SourceError | None = None
    for one in listed:
        try:
            out.append(_report(validated(SOURCE, _AirportReport, one)))
        except SourceChanged as exc:
            trouble = trouble or exc
    if trouble is not None and not out:
        raise trouble
    return tuple(out)


def _report(r: _AirportReport) -> StationReport:
    try:
        at = datetime.fromtimestamp(r.obsTime, UTC)
    except (ValueError, OverflowError, OSError) as exc:
        raise SourceChanged(SOURCE, f"obsTime {r.obsTime} is no time") from exc
    raw = r.rawOb or ""
    text = read_text(raw, at)
    coded = Groups(
        air_temp_c=_number(r.temp),
        dew_point_c=_number(r.dewp),
        wind_mps=_number(r.wspd) * KNOT_MPS,
        gust_mps=_number(r.wgst) * KNOT_MPS,
        wind_from_deg=_number(r.wdir),
        visibility_m=_number(r.visib) * MILE_M,
        precip_last_hour_mmwe=_number(r.precip) * INCH_MM,
        precip_3h_mmwe=_number(r.pcp3hr) * INCH_MM,
        precip_6h_mmwe=_number(r.pcp6hr) * INCH_MM,
        precip_24h_mmwe=_number(r.pcp24hr) * INCH_MM,
        cloud_frac=cover_frac(layer.cover for layer in r.clouds or ()),
        snow_depth_m=_number(r.snow) * INCH_MM / 1000.0,
    )
    groups = (r.wxString or "").split()
    weather = phenomena_in(groups, raw) if groups else text.weather
    wind_mps = _first(coded.wind_mps, text.wind_mps)
    return StationReport(
        station=Station(id=r.icaoId, lat_deg=r.lat, lon_deg=r.lon, elevation_m=on_earth(_number(r.elev))),
        source=SOURCE,
        observed_at=at,
        air_temp_c=_first(coded.air_temp_c, text.air_temp_c, within=(-60.0, 60.0)),
        dew_point_c=_first(coded.dew_point_c, text.dew_point_c, within=(-80.0, 40.0)),
        rh_frac=NAN,
        wind_mps=wind_mps,
        gust_mps=_first(coded.gust_mps, text.gust_mps),
        wind_from_deg=NAN if wind_mps == 0.0 else _first(coded.wind_from_deg, text.wind_from_deg, within=(0.0, 360.0)),
        visibility_m=_first(coded.visibility_m, text.visibility_m, within=(0.0, 200_000.0)),
        precip_last_hour_mmwe=_first(coded.precip_last_hour_mmwe, text.precip_last_hour_mmwe, within=(0.0, 300.0)),
        weather=weather,
        raw=raw,
        precip_3h_mmwe=_first(coded.precip_3h_mmwe, text.precip_3h_mmwe, within=(0.0, 300.0)),
        precip_6h_mmwe=_first(coded.precip_6h_mmwe, text.precip_6h_mmwe, within=(0.0, 300.0)),
        precip_24h_mmwe=_first(coded.precip_24h_mmwe, text.precip_24h_mmwe, within=(0.0, 500.0)),
        coded_rate_mmwe_h=coded_rate_mmwe_h(groups, weather) if groups else text.coded_rate_mmwe_h,
        cloud_frac=_first(coded.cloud_frac, text.cloud_frac, within=(0.0, 1.0)),
        snow_depth_m=_first(coded.snow_depth_m, text.snow_depth_m, within=(0.0, 15.0)),
    )


def _first(*values: float, within: tuple[float, float] = (0.0, 115.0)) -> float:
    """The first value that can be true, NaN if none can."""
    return next((v for v in values if within[0] <= v <= within[1]), NAN)


def _number(raw: float | str | None) -> float:
    """A number however it is written: 7, "10+", "1 1/2"; NaN for words such as "VRB"."""
    if raw is None or isinstance(raw, float | int):
        return NAN if raw is None else float(raw)
    return _sum(raw.rstrip("+").split())


def _sum(parts: Iterable[str]) -> float:
    try:
        known = [float(Fraction(part)) for part in parts]
    except (ValueError, ZeroDivisionError, OverflowError):
        return NAN
    return sum(known) if known else NAN

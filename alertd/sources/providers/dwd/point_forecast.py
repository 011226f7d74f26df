"""Point forecasts of Germany's weather service (MOSMIX) as JSON by a Bright Sky server: a second opinion beside others.

MOSMIX corrects models by the measurements of some 5,400 stations of the world. A place takes the station nearest to it,
whose height may differ much. Data: Deutscher Wetterdienst, GeoNutzV. Times are UTC; precipitation, wind and gusts are
of the hour before a stamp, the other values at it; wind is in km/h (brightsky.dev/docs, units=dwd). The form of
precipitation is decided from temperature and humidity, since "sleet" there is rain and snow mixed.
"""

import asyncio
from datetime import UTC, datetime, timedelta
from functools import partial
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.errors import OutsideArea, SourceChanged, SourceError
from alertd.forecast import plausibility
from alertd.forecast.model import Array, Forecast, Gap, Obscured
from alertd.forecast.provider import ForecastRequest, window
from alertd.road.humidity import svp_water_hpa
from alertd.sources.files.toml import FileModel
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions, most_specific_error
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.http.validation import AnswerModel, Moment, Number, apart_km, validated
from alertd.sources.provider_spec import ProviderSpec
from alertd.units import KMH_MPS

SOURCE: Final = "dwd-mosmix"
LICENCE: Final = "Deutscher Wetterdienst, GeoNutzV, by Bright Sky"
LIFE_S: Final = 3600.0
NEAR_KM: Final = 50.0  # the server's own reach
PLACE_DEG: Final = 0.1  # places within it have the same station
_VALUES: Final = {
    # name -> field, factor, lowest and highest value that can be true after it, whether it is of the hour before
    "temperature": ("air_temp_c", 1.0, -60.0, 60.0, False),
    "dew_point": ("dew_point_c", 1.0, -80.0, 40.0, False),
    "relative_humidity": ("rh_frac", 0.01, 0.0, 1.05, False),
    "cloud_cover": ("cloud_frac", 0.01, 0.0, 1.0, False),
    "visibility": ("visibility_m", 1.0, 0.0, 200_000.0, False),
    "wind_speed": ("wind_mps", KMH_MPS, 0.0, 115.0, True),
    "wind_gust_speed": ("gust_mps", KMH_MPS, 0.0, 150.0, True),
    "precipitation": ("precip_mmwe_h", 1.0, 0.0, 300.0, True),
    "precipitation_probability": ("precip_prob_frac", 0.01, 0.0, 1.0, True),
}
_FIELDS: Final = tuple(field for field, *_ in _VALUES.values() if field != "dew_point_c")


class _Record(AnswerModel):
    timestamp: Moment
    source_id: int | None = None
    temperature: Number | None = None
    dew_point: Number | None = None
    relative_humidity: Number | None = None
    cloud_cover: Number | None = None
    visibility: Number | None = None
    wind_speed: Number | None = None
    wind_gust_speed: Number | None = None
    precipitation: Number | None = None
    precipitation_probability: Number | None = None
    condition: str | None = None


class _Point(AnswerModel):
    id: int
    lat: Number
    lon: Number
    height: Number | None = None


class _Body(AnswerModel):
    weather: list[_Record]
    sources: list[_Point]


class PointHours:
    """One place's forecast: arrays (hour,) by field from `start`, NaN where unknown; of the nearest station."""

    def __init__(self, station: _Point, start: datetime, at_stamp: dict[str, Array], fog: NDArray[np.bool_]) -> None:
        self.station, self.start = station, start
        self.fields: dict[str, Array] = {}
        for field, _, _, _, preceding in _VALUES.values():
            values = at_stamp[field]
            mean = np.append((values[:-1] + values[1:]) / 2.0, np.nan)
            self.fields[field] = np.append(values[1:], np.nan) if preceding else mean
        self.reported_c = at_stamp["air_temp_c"]
        by_dew = svp_water_hpa(self.fields["dew_point_c"]) / svp_water_hpa(self.fields["air_temp_c"])
        rh = self.fields["rh_frac"]
        self.fields["rh_frac"] = np.minimum(np.where(np.isnan(rh), by_dew, rh), 1.0)
        self.fog = fog


def read_points(body: object) -> PointHours:
    """The hours of an answer. Raises SourceChanged for what cannot be trusted."""
    raw = validated(SOURCE, _Body, body)
    if not raw.weather or not raw.sources:
        raise SourceChanged(SOURCE, "answered no hours or no stations")
    times = [r.timestamp.astimezone(UTC) for r in raw.weather]
    if times[0].minute or times[0].second:
        raise SourceChanged(SOURCE, "times are not on the hour")
    at_h = np.array([(t - times[0]) / timedelta(hours=1) for t in times])
    if np.any(at_h % 1.0) or np.any(np.diff(at_h) <= 0.0) or at_h[-1] > 24.0 * 30.0:
        raise SourceChanged(SOURCE, "times do not follow one another by whole hours")
    at = at_h.astype(np.intp)
    n = int(at[-1]) + 1
    stamps: dict[str, Array] = {}
    for name, (field, factor, low, high, _) in _VALUES.items():
        values = np.array([np.nan if (v := getattr(r, name)) is None else v for r in raw.weather]) * factor
        if np.any((values < low) | (values > high)):
            raise SourceChanged(SOURCE, f"{name} has values beyond what is possible")
        stamps[field] = np.full(n, np.nan)
        stamps[field][at] = values
    fog = np.zeros(n, dtype=np.bool_)
    fog[at] = [r.condition == "fog" for r in raw.weather]
    known = {s.id: s for s in raw.sources}
    last = known.get(raw.weather[-1].source_id or -1, raw.sources[0])
    return PointHours(last, times[0], stamps, fog)


def read_for(body: object, *, lat_deg: float, lon_deg: float) -> PointHours:
    """The answer for this place. Raises SourceChanged for another one's."""
    found = read_points(body)
    km = apart_km(found.station.lat, found.station.lon, lat_deg, lon_deg)
    if not km <= NEAR_KM + 10.0:
        raise SourceChanged(SOURCE, f"answered for a station {km:.0f} km from the place asked")
    return found


def why_doubted(new: PointHours, before: PointHours | None, now_utc: datetime) -> str:
    """Why an answer must not be believed; see `plausibility.why_doubted`."""
    return plausibility.why_doubted(_reported(new), None if before is None else _reported(before), now_utc)


def _reported(hours: PointHours) -> plausibility.ReportedValues:
    station = hours.station
    return plausibility.ReportedValues(
        start=hours.start, lat_deg=np.array([station.lat]), lon_deg=np.array([station.lon]),
        elevation_m=np.array([np.nan if station.height is None else station.height]),
        air_temp_c=hours.fields["air_temp_c"][None, None], precip_mmwe_h=hours.fields["precip_mmwe_h"][None, None],
        reported_c=hours.reported_c[None, None], dew_point_c=hours.fields["dew_point_c"][None, None],
    )  # fmt: skip


class DwdPointForecasts:
    """ForecastProvider. Raises SourceError only when no place at all could be read."""

    name = SOURCE

    def __init__(self, client: JsonClient, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def fetch(self, request: ForecastRequest) -> Forecast:
        cells = [
            (round(float(lat) / PLACE_DEG) * PLACE_DEG, round(float(lon) / PLACE_DEG) * PLACE_DEG)
            for lat, lon in zip(request.lat_deg, request.lon_deg, strict=True)
        ]
        async with asyncio.TaskGroup() as group:
            tasks = {place: group.create_task(self._one(place, request)) for place in dict.fromkeys(cells)}
        results = [tasks[place].result() for place in cells]
        if not any(isinstance(r, Answer) for r in results):
            raise most_specific_error([r for r in results if isinstance(r, SourceError)])
        return assemble(request, results)

    async def _one(self, place: tuple[float, float], request: ForecastRequest) -> Answer[PointHours] | SourceError:
        # Whole days, so that the address stays the same from hour to hour and the last good answer is found.
        first, last = request.start.astimezone(UTC).date(), request.end.astimezone(UTC).date() + timedelta(days=1)
        params = {
            "lat": f"{place[0]:.1f}", "lon": f"{place[1]:.1f}", "units": "dwd", "tz": "UTC",
            "date": f"{first}T00:00Z", "last_date": f"{last}T00:00Z",
        }  # fmt: skip
        needed_from = min(request.now_utc, request.end - timedelta(hours=1))
        try:
            return await self._client.get_json(
                SOURCE, f"{self._base}/weather", params=params,
                read=partial(read_for, lat_deg=place[0], lon_deg=place[1]),
                options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error, keep=True),
                doubt=partial(why_doubted, now_utc=needed_from),
            )  # fmt: skip
        except SourceError as exc:
            return exc


def interpret_error(status: int, _problem: object) -> SourceError | None:
    """404: no station within reach."""
    return OutsideArea(SOURCE, "has no station near (HTTP 404)") if status == 404 else None


def assemble(request: ForecastRequest, results: list[Answer[PointHours] | SourceError]) -> Forecast:
    """One Forecast over the window of the ask; a place without an answer is NaN and outside or named in a Gap."""
    start, hours = window(request)
    shape = (1, len(results), hours)
    arrays: dict[str, Any] = {name: np.full(shape, np.nan) for name in _FIELDS}
    elevation_m, obscured = np.full(len(results), np.nan), np.zeros(shape[1:], dtype=np.int8)
    notes: dict[str, list[int]] = {}
    outside, used = [], []
    for i, result in enumerate(results):
        if isinstance(result, OutsideArea):
            outside.append(i)
            continue
        if isinstance(result, SourceError):
            notes.setdefault(result.problem, []).append(i)
            continue
        used.append(result)
        place = result.value
        elevation_m[i] = np.nan if place.station.height is None else place.station.height
        shift = round((place.start - start) / timedelta(hours=1))
        first, last = max(shift, 0), min(shift + place.fog.size, hours)
        if first < last:
            own = slice(first - shift, last - shift)
            for name, array in arrays.items():
                array[0, i, first:last] = place.fields[name][own]
            obscured[i, first:last] = np.where(place.fog[own], Obscured.FOG, Obscured.NOTHING)
        if result.stale:
            notes.setdefault(result.not_refreshed, []).append(i)
    unknown = np.full(shape, np.nan)
    return Forecast(
        provider=SOURCE, licence=LICENCE, issued_at=None, start=start, fetched_at=min(a.fetched_at for a in used),
        lat_deg=request.lat_deg.copy(), lon_deg=request.lon_deg.copy(), elevation_m=elevation_m, pressure_hpa=unknown,
        shortwave_wm2=unknown.copy(), freezing_level_m=unknown.copy(), snow_level_m=unknown.copy(),
        precip_form=np.zeros(shape, dtype=np.int8), obscured=obscured, outside=tuple(outside),
        gaps=tuple(Gap(cell_idx=tuple(cells), reason=f"{SOURCE}: {note}") for note, cells in notes.items()),
        served_stale=any(a.stale for a in used), **arrays,
    )  # fmt: skip


class DwdKeys(FileModel):
    """Keys of [forecast]."""

    bright_sky_url: str = "https://api.brightsky.dev"


SPEC: Final = ProviderSpec(
    name=SOURCE,
    settings_model=DwdKeys,
    url_key="bright_sky_url",
    open=lambda inputs: DwdPointForecasts(inputs.client, inputs.settings.bright_sky_url),
    # No number is stated; our own choice.
    hosts=MappingProxyType({"api.brightsky.dev": HostLimits(name="api.brightsky.dev", at_once=2, per_s=2.0)}),
)

"""Open-Meteo: forecasts for road heights, ensembles, and ground heights.

Weather data by Open-Meteo.com, CC BY 4.0. The keyless servers are for non-commercial use only, so they are refused
unless the operator says the use is that; a customer host with a key, or a server of one's own, is always fine.
Calls are counted a place: with our ten variables and up to 14 days one place is one call, an ensemble of 31 members
31 calls.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Final
from urllib.parse import urlsplit

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from alertd.errors import ConfigError, OutsideArea, SourceChanged, SourceError
from alertd.forecast.model import Array, Forecast, Gap
from alertd.forecast.provider import ElevationProvider, ForecastRequest, window
from alertd.sources.files.toml import FileModel
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions
from alertd.sources.http.errors import ErrorInterpreter
from alertd.sources.http.validation import apart_km
from alertd.sources.provider_spec import ProviderInputs, ProviderSpec
from alertd.sources.providers.open_meteo.area import Area
from alertd.sources.providers.open_meteo.parse import (
    CODE,
    ENSEMBLE_VARIABLES,
    FIELDS,
    GROUND_VARIABLES,
    SOURCE,
    VARIABLES,
    OpenMeteoHours,
    limit_or_refusal,
    read_places,
    why_doubted,
)
from alertd.sources.providers.open_meteo.runs import ModelRun, ask_run, best_match_models, meta_name

LICENCE = "Weather data by Open-Meteo.com, CC BY 4.0"
MAX_ENSEMBLE_PLACES = 10  # a place is up to 51 calls, and the free host takes 600 a minute
MAX_PLACES = 100  # in one request; the free host takes 1000, but a URL over 64 kB fails and one bad place spoils all
FORECAST_LIFE_S = 3600.0  # the source sends no caching headers; its models run every hour at best
EVER_S = 10 * 365 * 86_400.0  # the ground does not move
MAX_ECHO_KM = 30.0  # an answer is for a model cell a few km off; farther means another place (latitude swapped)

# Days are asked for in these steps so that the same road keeps the same URL from hour to hour: only then can the last
# good answer be found when the server is down.
PAST_DAYS = (1, 2, 3, 7, 14, 31, 92)
FORECAST_DAYS = (3, 7, 16)


class OpenMeteo:
    """ForecastProvider and ElevationProvider.

    base_url: scheme and host. api_key: for a customer host. model: one model by the source's name, None for its best
    match; pool several providers to compare models. ensemble: ask /v1/ensemble of `base_url` for members. area: of the
    model; a road wholly outside is not asked for. name: in plans, instead of one made from the model. licence: to
    show, with the model's owner. ground: ask for snow depth, ground temperature, dew point and wet bulb too.
    Raises ConfigError for a host the licence does not allow.
    """

    def __init__(
        self,
        client: JsonClient,
        base_url: str = "https://api.open-meteo.com",
        *,
        api_key: str | None = None,
        noncommercial: bool = False,
        model: str | None = None,
        ensemble: bool = False,
        elevation_url: str | None = None,
        area: Area | None = None,
        name: str = "",
        licence: str = LICENCE,
        ground: bool = False,
    ) -> None:
        for url in (base_url, elevation_url or base_url):
            _may_use(url, api_key, noncommercial)
        self._client, self._base = client, base_url.rstrip("/")
        self._elevation_base = (elevation_url or base_url).rstrip("/")
        self._api_key, self._model, self._ensemble = api_key, model, ensemble
        self._base_host = _host(self._base)
        self._area, self._licence, self._ground = area, licence, ground
        self.name = name or " ".join(part for part in (SOURCE, "ensemble" if ensemble else "", model or "") if part)

    async def fetch(self, request: ForecastRequest) -> Forecast:
        inside = np.arange(request.lat_deg.size)
        if self._area is not None:  # one place outside would spoil the answer for all
            inside = np.flatnonzero(self._area.holds(request.lat_deg, request.lon_deg))
        if not inside.size:
            raise OutsideArea(SOURCE, f"{self.name} has no forecasts for this road")
        step = MAX_ENSEMBLE_PLACES if self._ensemble else MAX_PLACES
        chunks = [inside[i : i + step] for i in range(0, inside.size, step)]
        results = await asyncio.gather(*(self._chunk(request, cells) for cells in chunks))
        failures = [r for r in results if isinstance(r, SourceError)]
        if len(failures) == len(results):
            raise failures[0]
        forecast = assemble(self.name, request, list(zip(chunks, results, strict=True)), self._licence)
        return with_run(forecast, await self._run(request), named=self._model is not None, now_utc=request.now_utc)

    async def _run(self, request: ForecastRequest) -> ModelRun | None:
        """The run of the named model; of a best match, the run most behind its time among the models it may use."""
        if self._model:
            names: tuple[str, ...] = (meta_name(self._model, ensemble=self._ensemble),)
        elif self._ensemble:
            return None  # which model the server takes is not known
        else:
            names = best_match_models(request.lat_deg, request.lon_deg)
        found = [await ask_run(self._client, self._base, name, self._keyed({}, self._base)) for name in names]
        runs = [run for run in found if run is not None]
        return max(runs, key=lambda run: request.now_utc - run.begun_at - run.usual_age, default=None)

    async def elevations_m(self, lat_deg: Array, lon_deg: Array) -> Array:
        """Ground heights above sea level from a 90 m model, (point,). Kept for ever. Raises SourceError."""
        parts = []
        for i in range(0, lat_deg.size, MAX_PLACES):
            lat, lon = lat_deg[i : i + MAX_PLACES], lon_deg[i : i + MAX_PLACES]
            answer = await self._client.get_json(
                SOURCE, f"{self._elevation_base}/v1/elevation",
                params=self._keyed(
                    {"latitude": _listed(lat, 5), "longitude": _listed(lon, 5)}, self._elevation_base
                ),
                read=partial(read_elevations, count=lat.size),
                options=RequestOptions(default_life_s=EVER_S, interpret_error=self._verdict_at(None)),
            )  # fmt: skip
            parts.append(answer.value)
        return np.concatenate(parts) if parts else np.empty(0)

    async def _chunk(
        self, request: ForecastRequest, cells: NDArray[np.intp]
    ) -> Answer[list[OpenMeteoHours]] | SourceError:
        lat, lon = request.lat_deg[cells], request.lon_deg[cells]

        def read(body: object) -> list[OpenMeteoHours]:
            places = read_places(body)
            check_places(places, lat, lon, MAX_ECHO_KM * (2.0 if self._ensemble else 1.0))
            return places

        needed_from = min(request.now_utc, request.end - timedelta(hours=1))

        past_days, forecast_days = days_for(request)
        more = GROUND_VARIABLES if self._ground and not self._ensemble else ()
        params = {
            "latitude": _listed(lat, 4), "longitude": _listed(lon, 4),
            "elevation": _listed(request.road_elevation_m[cells], 0),
            "hourly": ",".join([*(ENSEMBLE_VARIABLES if self._ensemble else VARIABLES), *more, CODE]),
            "timeformat": "unixtime", "timezone": "GMT", "wind_speed_unit": "ms",
            "past_days": str(past_days), "forecast_days": str(forecast_days),
        }  # fmt: skip
        if self._model:
            params["models"] = self._model
        try:
            return await self._client.get_json(
                SOURCE,
                f"{self._base}/v1/{'ensemble' if self._ensemble else 'forecast'}",
                params=self._keyed(params, self._base),
                read=read,
                options=RequestOptions(
                    default_life_s=FORECAST_LIFE_S, interpret_error=self._verdict_at(request.now_utc), keep=True
                ),
                doubt=partial(why_doubted, now_utc=needed_from),
            )
        except SourceError as exc:
            return exc

    def _keyed(self, params: dict[str, str], url: str) -> dict[str, str]:
        """With the key where it belongs: on the server of forecasts, and on any other that asks for one."""
        host = _host(url)
        shown = host == self._base_host or _is_customer_host(host)
        return params | ({"apikey": self._api_key} if self._api_key and shown else {})

    @staticmethod
    def _verdict_at(now_utc: datetime | None) -> ErrorInterpreter:
        def interpret_error(status: int, problem: object) -> SourceError | None:
            if not isinstance(problem, Mapping) or "reason" not in problem:
                return None
            reason = str(problem["reason"])
            if "no data is available for this location" in reason.lower():
                return OutsideArea(SOURCE, reason)
            known = limit_or_refusal(reason, now_utc)
            return known or (SourceError(SOURCE, reason) if status == 400 else None)

        return interpret_error


def _host(url: str) -> str:
    return (urlsplit(url).hostname or "").lower().rstrip(".")  # a name may end with a dot


def _is_customer_host(host: str) -> bool:
    return host.startswith("customer-") and host.endswith(".open-meteo.com")


def _may_use(url: str, api_key: str | None, noncommercial: bool) -> None:
    host = _host(url)
    where, field = "settings", "open_meteo"
    if not host:
        raise ConfigError(where, field, f'"{url}" names no server', "write it as https://host")
    if not (host == "open-meteo.com" or host.endswith(".open-meteo.com")):
        return
    if _is_customer_host(host):
        if not api_key:
            raise ConfigError(where, field, f"{host} needs an API key", "set the key, or use another server")
    elif not noncommercial:
        raise ConfigError(
            where, field, f"{host} is free for non-commercial use only",
            "set operator.noncommercial_use = true if that is so, else a customer host with a key, or your own server",
        )  # fmt: skip


def _listed(values: Array, decimals: int) -> str:
    """A comma list; NaN as "nan", which for a height means: do not correct temperature to it."""
    return ",".join("nan" if np.isnan(v) else f"{v + 0.0:.{decimals}f}" for v in np.round(values, decimals))


def days_for(request: ForecastRequest) -> tuple[int, int]:
    """past_days and forecast_days that hold the window and the stamp that closes its last hour."""
    today = request.now_utc.astimezone(UTC).date()
    start, hours = window(request)
    past = (today - start.date()).days
    ahead = ((start + timedelta(hours=hours)).date() - today).days + 1
    return (
        next((days for days in PAST_DAYS if days >= past), PAST_DAYS[-1]),
        next((days for days in FORECAST_DAYS if days >= ahead), FORECAST_DAYS[-1]),
    )


def check_places(places: list[OpenMeteoHours], lat_deg: Array, lon_deg: Array, max_echo_km: float) -> None:
    """Raise SourceChanged unless the answer is for the places asked, in that order."""
    if len(places) != lat_deg.size:
        raise SourceChanged(SOURCE, f"answered {len(places)} places for {lat_deg.size} asked")
    for place, lat, lon in zip(places, lat_deg, lon_deg, strict=True):
        km = apart_km(place.lat_deg, place.lon_deg, float(lat), float(lon))
        if not km <= max_echo_km:
            raise SourceChanged(
                SOURCE, f"answered for {place.lat_deg:.2f}, {place.lon_deg:.2f}, {km:.0f} km from the place asked"
            )


def read_elevations(body: object, count: int) -> Array:
    """Heights of an elevation answer. Raises SourceChanged."""
    raw = body.get("elevation") if isinstance(body, Mapping) else None
    if not isinstance(raw, list) or len(raw) != count:
        raise SourceChanged(SOURCE, f"elevation answer holds no {count} heights")
    if not all(v is None or (isinstance(v, int | float) and not isinstance(v, bool)) for v in raw):
        raise SourceChanged(SOURCE, "elevation answer holds something other than numbers")
    heights = np.array([np.nan if v is None else v for v in raw], dtype=np.float64)
    if count and np.isnan(heights).all():  # the answer is kept for ever
        raise SourceChanged(SOURCE, "elevation answer holds no height")
    if np.any((heights < -500.0) | (heights > 9000.0)):
        raise SourceChanged(SOURCE, "elevation answer holds heights beyond -500 to 9000 m")
    return heights


def assemble(
    name: str,
    request: ForecastRequest,
    parts: list[tuple[NDArray[np.intp], Answer[list[OpenMeteoHours]] | SourceError]],
    licence: str = LICENCE,
) -> Forecast:
    """One Forecast over the window of the ask. Places that failed and hours not answered stay NaN and are Gaps.

    Places in no part are outside the source's area.
    """
    start, hours = window(request)
    asked = {int(cell) for cells, _ in parts for cell in cells}
    outside = tuple(cell for cell in range(request.lat_deg.size) if cell not in asked)
    answers = [answer for _, answer in parts if not isinstance(answer, SourceError)]
    members = max(len(place.precip_form) for answer in answers for place in answer.value)
    shape = (members, request.lat_deg.size, hours)
    arrays: dict[str, Any] = {field: np.full(shape, np.nan) for field in FIELDS}
    form = np.zeros(shape, dtype=np.int8)
    snow_level = np.full(shape, np.nan)
    hints: dict[str, Any] = {name: np.full(shape[1:], np.nan) for name in ("snow_depth_m", "ground_temp_c")}
    hints["obscured"] = np.zeros(shape[1:], dtype=np.int8)
    gaps = []
    fetched_times, stale = [], False
    for cells, answer in parts:
        raw = tuple(int(c) for c in cells)
        if isinstance(answer, SourceError):
            gaps.append(Gap(cell_idx=raw, reason=f"{name}: {answer.problem}"))
            continue
        behind = _behind(request, answer)
        fetched_times.append(answer.fetched_at - behind)
        stale = stale or answer.stale or bool(behind)
        if behind:
            why = f"its hours begin {behind / timedelta(hours=1):.0f} h before those asked, so it is that old"
            gaps.append(Gap(cell_idx=raw, reason=f"{name}: {why}"))
        if answer.stale:
            gaps.append(Gap(cell_idx=raw, reason=f"{name}: {answer.not_refreshed}"))
        for cell, place in zip(raw, answer.value, strict=True):
            _lay(place, cell, start, hours, arrays, form)
            _lay_hints(place, cell, start, hours, snow_level, hints)
    short = np.flatnonzero(
        np.isnan(arrays["air_temp_c"][0]).any(axis=1) | np.isnan(arrays["precip_mmwe_h"][0]).any(axis=1)
    )
    missed = tuple(int(c) for c in short if c in asked and not any(c in gap.cell_idx for gap in gaps))
    if missed:
        gaps.append(
            Gap(cell_idx=missed, reason=f"{name}: some hours of the window have no temperature or precipitation")
        )
    return Forecast(
        provider=name, licence=licence, issued_at=None, start=start,
        fetched_at=min(fetched_times),
        lat_deg=request.lat_deg.copy(), lon_deg=request.lon_deg.copy(), elevation_m=request.road_elevation_m.copy(),
        snow_level_m=snow_level, precip_form=form, gaps=tuple(gaps),
        served_stale=stale, outside=outside, **arrays,
        snow_depth_m=_if_any(hints["snow_depth_m"]), ground_temp_c=_if_any(hints["ground_temp_c"]),
        obscured=hints["obscured"] if hints["obscured"].any() else None,
    )  # fmt: skip


def with_run(forecast: Forecast, run: ModelRun | None, *, named: bool, now_utc: datetime) -> Forecast:
    """The forecast with the issue time of its model.

    named: the answer is of that model alone. For a best match the run counts only where it is overdue: which model gave
    which value is not known, so a run on time says nothing of the answer's age.
    """
    if run is None:
        return forecast
    overdue = run.is_overdue(now_utc)
    if not named and not overdue:
        return forecast
    gaps = forecast.gaps
    if overdue:
        why = f"model {run.model} has not been updated since its run of {run.begun_at:%d %b %H:%M} UTC"
        gaps += (Gap(cell_idx=tuple(range(forecast.lat_deg.size)), reason=f"{forecast.provider}: {why}"),)
    return replace(
        forecast,
        issued_at=run.begun_at,
        issue_every_h=run.usual_age / timedelta(hours=1),
        served_stale=forecast.served_stale or overdue,
        gaps=gaps,
    )


def _behind(request: ForecastRequest, answer: Answer[list[OpenMeteoHours]]) -> timedelta:
    """How far an answer's hours lie before those of the day it was fetched on; zero for one that keeps up.

    The source states no issue time. Its hours begin at 00 UTC of the day asked, less the past days, so an old answer
    that some cache hands out as new gives itself away by its first hour.
    """
    today = answer.fetched_at.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    expected = today - timedelta(
        days=days_for(request)[0]
    )  # a stored answer was asked with the same days, or not found
    late = expected - min(place.start for place in answer.value)
    return late if late >= timedelta(hours=2) else timedelta(0)


def _lay(
    place: OpenMeteoHours, cell: int, start: datetime, hours: int, arrays: dict[str, Array], form: NDArray[np.int8]
) -> None:
    """Copy the hours of one place that fall into the window."""
    shift = round((place.start - start) / timedelta(hours=1))
    n = place.precip_form.shape[1]
    first, last = max(shift, 0), min(shift + n, hours)
    if first < last:
        members = slice(0, place.precip_form.shape[0])
        for field, array in arrays.items():
            array[members, cell, first:last] = place.fields[field][:, first - shift : last - shift]
        form[members, cell, first:last] = place.precip_form[:, first - shift : last - shift]


def _if_any(values: Array) -> Array | None:
    return values if np.isfinite(values).any() else None


def _lay_hints(
    place: OpenMeteoHours, cell: int, start: datetime, hours: int, snow_level: Array, hints: Mapping[str, Any]
) -> None:
    """Copy what the answer gives beside its weather into the window."""
    shift = round((place.start - start) / timedelta(hours=1))
    first, last = max(shift, 0), min(shift + place.snow_depth_m.size, hours)
    if first < last:
        own = slice(first - shift, last - shift)
        snow_level[: place.snow_level_m.shape[0], cell, first:last] = place.snow_level_m[:, own]
        for name, values in hints.items():
            values[cell, first:last] = getattr(place, name)[own]


class OpenMeteoKeys(FileModel):
    """Keys of [forecast], for the best match and for ensembles."""

    open_meteo_url: str = "https://api.open-meteo.com"
    open_meteo_key_file: str = ""
    open_meteo_ensemble_url: str = "https://ensemble-api.open-meteo.com"
    open_meteo_ensemble_model: str = Field("", examples=["gfs_seamless"])
    open_meteo_elevation_url: str = ""
    open_meteo_ground: bool = False


def open_best_match(inputs: ProviderInputs[OpenMeteoKeys]) -> OpenMeteo:
    """Raises ConfigError for a host the licence does not allow."""
    return OpenMeteo(
        inputs.client,
        inputs.settings.open_meteo_url,
        api_key=inputs.secrets.get(KEY_FILE),
        noncommercial=inputs.noncommercial,
        elevation_url=inputs.settings.open_meteo_elevation_url or None,
        ground=inputs.settings.open_meteo_ground,
    )


def _open_ensemble(inputs: ProviderInputs[OpenMeteoKeys]) -> OpenMeteo:
    return OpenMeteo(
        inputs.client,
        inputs.settings.open_meteo_ensemble_url,
        api_key=inputs.secrets.get(KEY_FILE),
        noncommercial=inputs.noncommercial,
        ensemble=True,
        model=inputs.settings.open_meteo_ensemble_model or None,
        elevation_url=inputs.settings.open_meteo_elevation_url or None,
    )


def _ensemble_elevations(inputs: ProviderInputs[OpenMeteoKeys]) -> ElevationProvider | None:
    """A server of ensembles need not have heights."""
    return _open_ensemble(inputs) if inputs.settings.open_meteo_elevation_url else None


KEY_FILE: Final = "open_meteo_key_file"
SPEC: Final = ProviderSpec(
    name="open-meteo",
    settings_model=OpenMeteoKeys,
    url_key="open_meteo_url",
    secrets=(KEY_FILE,),
    open=open_best_match,
    open_elevations=open_best_match,
)
ENSEMBLE_SPEC: Final = ProviderSpec(
    name="open-meteo-ensemble",
    settings_model=OpenMeteoKeys,
    url_key="open_meteo_ensemble_url",
    secrets=(KEY_FILE,),
    open=_open_ensemble,
    open_elevations=_ensemble_elevations,
)

"""MET Norway's Locationforecast 2.0 (api.met.no): one place a call, at the road's own height.

Data from MET Norway, CC BY 4.0 (or NLOD 2.0). Commercial use is free; the service asks for a client that says who it is
(a generic or false name is answered 403, then banned), coordinates of at most four decimals, no new call before the
answer's Expires, and If-Modified-Since then: the client does all of that. 2.5 km and hourly news in the Nordic and
Arctic area, 9 km and four issues a day elsewhere. It has no past hours.
"""

import asyncio
from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

import numpy as np

from alertd.errors import OutsideArea, SourceChanged, SourceDown, SourceError
from alertd.forecast.model import Forecast, Gap
from alertd.forecast.provider import ForecastRequest, window
from alertd.sources.files.toml import FileModel
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions, most_specific_error
from alertd.sources.http.validation import apart_km
from alertd.sources.provider_spec import ProviderSpec
from alertd.sources.providers.met_norway.parse import FIELDS, SOURCE, MetNorwayHours, read_place, why_doubted

LICENCE = "MET Norway, CC BY 4.0"
LIFE_S = 1800.0  # where Expires is missing; recorded answers live half an hour
REFUSED_WAIT_S = 3600.0
SLOWER_WAIT_S = 300.0
MAX_ECHO_KM = 5.0  # the answer repeats the place asked; swapped latitude and longitude are answered too, elsewhere
SAME_HEIGHT_M = 1.0
ISSUE_EVERY_H = 6.0  # outside the Nordic area


class MetNorway:
    """ForecastProvider. Raises SourceError only when no place at all could be read."""

    name = SOURCE

    def __init__(self, client: JsonClient, base_url: str = "https://api.met.no") -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def fetch(self, request: ForecastRequest) -> Forecast:
        wanted = list(zip(request.lat_deg, request.lon_deg, request.road_elevation_m, strict=True))
        params = [place_params(*(float(value) for value in place)) for place in wanted]
        keys = [tuple(one.values()) for one in params]
        needed_from = min(request.now_utc, request.end - timedelta(hours=1))
        async with asyncio.TaskGroup() as group:
            found = {
                key: group.create_task(self._one(one, needed_from))
                for key, one in dict(zip(keys, params, strict=True)).items()
            }
        results = [found[key].result() for key in keys]
        if not any(isinstance(result, Answer) for result in results):
            raise most_specific_error([result for result in results if isinstance(result, SourceError)])
        return assemble(request, results)

    async def _one(self, params: dict[str, str], needed_from: datetime) -> Answer[MetNorwayHours] | SourceError:
        try:
            return await self._client.get_json(
                SOURCE,
                f"{self._base}/weatherapi/locationforecast/2.0/complete",
                params=params,
                read=partial(read_for, lat_deg=float(params["lat"]), lon_deg=float(params["lon"])),
                options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error, keep=True),
                doubt=partial(why_doubted, now_utc=needed_from),
            )
        except SourceError as exc:
            return exc


def place_params(lat_deg: float, lon_deg: float, road_elevation_m: float) -> dict[str, str]:
    """At most four decimals, and whole metres; a height that is not known is left to the service's own ground."""
    place = {"lat": f"{round(lat_deg, 4) + 0.0:.4f}", "lon": f"{round(lon_deg, 4) + 0.0:.4f}"}
    return place if np.isnan(road_elevation_m) else place | {"altitude": f"{round(road_elevation_m)}"}


def read_for(body: object, *, lat_deg: float, lon_deg: float) -> MetNorwayHours:
    """The answer for this place. Raises SourceChanged for another one's."""
    place = read_place(body)
    km = apart_km(place.lat_deg, place.lon_deg, lat_deg, lon_deg)
    if not km <= MAX_ECHO_KM:
        raise SourceChanged(
            SOURCE, f"answered for {place.lat_deg:.2f}, {place.lon_deg:.2f}, {km:.0f} km from the place asked"
        )
    return place


def interpret_error(status: int, problem: object) -> SourceError | None:
    """What an error answer means for the next call; bodies are HTML or nothing. None: as the HTTP status says."""
    match status:
        case 422:
            return OutsideArea(SOURCE, "has no forecast there (HTTP 422)")
        case 400:
            return SourceError(SOURCE, "does not understand the question (HTTP 400)")
        case 403:
            return SourceDown(
                SOURCE, "refuses us (HTTP 403); see that operator.contact is true", retry_after_s=REFUSED_WAIT_S
            )
        case 429:
            return SourceDown(SOURCE, "asks us to slow down (HTTP 429)", retryable=True, retry_after_s=SLOWER_WAIT_S)
    return None


def assemble(request: ForecastRequest, results: Sequence[Answer[MetNorwayHours] | SourceError]) -> Forecast:
    """One Forecast over the window of the ask; a place without an answer is NaN and outside or named in a Gap."""
    start, hours = window(request)
    shape = (1, len(results), hours)
    arrays: dict[str, Any] = {name: np.full(shape, np.nan) for name in FIELDS}
    elevation_m = np.full(len(results), np.nan)
    sd_c = np.full(shape[1:], np.nan)
    notes: dict[str, list[int]] = {}
    used, outside = [], []
    for i, result in enumerate(results):
        if isinstance(result, OutsideArea):
            outside.append(i)
            continue
        if isinstance(result, SourceError):
            notes.setdefault(result.problem, []).append(i)
            continue
        used.append(result)
        place = result.value
        elevation_m[i] = place.elevation_m
        shift = round((place.start - start) / timedelta(hours=1))
        for name, array in arrays.items():
            raw = place.fields[name]
            first, last = max(shift, 0), min(shift + raw.size, hours)
            if first < last:
                array[0, i, first:last] = raw[first - shift : last - shift]
        first, last = max(shift, 0), min(shift + place.air_temp_sd_c.size, hours)
        if first < last:
            sd_c[i, first:last] = place.air_temp_sd_c[first - shift : last - shift]
        for note in doubts(request, i, result):
            notes.setdefault(note, []).append(i)
    unknown = np.full(shape, np.nan)
    return Forecast(
        provider=SOURCE, licence=LICENCE, start=start, issue_every_h=ISSUE_EVERY_H,
        issued_at=min(answer.value.updated_at for answer in used),
        fetched_at=min(answer.fetched_at for answer in used),
        lat_deg=request.lat_deg.copy(), lon_deg=request.lon_deg.copy(), elevation_m=elevation_m,
        pressure_hpa=unknown, shortwave_wm2=unknown.copy(), freezing_level_m=unknown.copy(),
        snow_level_m=unknown.copy(), visibility_m=unknown.copy(), precip_form=np.zeros(shape, dtype=np.int8),
        gaps=tuple(Gap(cell_idx=tuple(cells), reason=f"{SOURCE}: {note}") for note, cells in notes.items()),
        outside=tuple(outside), served_stale=any(answer.stale for answer in used),
        air_temp_sd_c=sd_c if np.isfinite(sd_c).any() else None,
        **arrays,
    )  # fmt: skip


def doubts(request: ForecastRequest, cell: int, answer: Answer[MetNorwayHours]) -> list[str]:
    """Why a readable answer should not be taken as whole and fresh."""
    place, found, asked_m = answer.value, [], round_or_nan(float(request.road_elevation_m[cell]))
    if answer.stale:
        found.append(answer.not_refreshed)
    if np.isnan(place.elevation_m):
        found.append("does not say for which height its temperature is")
    elif abs(place.elevation_m - asked_m) > SAME_HEIGHT_M:
        found.append("forecasts for another height than the road's; temperature is moved to the road by us")
    if np.isnan(place.fields["air_temp_c"]).all() or np.isnan(place.fields["precip_mmwe_h"]).all():
        found.append("no temperature or no precipitation in its answer")
    return found


def round_or_nan(value: float) -> float:
    return value if np.isnan(value) else float(round(value))


class MetNorwayKeys(FileModel):
    """Keys of [forecast]."""

    met_norway_url: str = "https://api.met.no"


SPEC: Final = ProviderSpec(
    name="met-norway",
    settings_model=MetNorwayKeys,
    url_key="met_norway_url",
    open=lambda inputs: MetNorway(inputs.client, inputs.settings.met_norway_url),
)

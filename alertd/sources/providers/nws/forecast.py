"""The US National Weather Service (api.weather.gov): points to cells, cells to a Forecast.

Free for any use, no key; asks for identification, which the client sends. Cells are 2.5 km wide and edited by
forecasters; their grid is realigned without notice, so a mapping is asked again when a cell turns out wrong. A cell
that fails while its neighbour answers takes the neighbour's forecast, which is said.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

import numpy as np

from alertd.errors import OutsideArea, SourceChanged, SourceDown, SourceError
from alertd.forecast.model import Forecast, Gap
from alertd.forecast.provider import ForecastRequest, window
from alertd.sources.files.toml import FileModel
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions, most_specific_error
from alertd.sources.http.errors import NoDataForLocation
from alertd.sources.http.validation import AnswerModel, validated
from alertd.sources.provider_spec import ProviderSpec
from alertd.sources.providers.nws.grid import SOURCE, GridCell, last_token, read_grid, why_doubted

LICENCE = "US National Weather Service, public domain"
OLD_H = 12.0  # a content network once served grids 88 h old with fresh headers: believe updateTime, not headers
POINT_LIFE_S = 86_400.0
GRID_LIFE_S = 1200.0
OUTAGE_WAIT_S = 3600.0  # an expired grid is an office outage of hours to days
NEIGHBOUR_SLACK = 2.1  # a place in the next cell is at most three half widths from the middle of this one
BUSY_WAIT_S = 120.0  # "service unavailable" was seen to last 10 to 15 minutes


class NotCovered(SourceError):
    """The service has no land forecast for this place or cell, though the place may lie in its area."""


class _PointProperties(AnswerModel):
    gridId: str | None = None
    gridX: int | None = None
    gridY: int | None = None


class _Point(AnswerModel):
    properties: _PointProperties


class Nws:
    """ForecastProvider over /points and /gridpoints. Raises SourceError only when no cell at all could be read."""

    name = SOURCE

    def __init__(self, client: JsonClient, base_url: str = "https://api.weather.gov") -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def fetch(self, request: ForecastRequest) -> Forecast:
        start, hours = window(request)
        places = [point_text(lat, lon) for lat, lon in zip(request.lat_deg, request.lon_deg, strict=True)]
        cells: dict[str, asyncio.Task[Answer[GridCell] | SourceError]] = {}
        cell_of: dict[str, str] = {}
        async with asyncio.TaskGroup() as group:

            async def grid(place: str, cell: str) -> Answer[GridCell]:
                """The cell's answer, asked for once for all places in it."""
                cell_of[place] = cell
                if cell not in cells:
                    cells[cell] = group.create_task(self._grid(cell, _place(place), start, hours, request.now_utc))
                answer = await cells[cell]
                if isinstance(answer, SourceError):
                    raise answer
                return answer

            found = {place: group.create_task(self._one(place, grid)) for place in dict.fromkeys(places)}
        raw = {cell: task.result() for cell, task in cells.items()}
        good = {cell: answer for cell, answer in raw.items() if isinstance(answer, Answer)}
        results: list[Answer[GridCell] | SourceError] = []
        lent: dict[int, str] = {}
        for i, place in enumerate(places):
            result, cell = found[place].result(), cell_of.get(place, "")
            failed = raw.get(cell)
            if isinstance(failed, SourceDown | SourceChanged):
                lender = neighbour(cell, good)
                if lender is not None and good[lender].value.contains(*_place(place), slack=NEIGHBOUR_SLACK):
                    lent[i] = f"cell {cell} failed ({failed.problem}); its neighbour {lender} stands in"
                    result = good[lender]
            results.append(result)
        if not any(isinstance(result, Answer) for result in results):
            raise most_specific_error([result for result in results if isinstance(result, SourceError)])
        return assemble(request, start, hours, results, lent)

    async def _one(
        self, place: str, grid: Callable[[str, str], Awaitable[Answer[GridCell]]]
    ) -> Answer[GridCell] | SourceError:
        lat_deg, lon_deg = _place(place)
        try:
            cell = await self._resolve(place, refresh=False)
            try:
                answer = await grid(place, cell)
                if answer.value.contains(lat_deg, lon_deg):
                    return answer
            except NotCovered:
                pass
            # The stored mapping may be from before a realignment: ask once more.
            cell = await self._resolve(place, refresh=True)
            answer = await grid(place, cell)
            if answer.value.contains(lat_deg, lon_deg):
                return answer
            return SourceChanged(SOURCE, f"cell {cell} lies elsewhere than the place it was given for")
        except SourceError as exc:
            return exc

    async def _resolve(self, place: str, *, refresh: bool) -> str:
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/points/{place}", read=read_point,
            options=RequestOptions(default_life_s=POINT_LIFE_S, interpret_error=interpret_error, refresh=refresh),
        )  # fmt: skip
        return answer.value

    async def _grid(
        self, cell: str, place: tuple[float, float], start: datetime, hours: int, now_utc: datetime
    ) -> Answer[GridCell] | SourceError:
        def read(body: object) -> GridCell:
            found = read_grid(body, start=start, hours=hours, now_utc=now_utc)
            if found.name != cell:
                raise NotCovered(SOURCE, f"answered cell {found.name} where {cell} was asked")
            return found

        office = cell.split("/")[0]
        try:
            return await self._client.get_json(
                SOURCE,
                f"{self._base}/gridpoints/{cell}",
                read=read,
                options=RequestOptions(
                    default_life_s=GRID_LIFE_S,
                    interpret_error=lambda status, problem: interpret_error(status, problem, office),
                ),
                doubt=partial(why_doubted, place=place, now_utc=min(now_utc, start + timedelta(hours=hours - 1))),
            )
        except SourceError as exc:
            return exc


def point_text(lat_deg: float, lon_deg: float) -> str:
    """Latitude and longitude as the service wants them: at most 4 decimals, no trailing zeros (else 301)."""
    rounded = (round(float(value), 4) + 0.0 for value in (lat_deg, lon_deg))  # + 0.0 turns -0.0 into 0.0
    return ",".join(f"{value:.4f}".rstrip("0").rstrip(".") for value in rounded)


def read_point(body: object) -> str:
    """The cell of a /points answer as "WFO/x,y". Raises NotCovered when the place has none."""
    p = validated(SOURCE, _Point, body).properties
    if p.gridId is None or p.gridX is None or p.gridY is None:
        raise NotCovered(SOURCE, "this place has no forecast grid")
    return f"{p.gridId}/{p.gridX},{p.gridY}"


def _place(text: str) -> tuple[float, float]:
    lat, _, lon = text.partition(",")
    return float(lat), float(lon)


def neighbour(cell: str, among: Mapping[str, object]) -> str | None:
    """The cell of the same office that touches this one, rather at an edge than at a corner; None if there is none."""
    office, x, y = _parts(cell)
    near = []
    for other in among:
        office2, x2, y2 = _parts(other)
        if office2 == office and max(abs(x2 - x), abs(y2 - y)) == 1:
            near.append((abs(x2 - x) + abs(y2 - y), other))
    return min(near)[1] if near else None


def _parts(cell: str) -> tuple[str, int, int]:
    office, _, place = cell.partition("/")
    x, _, y = place.partition(",")
    return office, int(x), int(y)


def interpret_error(status: int, problem: object, office: str = "") -> SourceError | None:
    """What a problem document (RFC 9457) means for the next call. None: as the HTTP status says.

    office: whose grid was asked for. It is named where it has none for now, which lasts hours to days.
    """
    if not isinstance(problem, Mapping):
        return None
    name = last_token(problem)
    detail = str(problem.get("detail") or problem.get("title") or name)
    match name:
        case "InvalidPoint":
            return OutsideArea(SOURCE, f"has no forecast there ({name}: {detail})")
        case "InvalidGridpoint" | "MarineForecastNotSupported" | "NotFound":
            return NotCovered(SOURCE, f"no forecast there ({name}: {detail})")
        case "ForecastGridExpired" | "ForecastMissingData":
            missing = f"NWS missing for office {office}: {detail}" if office else detail
            return NoDataForLocation(SOURCE, missing, retryable=True, retry_after_s=OUTAGE_WAIT_S)
        case "ServiceUnavailable" | "UnavailableWebService":
            return SourceDown(SOURCE, detail, retryable=True, retry_after_s=BUSY_WAIT_S)
    return None


def assemble(
    request: ForecastRequest,
    start: datetime,
    hours: int,
    results: Sequence[Answer[GridCell] | SourceError],
    lent: Mapping[int, str],
) -> Forecast:
    """One Forecast over the places of the ask; a place without a usable cell is NaN and outside or named in a Gap.

    lent: why the cell of a place is not its own.
    """
    shape = (1, len(results), hours)
    arrays: dict[str, Any] = {name: np.full(shape, np.nan) for name in _FROM_CELL}
    form = np.zeros(shape, dtype=np.int8)
    obscured = np.zeros(shape[1:], dtype=np.int8)
    elevation_m = np.full(len(results), np.nan)
    notes: dict[str, list[int]] = {}
    for i, why in lent.items():
        notes.setdefault(why, []).append(i)
    used, outside = [], []
    for i, result in enumerate(results):
        if isinstance(result, OutsideArea):
            outside.append(i)
            continue
        if isinstance(result, SourceError):
            notes.setdefault(result.problem, []).append(i)
            continue
        cell = result.value
        used.append(result)
        for name, array in arrays.items():
            array[0, i] = cell.water_mmwe_h() if name == "precip_mmwe_h" else getattr(cell, name)
        form[0, i], elevation_m[i], obscured[i] = cell.precip_form, cell.elevation_m, cell.obscured
        for note in doubts(result, request.now_utc):
            notes.setdefault(note, []).append(i)
    unknown = np.full(shape, np.nan)
    old = any(age_h(answer.value, request.now_utc) > OLD_H for answer in used)
    return Forecast(
        provider=SOURCE, licence=LICENCE, start=start,
        issued_at=min((a.value.updated_at for a in used), default=None),
        fetched_at=min((a.fetched_at for a in used), default=request.now_utc),
        lat_deg=request.lat_deg.copy(), lon_deg=request.lon_deg.copy(), elevation_m=elevation_m,
        pressure_hpa=unknown, shortwave_wm2=unknown.copy(), freezing_level_m=unknown.copy(), precip_form=form,
        gaps=tuple(Gap(cell_idx=tuple(cells), reason=f"{SOURCE}: {note}") for note, cells in notes.items()),
        served_stale=old or any(a.stale for a in used), outside=tuple(outside), obscured=obscured,
        **arrays,
    )  # fmt: skip


_FROM_CELL = (
    "air_temp_c", "rh_frac", "wind_mps", "cloud_frac", "precip_mmwe_h", "precip_prob_frac", "snow_level_m",
    "gust_mps", "visibility_m",
)  # fmt: skip


def age_h(cell: GridCell, now_utc: datetime) -> float:
    return (now_utc - cell.updated_at).total_seconds() / 3600.0


def doubts(answer: Answer[GridCell], now_utc: datetime) -> list[str]:
    """Why a readable cell should not be taken as fresh."""
    cell, found = answer.value, []
    age = age_h(cell, now_utc)
    office = cell.name.split("/")[0]
    if age > OLD_H:
        found.append(f"grid of office {office} is {age:.0f} h old")
    if age < -1.0:
        found.append(f"grid of office {office} claims to be issued in the future")
    if answer.stale:
        found.append(answer.not_refreshed)
    found += cell.lost
    if np.isnan(cell.precip_mmwe_h).all() or np.isnan(cell.air_temp_c).all():
        found.append("no precipitation or no temperature in the window asked")
    return found


class NwsKeys(FileModel):
    """Keys of [forecast]. Alerts, zones and stations of the service have the same address."""

    nws_url: str = "https://api.weather.gov"


SPEC: Final = ProviderSpec(
    name="nws",
    settings_model=NwsKeys,
    url_key="nws_url",
    open=lambda inputs: Nws(inputs.client, inputs.settings.nws_url),
)

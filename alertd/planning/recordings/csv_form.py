"""Reads an archive as two CSV files: forecasts.csv and observations.csv. The guide describes their columns."""

import csv
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from alertd.errors import InputError
from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.forecast.road_observations import RoadReport, SurfaceState
from alertd.planning.recordings.archived_run import Archived, ArchivedRun, Place
from alertd.planning.weather import SPIN_UP
from alertd.sources.files.toml import read_text

FORECASTS, OBSERVATIONS = "forecasts.csv", "observations.csv"
MOST_HOURS: Final = 400  # of one forecast
LICENCE: Final = "as the archive's owner states"
CODED_MMWE_H: Final = 0.5  # [A] rain or snow without an amount
_UNKNOWN: Final = float("nan")

# Column -> lowest and highest value that can be true.
_PLACE: Final = {"lat_deg": (-90.0, 90.0), "lon_deg": (-180.0, 180.0)}
_WEATHER: Final = {
    "air_temp_c": (-70.0, 60.0),
    "rh_percent": (0.0, 110.0),
    "wind_mps": (0.0, 115.0),
    "precip_mmwe_h": (0.0, 200.0),
    "cloud_percent": (0.0, 100.0),
    "precip_prob_percent": (0.0, 100.0),
    "pressure_hpa": (400.0, 1100.0),
    "shortwave_wm2": (0.0, 1500.0),
    "freezing_level_m": (-500.0, 9000.0),
    "snow_level_m": (-500.0, 9000.0),
}
_HEIGHTS: Final = {"road_elevation_m": (-500.0, 6000.0), "elevation_m": (-500.0, 9000.0)}
_FORECAST: Final = {**_PLACE, **_HEIGHTS, **_WEATHER}
_FORECAST_NEEDED: Final = (
    "place", "lat_deg", "lon_deg", "road_elevation_m", "source", "issued_utc", "hour_utc", "air_temp_c", "rh_percent",
    "wind_mps", "precip_mmwe_h",
)  # fmt: skip
_OBSERVED: Final = {
    **_PLACE,
    "elevation_m": (-500.0, 9000.0),
    "air_temp_c": (-70.0, 60.0),
    "rh_percent": (0.0, 110.0),
    "wind_mps": (0.0, 115.0),
    "precip_last_hour_mmwe": (0.0, 200.0),
    "road_temp_c": (-60.0, 80.0),
}
_OBSERVED_NEEDED: Final = ("station", "lat_deg", "lon_deg", "elevation_m", "time_utc")
_TEXTS: Final = ("place", "source", "issued_utc", "hour_utc", "station", "time_utc", "weather", "road_state")
_PERCENT: Final = {"rh_percent": "rh_frac", "cloud_percent": "cloud_frac", "precip_prob_percent": "precip_prob_frac"}


def is_csv_form(folder: Path) -> bool:
    """Whether the folder holds either file of this form."""
    return any((folder / name).exists() for name in (FORECASTS, OBSERVATIONS))


def read_csv_form(folder: Path) -> Archived:
    """The archive. Raises InputError with the file, line and column of the first error."""
    reports: list[StationReport] = []
    surfaces: list[RoadReport] = []
    for row in _rows(folder / OBSERVATIONS, _OBSERVED_NEEDED, _OBSERVED):
        report, surface = _observed(row)
        reports.append(report)
        surfaces += [surface] if surface is not None else []
    runs = _runs(folder / FORECASTS)
    return Archived(
        runs=iter(runs),
        reports=tuple(sorted(reports, key=lambda r: r.observed_at)),
        surfaces=tuple(sorted(surfaces, key=lambda r: r.observed_at)),
    )


class _Row:
    """One line, with the place of its errors."""

    def __init__(self, where: str, cells: Mapping[str, str], bounds: Mapping[str, tuple[float, float]]) -> None:
        self.where, self._cells, self._bounds = where, cells, bounds

    def text(self, name: str) -> str:
        return self._cells.get(name, "").strip()

    def required(self, name: str) -> str:
        value = self.text(name)
        if not value:
            raise self.error(name, "is empty", "write a value, or leave the line out")
        return value

    def number(self, name: str) -> float:
        """NaN for an empty cell."""
        text = self.text(name)
        if not text:
            return _UNKNOWN
        low, high = self._bounds[name]
        try:
            value = float(text)
        except ValueError:
            value = _UNKNOWN
        if not low <= value <= high:
            raise self.error(name, f'"{text[:40]}" is wrong', f"write a number from {low:g} to {high:g}, or nothing")
        return value

    def time(self, name: str) -> datetime:
        text = self.required(name)
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            when = None
        if when is None or when.utcoffset() is None:
            raise self.error(name, f'"{text[:40]}" is no time', "write a time with its offset, as 2027-01-14T06:00Z")
        return when.astimezone(UTC)

    def error(self, name: str, problem: str, hint: str) -> InputError:
        return InputError(self.where, name, problem, hint)


def _rows(path: Path, needed: tuple[str, ...], bounds: Mapping[str, tuple[float, float]]) -> Iterator[_Row]:
    where = str(path)
    if not path.is_file():
        raise InputError(where, "", "no such file", "add it; the guide describes both files of an archive")
    reader = csv.DictReader(read_text(path, where, InputError).splitlines(), strict=True)
    try:
        columns = [name.strip() for name in reader.fieldnames or ()]
        reader.fieldnames = columns
        for name in needed:
            if name not in columns:
                raise InputError(where, name, "this column is missing", "add it to the first line")
        for name in columns:
            if name not in bounds and name not in _TEXTS:
                known = ", ".join(sorted({*bounds, *needed}))
                raise InputError(where, name or '""', "this column is not known", f"known columns are {known}")
        for cells in reader:
            line = f"{where} line {reader.line_num}"
            if None in cells or None in cells.values():
                raise InputError(line, "", f"does not have {len(columns)} cells", "write one cell for each column")
            yield _Row(line, cells, bounds)
    except csv.Error as exc:
        raise InputError(f"{where} line {reader.line_num}", "", f"is not CSV ({exc})", "correct its quotes") from exc


def _runs(path: Path) -> list[ArchivedRun]:
    """One run for each place and time of issue; several sources of the same issue are pooled as in a plan."""
    found: dict[tuple[datetime, str], dict[str, dict[datetime, _Row]]] = {}
    places: dict[str, Place] = {}
    for row in _rows(path, _FORECAST_NEEDED, _FORECAST):
        name, issued, hour = row.required("place"), row.time("issued_utc"), row.time("hour_utc")
        if hour.minute or hour.second:
            raise row.error("hour_utc", "is not a whole hour", "write the hour's start, as 2027-01-14T06:00Z")
        place = _place(row, name)
        if places.setdefault(name, place) != place:
            raise row.error("place", f'"{name}" has two positions or heights', "give each place a name of its own")
        hours = found.setdefault((issued, name), {}).setdefault(row.required("source"), {})
        if hour in hours:
            raise row.error("hour_utc", "is there twice for this place, source and issue", "keep one of them")
        hours[hour] = row
    return [
        ArchivedRun(
            place=places[name],
            made_at=issued,
            forecasts=tuple(_forecast(source, issued, rows) for source, rows in sources.items()),
        )
        for (issued, name), sources in sorted(found.items(), key=lambda item: item[0])
    ]


def _place(row: _Row, name: str) -> Place:
    lat, lon, height = (row.number(n) for n in ("lat_deg", "lon_deg", "road_elevation_m"))
    for field, value in (("lat_deg", lat), ("lon_deg", lon), ("road_elevation_m", height)):
        if np.isnan(value):
            row.required(field)
    return Place(name=name, lat_deg=lat, lon_deg=lon, elevation_m=height)


def _forecast(source: str, issued: datetime, rows: Mapping[datetime, _Row]) -> Forecast:
    """The hours of one source and issue, and unknown past hours before them."""
    start = min(min(rows), (issued - SPIN_UP).replace(minute=0, second=0, microsecond=0))
    hours = round((max(rows) - start) / timedelta(hours=1)) + 1
    first = rows[min(rows)]
    if hours > MOST_HOURS:
        raise first.error("hour_utc", f"this forecast spans {hours} hours", f"keep {MOST_HOURS} or fewer")
    values: dict[str, Any] = {n: np.full((1, 1, hours), np.nan) for n in WEATHER_FIELDS if n != "precip_form"}
    for hour, row in rows.items():
        at = round((hour - start) / timedelta(hours=1))
        for name in _WEATHER:
            scale = 0.01 if name in _PERCENT else 1.0
            values[_PERCENT.get(name, name)][0, 0, at] = scale * row.number(name)
    values["rh_frac"] = np.minimum(values["rh_frac"], 1.0)
    return Forecast(
        provider=source,
        licence=LICENCE,
        issued_at=issued,
        fetched_at=issued,
        start=start,
        lat_deg=np.array([first.number("lat_deg")]),
        lon_deg=np.array([first.number("lon_deg")]),
        elevation_m=np.array([first.number("elevation_m")]),
        precip_form=np.zeros((1, 1, hours), dtype=np.int8),
        **values,
    )


def _observed(row: _Row) -> tuple[StationReport, RoadReport | None]:
    for name in ("lat_deg", "lon_deg", "elevation_m"):
        row.required(name)
    station = Station(
        id=row.required("station"),
        lat_deg=row.number("lat_deg"),
        lon_deg=row.number("lon_deg"),
        elevation_m=row.number("elevation_m"),
    )
    at, weather = row.time("time_utc"), _weather(row)
    air, wind, rh = row.number("air_temp_c"), row.number("wind_mps"), 0.01 * row.number("rh_percent")
    report = StationReport(
        station=station,
        source="archive",
        observed_at=at,
        air_temp_c=air,
        dew_point_c=_UNKNOWN,
        rh_frac=min(rh, 1.0) if rh == rh else _UNKNOWN,
        wind_mps=wind,
        gust_mps=_UNKNOWN,
        wind_from_deg=_UNKNOWN,
        visibility_m=_UNKNOWN,
        precip_last_hour_mmwe=row.number("precip_last_hour_mmwe"),
        weather=weather,
        raw="",
        coded_rate_mmwe_h=_UNKNOWN if weather is None else CODED_MMWE_H if weather else 0.0,
    )
    text, road_temp = row.text("road_state"), row.number("road_temp_c")
    if not text and np.isnan(road_temp):
        return report, None
    states = {s.value: s for s in SurfaceState if s.value}
    if text and text not in states:
        raise row.error("road_state", f'"{text[:40]}" is not known', f"write one of {', '.join(states)}, or nothing")
    surface = RoadReport(
        station=station,
        name=station.id,
        source="archive",
        licence=LICENCE,
        observed_at=at,
        surface_temp_c=road_temp,
        state=states.get(text, SurfaceState.UNKNOWN),
    )
    return report, surface


def _weather(row: _Row) -> tuple[Phenomenon, ...] | None:
    """None for an empty cell: the station does not report the weather."""
    text = row.text("weather").lower()
    if not text:
        return None
    if text == "none":
        return ()
    known = {p.value: p for p in Phenomenon}
    parts = [part.strip() for part in text.split("+")]
    for part in parts:
        if part not in known:
            hint = f'write "none", or one or more of {", ".join(known)} with + between them'
            raise row.error("weather", f'"{part[:40]}" is not known', hint)
    return tuple(known[part] for part in parts)

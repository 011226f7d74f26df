"""Trips as dispatch gives them: a CSV or JSON file, or one request; departures must say their zone."""

import csv
import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, field_validator, model_validator

from alertd.errors import InputError
from alertd.sources.files.toml import FieldError, FileModel, read_text, validate_row

_NUMBERS = ("drive_hours_used", "driven_since_break_h", "cycle_hours_used", "cycle_limit_h")
_LINES_OF_A_ROW = 20  # a note in quotes may have line breaks; more lines than this are quotes that were not closed
_EXAMPLE = "2027-01-14T04:45:00-07:00"


def _either_route(schema: dict[str, Any]) -> None:
    """A trip names a route, or several in its place."""
    schema["required"].remove("route")
    schema["anyOf"] = [{"required": ["route"]}, {"required": ["routes"]}]


_Route = Annotated[str, Field(min_length=1, max_length=200)]


class TripRequest(FileModel):
    """One trip. `route` is a GPX file of the routes folder, `rig` a rig file's name without its ending.

    `language` is the driver's, for the driver's texts; left out, the operator's `driver_language`.

    `routes` in its place names several: the first is planned, the others are compared with it until departure.

    Hours left out are "not given": they count from departure only, and the plan says so. `cycle_hours_used` are those
    on duty in the last 7 or 8 days, against `cycle_limit_h`, 60 or 70 (49 CFR 395.3(b)).
    """

    model_config = ConfigDict(json_schema_extra=_either_route)

    id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$", examples=["T-1041"])
    route: _Route = Field(examples=["i90-west.gpx"])
    rig: str = Field(min_length=1, max_length=100, examples=["tractor-17"])
    depart: str = Field(examples=[_EXAMPLE])
    driver: str = Field("", max_length=80)
    dispatcher: str = Field("", max_length=80)
    language: Literal["", "en", "es", "fr"] = ""
    drive_hours_used: float | None = Field(None, ge=0, le=24)
    driven_since_break_h: float | None = Field(None, ge=0, le=24)
    on_duty_since: str = Field("", examples=["2027-01-14T03:30:00-07:00"])
    cycle_hours_used: float | None = Field(None, ge=0, le=168)
    cycle_limit_h: Literal[60, 70] = 70
    routes: list[_Route] = Field(default_factory=list, max_length=4, examples=[["i90-west.gpx", "us12-west.gpx"]])

    @model_validator(mode="before")
    @classmethod
    def _first_is_planned(cls, row: Any) -> Any:
        if isinstance(row, dict) and "route" not in row and isinstance(row.get("routes"), list) and row["routes"]:
            return {**row, "route": row["routes"][0]}
        return row

    @model_validator(mode="after")
    def _ways_differ(self) -> "TripRequest":
        if self.routes and self.routes[0] != self.route:
            raise FieldError(
                "routes", f'begins with "{self.routes[0]}", not with route', "name the planned route first"
            )
        if len(set(self.routes)) < len(self.routes):
            raise FieldError("routes", "names a route twice", "name each once")
        return self

    @field_validator("depart")
    @classmethod
    def _has_zone(cls, value: str) -> str:
        return parse_departure(value).isoformat()

    @field_validator("on_duty_since")
    @classmethod
    def _duty_has_zone(cls, value: str) -> str:
        return parse_departure(value).isoformat() if value else ""

    @field_validator("route", "routes", "rig", "driver", "dispatcher")
    @classmethod
    def _one_line(cls, value: str | list[str]) -> str | list[str]:
        if not "".join(value).isprintable():
            raise ValueError("has a line break or control character; write a name on one line")
        return value

    @property
    def other_routes(self) -> tuple[str, ...]:
        """The routes to compare with the planned one."""
        return tuple(self.routes[1:])

    @property
    def depart_at(self) -> datetime:
        return datetime.fromisoformat(self.depart)

    @property
    def duty_began_at(self) -> datetime | None:
        return datetime.fromisoformat(self.on_duty_since) if self.on_duty_since else None


def parse_departure(text: str) -> datetime:
    """An aware departure. Raises ValueError("problem; mend")."""
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f'"{text}" is not a date and time; write e.g. {_EXAMPLE}') from None
    if when.utcoffset() is None:
        raise ValueError(f'"{text}" does not say its zone; add the offset from UTC, e.g. {_EXAMPLE}')
    try:
        when.astimezone(UTC)
    except OverflowError:
        raise ValueError(f'"{text}" lies outside the calendar; write e.g. {_EXAMPLE}') from None
    return when


@dataclass(frozen=True, slots=True, kw_only=True)
class BadRow:
    """A row that is no trip. `label`: where it is in the file; `trip_id`: the id it names, "" where it names none.

    `content` identifies what the row holds, wherever in the file it is.
    """

    label: str
    trip_id: str
    content: str
    mistake: InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class _Broken:
    """A line that cannot be split into cells; `trip_id` is what stands where the id should."""

    line: str
    trip_id: str
    mistake: InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class TripsFile:
    """The trips of a file, in its order, the rows that are none, and the columns or keys that mean nothing here."""

    trips: tuple[TripRequest, ...]
    bad: tuple[BadRow, ...] = ()
    ignored: tuple[str, ...] = ()

    @property
    def ignored_words(self) -> str:
        """The ignored columns, each with the known name that is nearest to it; "" for none."""
        known = list(TripRequest.model_fields)
        near = ((name, get_close_matches(name, known, 1, cutoff=0.8)) for name in self.ignored)
        return ", ".join(f"{name} (write {found[0]}?)" if found else name for name, found in near)


def read_trips_file(path: Path) -> TripsFile:
    """Read a CSV or JSON file row by row: a bad row costs itself only.

    Rows that give one id different contents are all bad. Raises InputError where the file as a whole cannot be read.
    """
    text = read_text(path, path.name, InputError)
    if path.suffix.lower() == ".json":
        rows, columns = _json_rows(text, path.name), list[str]()
    else:
        rows, columns = _csv_rows(text, path.name)
    known = TripRequest.model_fields.keys()
    trips: dict[str, tuple[str, Any, TripRequest]] = {}
    bad: list[BadRow] = []
    ignored = dict.fromkeys(name for name in columns if name and name not in known)
    clashing: set[str] = set()
    for label, row in rows:
        where = f"{path.name} {label}"
        if isinstance(row, _Broken):
            bad.append(_bad(label, {"id": row.trip_id, "line": row.line}, row.mistake))
            continue
        if isinstance(row, dict):
            ignored |= dict.fromkeys(str(name) for name in row if name not in known)
        try:
            trip = parse_trip({k: v for k, v in row.items() if k in known} if isinstance(row, dict) else row, where)
        except InputError as exc:
            bad.append(_bad(label, row, exc))
            continue
        if trip.id not in trips:
            trips[trip.id] = (label, row, trip)
            continue
        twice = InputError(where, "id", f'"{trip.id}" stands there twice', "give each trip an id of its own")
        bad.append(_bad(label, row, twice))
        if trip != trips[trip.id][2]:
            clashing.add(trip.id)
    for id_ in clashing:
        label, row, _ = trips.pop(id_)
        problem = f'"{id_}" stands there twice, with different contents'
        twice = InputError(f"{path.name} {label}", "id", problem, "give each trip an id of its own")
        bad.append(_bad(label, row, twice))
    return TripsFile(trips=tuple(trip for _, _, trip in trips.values()), bad=tuple(bad), ignored=tuple(ignored))


def read_trips(path: Path) -> tuple[TripRequest, ...]:
    """Every trip of a file without a bad row. Raises InputError for the first mistake."""
    file = read_trips_file(path)
    if file.bad:
        raise file.bad[0].mistake
    return file.trips


def _bad(label: str, row: Any, mistake: InputError) -> BadRow:
    held = json.dumps(row, sort_keys=True, default=str)
    named = row.get("id") if isinstance(row, dict) else None
    return BadRow(
        label=label,
        trip_id=named if isinstance(named, str) else "",
        content=hashlib.sha256(held.encode("utf-8", "replace")).hexdigest()[:32],
        mistake=mistake,
    )


def parse_trip(row: Any, where: str) -> TripRequest:
    """One trip from plain values. Raises InputError naming `where`, the field, what is wrong and the mend."""
    return validate_row(row, TripRequest, where, 'write {"id": "T-1", "route": "...", ...}')


def _json_rows(text: str, where: str) -> list[tuple[str, Any]]:
    try:
        rows = json.loads(text)
    except ValueError as exc:
        raise InputError(where, "", f"is not JSON ({exc})", "mend that place") from exc
    except RecursionError as exc:
        raise InputError(where, "", "is nested too deep to be trips", "write a flat list of trips") from exc
    if not isinstance(rows, list):
        raise InputError(where, "", "holds no list of trips", 'write [{"id": "T-1", ...}, ...]')
    return [(f"trip {n}", row) for n, row in enumerate(rows, start=1)]


def _csv_rows(text: str, where: str) -> tuple[list[tuple[str, Any]], list[str]]:
    """The rows, each with its place, and the columns. An empty cell is a key left out.

    CSV cells are text; numbers and lists ("a;b") are read here. In place of a row, `_Broken` is a line that is not CSV.
    """
    lines = text.split("\n")
    heading = next((n for n, line in enumerate(lines) if line.strip()), None)
    if heading is None:
        raise InputError(where, "", "is empty", "write the heading " + ",".join(TripRequest.model_fields))
    columns = [name.strip() for name in _cells(lines[heading : heading + 1], where, heading + 1)]
    _check_columns(columns, where)
    rows: list[tuple[str, Any]] = []
    n = heading + 1
    while n < len(lines):
        if not lines[n].strip():
            n += 1
            continue
        taken_n, row = _csv_row(lines[n : n + _LINES_OF_A_ROW], columns, where, n + 1)
        n += taken_n
        rows.append((f"line {n}", row))
    return rows, columns


def _csv_row(lines: Sequence[str], columns: Sequence[str], where: str, number: int) -> tuple[int, Any]:
    """The row that begins with the first of `lines`, and how many lines it takes.

    A cell in quotes may hold line breaks (RFC 4180). Quotes that are never closed must not swallow the rows behind, so
    more than one line is taken only where that makes a row with a cell for each column.
    """
    mistakes: list[InputError] = []

    def broken(why: InputError) -> _Broken:
        cells = dict(zip(columns, lines[0].split(","), strict=False))
        return _Broken(line=lines[0], trip_id=cells.get("id", "").strip(' "'), mistake=why)

    for taken_n in range(1, len(lines) + 1):
        try:
            cells = _cells(lines[:taken_n], where, number)
        except InputError as exc:
            mistakes.append(exc)
            if '"' not in lines[0]:
                break
            continue
        if taken_n > 1 and len(cells) != len(columns):
            continue
        if len(cells) > len(columns):
            problem = f"has {len(cells)} cells, and the heading has {len(columns)} columns"
            mend = "put a text that has commas in it into double quotes"
            return taken_n, broken(InputError(f"{where} line {number}", "", problem, mend))
        return taken_n, _read_cells(dict(zip(columns, cells, strict=False)))
    return 1, broken(mistakes[0])


def _cells(lines: Sequence[str], where: str, number: int) -> list[str]:
    """The cells of one row. Raises InputError where it is not CSV."""
    try:
        found = list(csv.reader([line + "\n" for line in lines], strict=True))
        if len(found) != 1:
            raise csv.Error("quotes end before the row does")
    except csv.Error as exc:
        raise InputError(f"{where} line {number}", "", f"is not CSV ({exc})", "mend that line") from exc
    return found[0]


def _read_cells(cells: dict[str, Any]) -> dict[str, Any]:
    row = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    out: dict[str, Any] = dict(row)
    for name in _NUMBERS:
        if name in row:
            with suppress(ValueError):  # what is no number is told by the model, with its own words
                out[name] = int(row[name]) if name == "cycle_limit_h" else float(row[name])
    if "routes" in row:
        out["routes"] = [name.strip() for name in row["routes"].split(";")]
    return out


def _check_columns(columns: Sequence[str], where: str) -> None:
    """A file that lost its heading must not pass for a day without trips. Columns of other names are ignored."""
    for name, field in TripRequest.model_fields.items():
        if field.is_required() and name not in columns and not (name == "route" and "routes" in columns):
            mend = "write the heading " + ",".join(TripRequest.model_fields) + ", with commas between"
            raise InputError(where, name, "this column is missing", mend)
    for name in TripRequest.model_fields:
        if columns.count(name) > 1:
            raise InputError(where, name, "two columns have this name", "leave one of them out")

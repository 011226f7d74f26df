"""Parses trips: a CSV or JSON file, or one request; departures must have a UTC offset."""

import csv
import hashlib
import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import ConfigDict, Field, field_validator, model_validator

from alertd.errors import InputError
from alertd.sources.files.tables.forms import column_name, parse_number, read_table_text, separator_of
from alertd.sources.files.tables.local_times import complete_time
from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trip_parts import EXAMPLE, MOST_STOPS, StopRequest, parse_departure, read_stops_cell

_NUMBERS = (
    "drive_hours_used", "driven_since_break_h", "cycle_hours_used", "cycle_limit_h", "week_drive_hours_used",
    "fortnight_drive_hours_used", "short_rests_used", "long_days_used",
)  # fmt: skip
_WHOLE = ("cycle_limit_h", "short_rests_used", "long_days_used")
_LINES_OF_A_ROW = 20  # a quoted note may have line breaks; more lines than this mean an unclosed quote


def _either_route(schema: dict[str, Any]) -> None:
    """A trip has `route`, or `routes` instead."""
    schema["required"].remove("route")
    schema["anyOf"] = [{"required": ["route"]}, {"required": ["routes"]}]


_Route = Annotated[str, Field(min_length=1, max_length=200)]


class TripRequest(FileModel):
    """One trip. `route` is a GPX file of the routes folder, `rig` a rig file's name without its suffix.

    `language` is that of the driver's texts; by default the operator's `driver_language`.

    `routes` instead of `route` names several: the first is planned, the others are compared with it until departure.

    Omitted hours are "not given": they count from departure only, and the plan states it. `cycle_hours_used` are the
    hours on duty in the last 7 or 8 days, against `cycle_limit_h`, 60 or 70 (49 CFR 395.3(b)). `week_drive_hours_used`
    and `fortnight_drive_hours_used` are the hours driven in this week, and in this and the last; `short_rests_used` the
    rests of less than 11 h since the last weekly rest, `long_days_used` the days of more than 9 h of driving in this
    week, `weekly_rest_ended` the end of the last weekly rest and `weekly_rest_reduced` whether it was of less than 45 h
    (Regulation (EC) 561/2006, Articles 6 and 8).

    `deliver_from` and `deliver_by` are the hours in which the customer takes the load at the end of the route. `stops`
    are served on the way, in their order where the road of a route allows it, else in the order of the road.
    """

    model_config = ConfigDict(json_schema_extra=_either_route)

    id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$", examples=["T-1041"])
    route: _Route = Field(examples=["i90-west.gpx"])
    rig: str = Field(min_length=1, max_length=100, examples=["tractor-17"])
    depart: str = Field(examples=[EXAMPLE])
    driver: str = Field("", max_length=80)
    dispatcher: str = Field("", max_length=80)
    language: Literal["", "en", "es", "fr"] = ""
    drive_hours_used: float | None = Field(None, ge=0, le=24)
    driven_since_break_h: float | None = Field(None, ge=0, le=24)
    on_duty_since: str = Field("", examples=["2027-01-14T03:30:00-07:00"])
    cycle_hours_used: float | None = Field(None, ge=0, le=168)
    cycle_limit_h: Literal[60, 70] = 70
    week_drive_hours_used: float | None = Field(None, ge=0, le=56)
    fortnight_drive_hours_used: float | None = Field(None, ge=0, le=90)
    short_rests_used: int | None = Field(None, ge=0, le=3)
    long_days_used: int | None = Field(None, ge=0, le=2)
    weekly_rest_ended: str = Field("", examples=["2027-01-11T06:00:00+01:00"])
    weekly_rest_reduced: bool | None = None
    deliver_from: str = Field("", examples=["2027-01-16T06:00:00-08:00"])
    deliver_by: str = Field("", examples=["2027-01-16T14:00:00-08:00"])
    routes: list[_Route] = Field(default_factory=list, max_length=4, examples=[["i90-west.gpx", "us12-west.gpx"]])
    stops: list[StopRequest] = Field(default_factory=list, max_length=MOST_STOPS)

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

    @model_validator(mode="after")
    def _opens_before_it_closes(self) -> "TripRequest":
        opens, closes = self.delivery_opens_at, self.delivery_closes_at
        if opens is not None and closes is not None and closes <= opens:
            raise FieldError("deliver_by", "is not after deliver_from", "give the end of the delivery window")
        return self

    @field_validator("on_duty_since", "deliver_from", "deliver_by", "weekly_rest_ended")
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
        """Departure, aware, with the offset as given."""
        return datetime.fromisoformat(self.depart)

    @property
    def delivery_opens_at(self) -> datetime | None:
        """Start of the delivery window, aware; None if not given."""
        return datetime.fromisoformat(self.deliver_from) if self.deliver_from else None

    @property
    def delivery_closes_at(self) -> datetime | None:
        """End of the delivery window, aware; None if not given."""
        return datetime.fromisoformat(self.deliver_by) if self.deliver_by else None

    @property
    def weekly_rest_ended_at(self) -> datetime | None:
        """End of the last weekly rest, aware; None if not given."""
        return datetime.fromisoformat(self.weekly_rest_ended) if self.weekly_rest_ended else None

    @property
    def duty_began_at(self) -> datetime | None:
        """Start of duty, aware; None if not given."""
        return datetime.fromisoformat(self.on_duty_since) if self.on_duty_since else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BadRow:
    """A row that is not a valid trip. `label`: its position in the file; `trip_id`: its id, "" if it has none.

    `content` identifies the row's content, wherever it is in the file.
    """

    label: str
    trip_id: str
    content: str
    mistake: InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class _Broken:
    """A line that cannot be split into cells; `trip_id` is the text in the id's position."""

    line: str
    trip_id: str
    mistake: InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class TripsFile:
    """The trips of a file in order, its bad rows, and the columns or keys that are ignored."""

    trips: tuple[TripRequest, ...]
    bad: tuple[BadRow, ...] = ()
    ignored: tuple[str, ...] = ()

    @property
    def ignored_words(self) -> str:
        """The ignored columns, each with the closest known name; "" for none."""
        known = list(TripRequest.model_fields)
        near = ((name, get_close_matches(name, known, 1, cutoff=0.8)) for name in self.ignored)
        return ", ".join(f"{name} (write {found[0]}?)" if found else name for name, found in near)


_ANY_ZONE: Final = ZoneInfo("UTC")
_HEADER: Final = "write the header id,route,rig,depart; `alertd trips template` prints all columns"
ZoneOf = Callable[[str, bool], ZoneInfo | None]  # (route, at its end): the zone of that place, None if not known
_TIMES: Final = {
    "depart": False,
    "on_duty_since": False,
    "deliver_from": True,
    "deliver_by": True,
    "weekly_rest_ended": False,
}  # at the end?


def no_zone(route: str, at_end: bool) -> ZoneInfo | None:
    """The zone of no place: every time then needs an offset."""
    return None


def read_trips_file(path: Path, zone_of: ZoneOf = no_zone) -> TripsFile:
    """Read a CSV or JSON file row by row: a bad row does not affect the others.

    A time without an offset is local: to the start of the route, a delivery's to its end. Rows that give one id
    different contents are all bad. Raises InputError when the file as a whole cannot be read.
    """
    text = read_table_text(path)
    if path.suffix.lower() == ".json":
        rows, columns = _json_rows(text, path.name), list[str]()
    else:
        rows, columns = _csv_rows(text, path.name)
    known = TripRequest.model_fields.keys()
    trips: dict[str, tuple[str, Any, TripRequest]] = {}
    bad: list[BadRow] = []
    ignored = dict.fromkeys(name for name in columns if name and name not in known)
    conflicting: set[str] = set()
    for label, row in rows:
        where = f"{path.name} {label}"
        if isinstance(row, _Broken):
            bad.append(_bad(label, {"id": row.trip_id, "line": row.line}, row.mistake))
            continue
        if isinstance(row, dict):
            ignored |= dict.fromkeys(str(name) for name in row if name not in known)
        try:
            trip = parse_trip(complete_row(row, where, zone_of) if isinstance(row, dict) else row, where)
        except InputError as exc:
            bad.append(_bad(label, row, exc))
            continue
        if trip.id not in trips:
            trips[trip.id] = (label, row, trip)
            continue
        twice = InputError(where, "id", f'"{trip.id}" is given twice', "give each trip an id of its own")
        bad.append(_bad(label, row, twice))
        if trip != trips[trip.id][2]:
            conflicting.add(trip.id)
    for id_ in conflicting:
        label, row, _ = trips.pop(id_)
        problem = f'"{id_}" is given twice, with different contents'
        twice = InputError(f"{path.name} {label}", "id", problem, "give each trip an id of its own")
        bad.append(_bad(label, row, twice))
    return TripsFile(trips=tuple(trip for _, _, trip in trips.values()), bad=tuple(bad), ignored=tuple(ignored))


def complete_row(row: dict[str, Any], where: str, zone_of: ZoneOf) -> dict[str, Any]:
    """Return the known keys of a row, its local times with their offsets. Raises InputError."""
    out = {k: v for k, v in row.items() if k in TripRequest.model_fields}
    route = out.get("route") or next(iter(out.get("routes") or ()), "")
    for key, at_end in _TIMES.items():
        text = out.get(key)
        if not isinstance(text, str) or not text:
            continue
        zone = zone_of(route, at_end) if isinstance(route, str) else None
        try:
            out[key] = complete_time(text, zone)
        except ValueError as exc:
            problem, _, hint = str(exc).partition("; ")
            raise InputError(where, key, problem, hint) from exc
        if zone is None and zone_of is not no_zone and complete_time(text, _ANY_ZONE) != text:
            problem = f'"{text}" is a local time, and no readable file "{route}" gives its zone'
            raise InputError(where, key, problem, "correct the route, or write the time with its offset from UTC")
    return out


def read_trips(path: Path) -> tuple[TripRequest, ...]:
    """Read every trip of a file without bad rows. Raises InputError for the first error."""
    file = read_trips_file(path)
    if file.bad:
        raise file.bad[0].mistake
    return file.trips


def _bad(label: str, row: Any, mistake: InputError) -> BadRow:
    text = json.dumps(row, sort_keys=True, default=str)
    trip_id = row.get("id") if isinstance(row, dict) else None
    return BadRow(
        label=label,
        trip_id=trip_id if isinstance(trip_id, str) else "",
        content=hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:32],
        mistake=mistake,
    )


def parse_trip(row: Any, where: str) -> TripRequest:
    """Validate one trip. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(row, TripRequest, where, 'write {"id": "T-1", "route": "...", ...}')


def _json_rows(text: str, where: str) -> list[tuple[str, Any]]:
    try:
        rows = json.loads(text)
    except ValueError as exc:
        raise InputError(where, "", f"is not JSON ({exc})", "correct that place") from exc
    except RecursionError as exc:
        raise InputError(where, "", "is nested too deeply", "write a flat list of trips") from exc
    if not isinstance(rows, list):
        raise InputError(where, "", "is not a list of trips", 'write [{"id": "T-1", ...}, ...]')
    return [(f"trip {n}", row) for n, row in enumerate(rows, start=1)]


def _csv_rows(text: str, where: str) -> tuple[list[tuple[str, Any]], list[str]]:
    """Return the rows, each with its label, and the columns. An empty cell is an omitted key.

    CSV cells are text; numbers and lists ("a;b") are parsed here. A line that is not CSV gives `_Broken`.
    """
    lines = text.split("\n")
    header_n = next((n for n, line in enumerate(lines) if line.strip()), None)
    if header_n is None:
        raise InputError(where, "", "is empty", _HEADER)
    separator = separator_of(lines[header_n])
    header = _cells(lines[header_n : header_n + 1], where, header_n + 1, separator)
    columns = [column_name(name, TripRequest.model_fields) for name in header]
    _check_columns(columns, where)
    rows: list[tuple[str, Any]] = []
    n = header_n + 1
    while n < len(lines):
        if not lines[n].strip():
            n += 1
            continue
        taken_n, row = _csv_row(lines[n : n + _LINES_OF_A_ROW], columns, where, n + 1, separator)
        n += taken_n
        rows.append((f"line {n}", row))
    return rows, columns


def _csv_row(lines: Sequence[str], columns: Sequence[str], where: str, number: int, separator: str) -> tuple[int, Any]:
    """Return the number of lines of the row that begins with the first of `lines`, and the row.

    A quoted cell may contain line breaks (RFC 4180). An unclosed quote must not swallow the following rows. So more
    than one line is used only where that gives a row with one cell for each column.
    """
    mistakes: list[InputError] = []

    def broken(why: InputError) -> _Broken:
        cells = dict(zip(columns, lines[0].split(separator), strict=False))
        return _Broken(line=lines[0], trip_id=cells.get("id", "").strip(' "'), mistake=why)

    for taken_n in range(1, len(lines) + 1):
        try:
            cells = _cells(lines[:taken_n], where, number, separator)
        except InputError as exc:
            mistakes.append(exc)
            if '"' not in lines[0]:
                break
            continue
        if taken_n > 1 and len(cells) != len(columns):
            continue
        if len(cells) > len(columns):
            problem = f"has {len(cells)} cells, but the header has {len(columns)} columns"
            hint = f'put text with "{separator}" into double quotes'
            return taken_n, broken(InputError(f"{where} line {number}", "", problem, hint))
        return taken_n, _read_cells(dict(zip(columns, cells, strict=False)), separator)
    return 1, broken(mistakes[0])


def _cells(lines: Sequence[str], where: str, number: int, separator: str) -> list[str]:
    """Return the cells of one row. Raises InputError where it is not CSV."""
    try:
        found = list(csv.reader([line + "\n" for line in lines], strict=True, delimiter=separator))
        if len(found) != 1:
            raise csv.Error("quotes end before the row does")
    except csv.Error as exc:
        raise InputError(f"{where} line {number}", "", f"is not CSV ({exc})", "correct that line") from exc
    return found[0]


def _read_cells(cells: dict[str, Any], separator: str) -> dict[str, Any]:
    row = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    out: dict[str, Any] = dict(row)
    for name in _NUMBERS:
        if name in row:
            with suppress(ValueError):  # the model reports values that are not numbers
                out[name] = int(row[name]) if name in _WHOLE else parse_number(row[name], separator)
    if "routes" in row:
        out["routes"] = [name.strip() for name in row["routes"].split(";")]
    if row.get("weekly_rest_reduced") in ("true", "false"):
        out["weekly_rest_reduced"] = row["weekly_rest_reduced"] == "true"
    if "stops" in row:
        out["stops"] = read_stops_cell(row["stops"])
    return out


def _check_columns(columns: Sequence[str], where: str) -> None:
    """Raise InputError for a missing required column or a duplicate one; other columns are ignored.

    A file without its header must not count as a day without trips.
    """
    for name, field in TripRequest.model_fields.items():
        if field.is_required() and name not in columns and not (name == "route" and "routes" in columns):
            raise InputError(where, name, "this column is missing", _HEADER)
    for name in TripRequest.model_fields:
        if columns.count(name) > 1:
            raise InputError(where, name, "two columns have this name", "remove one of them")

"""Trips as dispatch gives them: a CSV or JSON file, or one request; departures must say their zone."""

import csv
import io
import json
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, field_validator, model_validator

from alertd.errors import InputError
from alertd.sources.tomlfile import FileModel, Mistake, read_row, read_text

_NUMBERS = ("drive_hours_used", "driven_since_break_h", "cycle_hours_used", "cycle_limit_h")
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
            raise Mistake("routes", f'begins with "{self.routes[0]}", not with route', "name the planned route first")
        if len(set(self.routes)) < len(self.routes):
            raise Mistake("routes", "names a route twice", "name each once")
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


def read_trips(path: Path) -> tuple[TripRequest, ...]:
    """Every trip of a CSV or JSON file. Raises InputError for the first mistake; ids must not repeat."""
    text = read_text(path, path.name, InputError)
    rows = _json_rows(text, path.name) if path.suffix.lower() == ".json" else _csv_rows(text, path.name)
    trips = tuple(parse_trip(row, f"{path.name} {label}") for label, row in rows)
    seen: set[str] = set()
    for trip in trips:
        if trip.id in seen:
            raise InputError(path.name, "id", f'"{trip.id}" stands there twice', "give each trip an id of its own")
        seen.add(trip.id)
    return trips


def parse_trip(row: Any, where: str) -> TripRequest:
    """One trip from plain values. Raises InputError naming `where`, the field, what is wrong and the mend."""
    return read_row(row, TripRequest, where, 'write {"id": "T-1", "route": "...", ...}')


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


def _csv_rows(text: str, where: str) -> list[tuple[str, Any]]:
    """CSV cells are text; numbers and lists ("a;b") are read here, an empty cell is a key left out."""
    reader = csv.DictReader(io.StringIO(text), restkey="more cells than columns")
    rows = []
    try:
        _check_columns(reader.fieldnames or (), where)
        for row in reader:
            cells: dict[str, Any] = {k: v.strip() if isinstance(v, str) else v for k, v in row.items() if v}
            for name in _NUMBERS:
                if isinstance(cells.get(name), str):
                    with suppress(ValueError):  # what is no number is told by the model, with its own words
                        cells[name] = int(cells[name]) if name == "cycle_limit_h" else float(cells[name])
            if isinstance(cells.get("routes"), str):
                cells["routes"] = [name.strip() for name in cells["routes"].split(";")]
            rows.append((f"line {reader.line_num}", cells))
    except csv.Error as exc:
        raise InputError(where, f"line {reader.line_num}", f"is not CSV ({exc})", "mend that line") from exc
    return rows


def _check_columns(columns: Sequence[str], where: str) -> None:
    """A file that lost its heading must not pass for a day without trips."""
    if not columns:
        raise InputError(where, "", "is empty", "write the heading " + ",".join(TripRequest.model_fields))
    for name, field in TripRequest.model_fields.items():
        if field.is_required() and name not in columns and not (name == "route" and "routes" in columns):
            mend = "write the heading " + ",".join(TripRequest.model_fields) + ", with commas between"
            raise InputError(where, name, "this column is missing", mend)
    for name in columns:
        if columns.count(name) > 1:
            raise InputError(where, name, "two columns have this name", "leave one of them out")

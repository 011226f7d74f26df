"""Parses the parts of a trip: its times, which must have a UTC offset, and its stops with their windows."""

from datetime import UTC, datetime
from typing import Any, Final

from pydantic import ConfigDict, Field, field_validator, model_validator

from alertd.sources.files.toml import FieldError, FileModel

EXAMPLE: Final = "2027-01-14T04:45:00-07:00"
MOST_STOPS: Final = 12
SERVICE_MIN: Final = 30.0  # [A] unloading a part of a load with an appointment


def parse_departure(text: str) -> datetime:
    """Parse an aware time. Raises ValueError("problem; hint")."""
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f'"{text}" is not a date and time; write e.g. {EXAMPLE}') from None
    if when.utcoffset() is None:
        raise ValueError(f'"{text}" has no UTC offset; add the offset from UTC, e.g. {EXAMPLE}')
    try:
        when.astimezone(UTC)
    except OverflowError:
        raise ValueError(f'"{text}" is outside the calendar; write e.g. {EXAMPLE}') from None
    return when


class StopRequest(FileModel):
    """A stop of a trip, such as a drop.

    `lat_deg`, `lon_deg`: its place, which the route must pass within 3 km. `open_from`, `open_by`: its window; an early
    truck waits, on duty. `service_min`: minutes of service, on duty and not driving.
    """

    model_config = ConfigDict(title="StopRequest")

    name: str = Field(min_length=1, max_length=80, examples=["Cold store, dock 4"])
    lat_deg: float = Field(ge=-90, le=90, examples=[46.6])
    lon_deg: float = Field(ge=-180, le=180, examples=[-112.0])
    open_from: str = Field("", examples=["2027-01-15T06:00:00-07:00"])
    open_by: str = Field("", examples=["2027-01-15T10:00:00-07:00"])
    service_min: float = Field(SERVICE_MIN, ge=0, le=1440)

    @field_validator("open_from", "open_by")
    @classmethod
    def _has_zone(cls, value: str) -> str:
        return parse_departure(value).isoformat() if value else ""

    @field_validator("name")
    @classmethod
    def _one_line(cls, value: str) -> str:
        if not value.isprintable():
            raise ValueError("has a line break or control character; write a name on one line")
        return value

    @model_validator(mode="after")
    def _opens_before_it_closes(self) -> "StopRequest":
        if self.opens_at is not None and self.closes_at is not None and self.closes_at <= self.opens_at:
            raise FieldError("open_by", "is not after open_from", "give the end of the window")
        return self

    @property
    def opens_at(self) -> datetime | None:
        """Start of the window, aware; None if not given."""
        return datetime.fromisoformat(self.open_from) if self.open_from else None

    @property
    def closes_at(self) -> datetime | None:
        """End of the window, aware; None if not given."""
        return datetime.fromisoformat(self.open_by) if self.open_by else None


def read_stops_cell(cell: str) -> list[Any]:
    """The stops of a CSV cell: `name | lat | lon | from | by | minutes`, stops apart by ";"; from, by may be empty.

    A part that is not so written stays text, and the model reports it.
    """
    return [_stop(text) for text in cell.split(";") if text.strip()]


def _stop(text: str) -> Any:
    parts = [part.strip() for part in text.split("|")]
    if len(parts) > 6:
        return text.strip()
    names = ("name", "lat_deg", "lon_deg", "open_from", "open_by", "service_min")
    row: dict[str, Any] = {name: part for name, part in zip(names, parts, strict=False) if part}
    for name in ("lat_deg", "lon_deg", "service_min"):
        try:
            row[name] = float(row[name]) if name in row else row.get(name)
        except ValueError:
            continue
        if row[name] is None:
            del row[name]
    return row

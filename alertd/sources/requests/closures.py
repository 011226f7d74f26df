"""Parses a road closure posted by the operator: location, start and end time, and source."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final

from pydantic import Field, field_validator, model_validator

from alertd.plan.controls.closures import PostedClosure
from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trip_parts import parse_departure

_FROM: Final = [47.45, -115.69]
_Place = Annotated[list[float], Field(min_length=2, max_length=2)]
_Words = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class ClosureRequest(FileModel):
    """One closure of both directions. Times are stored in UTC, so one moment in two zones is one closure.

    `ends_at` null or omitted: the closure applies until it is withdrawn.
    """

    id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$", examples=["C-17"])
    start: _Place = Field(alias="from", examples=[_FROM])
    end: _Place = Field(alias="to", examples=[[47.49, -115.92]])
    begins_at: str = Field(examples=["2027-01-14T06:00:00-07:00"])
    ends_at: str | None = Field(None, examples=["2027-01-14T14:00:00-07:00"])
    what: _Words = Field(examples=["avalanche work"])
    source: _Words = Field(examples=["road authority, by telephone"])

    @field_validator("begins_at", "ends_at")
    @classmethod
    def _has_zone(cls, value: str | None) -> str | None:
        return None if value is None else parse_departure(value).astimezone(UTC).isoformat()

    @model_validator(mode="after")
    def _is_sound(self) -> "ClosureRequest":
        for key, (lat, lon) in (("from", self.start), ("to", self.end)):
            if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
                raise FieldError(
                    key, f"[{lat:g}, {lon:g}] is nowhere on Earth", "write [latitude, longitude] in degrees"
                )
        if self.start == self.end:
            raise FieldError("to", "is the same place as from", "write where the closure ends")
        if self.ends_at is not None and self.ends_at <= self.begins_at:
            raise FieldError("ends_at", "is not after begins_at", "write when the road opens, or null if unknown")
        return self

    def to_core(self) -> PostedClosure:
        return PostedClosure(
            id=self.id,
            start=(self.start[0], self.start[1]),
            end=(self.end[0], self.end[1]),
            begins_at=datetime.fromisoformat(self.begins_at),
            ends_at=None if self.ends_at is None else datetime.fromisoformat(self.ends_at),
            what=self.what,
            source=self.source,
        )


def parse_closure(row: Any, where: str) -> ClosureRequest:
    """Validate one closure. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(
        row,
        ClosureRequest,
        where,
        'write {"id": "...", "from": [lat, lon], "to": [lat, lon], "begins_at": "...", "what": "...", "source": "..."}',
    )

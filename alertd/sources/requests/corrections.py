"""Parses an office's correction of a chain log entry."""

from datetime import UTC
from typing import Annotated, Any

from pydantic import Field, field_validator, model_validator

from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trip_parts import parse_departure

_Words = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$")]
_Named = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class CorrectionRequest(FileModel):
    """What was wrong with a chain log entry, who corrects it and why. Omitted fields stay as they are.

    entry: its id in the log. void: chains were not installed at all. hanging_from, removing_from: when that work began.
    Times are stored in UTC.
    """

    entry: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_]+$", examples=["evt_0123456789abcdef"])
    by: _Named = Field(examples=["M. Oddleifson"])
    why: _Named = Field(examples=["driver forgot to report them off"])
    on: str | None = Field(None, examples=["2027-01-14T06:50:00-07:00"])
    off: str | None = Field(None, examples=["2027-01-14T08:10:00-07:00"])
    hanging_from: str | None = Field(None, examples=["2027-01-14T06:15:00-07:00"])
    removing_from: str | None = Field(None, examples=["2027-01-14T07:55:00-07:00"])
    place: _Words | None = Field(None, examples=["Sled Flats turnout"])
    void: bool = False

    @field_validator("on", "off", "hanging_from", "removing_from")
    @classmethod
    def _has_zone(cls, value: str | None) -> str | None:
        return None if value is None else parse_departure(value).astimezone(UTC).isoformat()

    @model_validator(mode="after")
    def _says_something(self) -> "CorrectionRequest":
        times = (self.on, self.off, self.hanging_from, self.removing_from)
        if self.void and (any(times) or self.place is not None):
            raise FieldError("void", "cannot be combined with times or a place", "void the entry, or correct it")
        if not self.void and not any(times) and self.place is None:
            raise FieldError("off", "nothing is corrected", 'give "on", "off", "place" or "void": true')
        return self


def parse_correction(row: Any, where: str) -> CorrectionRequest:
    """Validate one correction. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(
        row, CorrectionRequest, where, 'write {"entry": "evt_...", "off": "...", "by": "...", "why": "..."}'
    )

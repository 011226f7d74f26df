"""A correction of the chain log as the office writes it."""

from datetime import UTC
from typing import Annotated, Any

from pydantic import Field, field_validator, model_validator

from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trips import parse_departure

_Words = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$")]
_Named = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class CorrectionRequest(FileModel):
    """What was wrong with an entry of the chain log, who says so and why. What is left out stays as it is.

    entry: its id in the log. void: chains were not hung at all. Times are kept in UTC.
    """

    entry: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_]+$", examples=["evt_0123456789abcdef"])
    by: _Named = Field(examples=["M. Oddleifson"])
    why: _Named = Field(examples=["driver forgot to report them off"])
    on: str | None = Field(None, examples=["2027-01-14T06:50:00-07:00"])
    off: str | None = Field(None, examples=["2027-01-14T08:10:00-07:00"])
    place: _Words | None = Field(None, examples=["Sled Flats turnout"])
    void: bool = False

    @field_validator("on", "off")
    @classmethod
    def _has_zone(cls, value: str | None) -> str | None:
        return None if value is None else parse_departure(value).astimezone(UTC).isoformat()

    @model_validator(mode="after")
    def _says_something(self) -> "CorrectionRequest":
        if self.void and (self.on or self.off or self.place is not None):
            raise FieldError("void", "does not go with other times or places", "strike the entry out, or correct it")
        if not self.void and self.on is None and self.off is None and self.place is None:
            raise FieldError("off", "nothing is corrected", 'give "on", "off", "place" or "void": true')
        return self


def parse_correction(row: Any, where: str) -> CorrectionRequest:
    """One correction from plain values. Raises InputError naming `where`, the field, what is wrong and the mend."""
    return validate_row(
        row, CorrectionRequest, where, 'write {"entry": "evt_...", "off": "...", "by": "...", "why": "..."}'
    )

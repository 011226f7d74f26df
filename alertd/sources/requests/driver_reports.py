"""Parses a driver's report about a trip: message read, chains begun to be hung or taken off, on, off, arrived, road."""

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from alertd.notices.checklists.items import Item
from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trip_parts import parse_departure

READ, CHAINS_ON, CHAINS_OFF, ARRIVED = "read", "chains_on", "chains_off", "arrived"
HANGING_BEGUN, REMOVING_BEGUN, LOADED = "hanging_begun", "removing_begun", "loaded"
ROAD_SEEN = "road_seen"
_Words = Annotated[str, Field(max_length=80, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$")]


class ReportRequest(FileModel):
    """One report. `at` is stored in UTC, so one moment written in two zones is one report.

    loaded: the loading list was gone through; `missing` names what is not on board.
    hanging_begun, removing_begun: the work has begun; chains_on, chains_off: it is done.
    road_seen: how the road is, in `road`, or what falls, in `falls`, at the place named or at the truck's position.
    notice_id: of the message that was read. place: where chains were put on or taken off or the road was seen, in the
    driver's words or as a stop's or summit's name. by: the reporter, if not the driver.
    """

    what: Literal[
        "read", "loaded", "hanging_begun", "chains_on", "removing_begun", "chains_off", "arrived", "road_seen"
    ] = Field(examples=["chains_on"])
    at: str = Field(examples=["2027-01-14T06:50:00-07:00"])
    notice_id: str = Field("", max_length=64, pattern=r"^[A-Za-z0-9_-]*$", examples=[""])
    place: _Words = Field("", examples=["Sled Flats turnout"])
    by: _Words = Field("", examples=[""])
    missing: list[Item] = Field(default_factory=list, examples=[[]])
    road: Literal["", "bare", "wet", "snow", "ice"] = Field("", examples=[""])
    falls: Literal["", "snow", "rain", "freezing_rain", "nothing"] = Field("", examples=[""])

    @field_validator("at")
    @classmethod
    def _has_zone(cls, value: str) -> str:
        return parse_departure(value).astimezone(UTC).isoformat()

    @model_validator(mode="after")
    def _names_what_was_read(self) -> "ReportRequest":
        if (self.what == READ) != bool(self.notice_id):
            raise FieldError(
                "notice_id", f'does not go with what = "{self.what}"', 'give it with what = "read", and only then'
            )
        if self.missing and self.what != LOADED:
            raise FieldError("missing", f'does not go with what = "{self.what}"', 'give it with what = "loaded"')
        if self.what == ROAD_SEEN and bool(self.road) == bool(self.falls):
            raise FieldError("road", "does not go with falls", 'give one of the two with what = "road_seen"')
        if self.what != ROAD_SEEN and (self.road or self.falls):
            name = "road" if self.road else "falls"
            raise FieldError(name, f'does not go with what = "{self.what}"', 'give it with what = "road_seen"')
        return self

    def stored(self) -> str:
        """The stored text. A field of which older stores know nothing is left out where it is empty."""
        return self.model_dump_json(exclude={name for name in ("missing", "road", "falls") if not getattr(self, name)})

    @property
    def sight(self) -> str:
        """What was seen of the road or the sky, as `road_seen.Sight` names it; "" in other reports."""
        return f"{self.falls}_falls" if self.falls else self.road

    @property
    def happened_at(self) -> datetime:
        """Time of the report, aware and UTC."""
        return datetime.fromisoformat(self.at)


def parse_report(row: Any, where: str) -> ReportRequest:
    """Validate one report. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(row, ReportRequest, where, 'write {"what": "chains_on", "at": "...", "place": "..."}')

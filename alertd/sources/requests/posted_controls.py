"""Parses a posted control reported by a person: level, location, start time and source."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import Field, field_validator, model_validator

from alertd.errors import InputError
from alertd.plan.posted import CLOSED, NONE_POSTED, ControlLocation, PostedControl
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.toml import FieldError, FileModel, validate_row
from alertd.sources.files.trip_parts import parse_departure
from alertd.sources.road_feeds.json_feed import BEARINGS

_Place = Annotated[list[float], Field(min_length=2, max_length=2)]
_TEXT: Final = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"
Direction = Literal["N", "NE", "E", "SE", "S", "SW", "W", "NW", "both"]


class PostedRequest(FileModel):
    """One posted control. Location: `from` and `to`, or `place`, the name of a pass, summit or zone.

    `level`: a level's id in the jurisdiction's rule file, or words of a sign that its `posted_as` lists; "closed", or
    "none" for a sign that is off. `until` null or omitted: unknown. Times are stored in UTC.
    """

    id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$", examples=["P-17"])
    jurisdiction: str = Field(min_length=2, max_length=6, examples=["US-ID"])
    level: str = Field(min_length=1, max_length=80, examples=["chains-required"])
    start: _Place | None = Field(None, alias="from", examples=[[47.45, -115.69]])
    end: _Place | None = Field(None, alias="to", examples=[[47.49, -115.92]])
    place: str | None = Field(None, min_length=1, max_length=80, pattern=_TEXT, examples=["Lookout Pass"])
    direction: Direction = "both"
    since: str = Field(examples=["2027-01-14T05:10:00-07:00"])
    until: str | None = Field(None, examples=["2027-01-14T14:00:00-07:00"])
    words: str = Field("", max_length=80, pattern=_TEXT, examples=["chain sign lit at exit 0"])
    source: str = Field(min_length=1, max_length=80, pattern=_TEXT, examples=["a driver, by telephone"])

    @field_validator("since", "until")
    @classmethod
    def _has_zone(cls, value: str | None) -> str | None:
        return None if value is None else parse_departure(value).astimezone(UTC).isoformat()

    @model_validator(mode="after")
    def _is_sound(self) -> "PostedRequest":
        if self.place is not None and (self.start is not None or self.end is not None):
            raise FieldError("place", "given together with from and to", "write only one of them")
        if self.place is None and (self.start is None or self.end is None):
            raise FieldError("place", "missing, and so is from or to", 'write place = "...", or from and to')
        for key, at in (("from", self.start), ("to", self.end)):
            if at is not None and not (abs(at[0]) <= 90.0 and abs(at[1]) <= 180.0):
                raise FieldError(
                    key, f"[{at[0]:g}, {at[1]:g}] is nowhere on Earth", "write [latitude, longitude] in degrees"
                )
        if self.start is not None and self.start == self.end:
            raise FieldError("to", "is the same place as from", "write where the control ends")
        if self.until is not None and self.until <= self.since:
            raise FieldError("until", "is not after since", "write when it ends, or null if unknown")
        return self


def parse_posted(row: Any, where: str) -> PostedRequest:
    """Validate one posted control. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(
        row,
        PostedRequest,
        where,
        'write {"id": "...", "jurisdiction": "...", "level": "...", "place": "...", "since": "...", "source": "..."}',
    )


def to_control(
    request: PostedRequest,
    rulesets: Mapping[str, RuleSet],
    names: Mapping[str, ControlLocation],
    confirmed_at: datetime,
    at: str,
) -> PostedControl:
    """Return the control. Raises InputError, which names the request as `at`, for an unknown level or place."""
    rules = rulesets.get(request.jurisdiction)
    if rules is None:
        known = ", ".join(sorted(rulesets))
        raise InputError(
            at, "jurisdiction", f'there are no rules of "{request.jurisdiction}"', f"write one of: {known}"
        )
    levels = [*(level.id for level in rules.levels), CLOSED, NONE_POSTED]
    posted_as = rules.level_posted_as(request.level) if request.level not in levels else None
    level_id = request.level if posted_as is None else posted_as.id
    if level_id not in levels:
        raise InputError(
            at,
            "level",
            f'"{request.level}" is not a level of {request.jurisdiction}',
            f"write one of: {', '.join(levels)}",
        )
    if request.place is not None:
        found = names.get(request.place.casefold())
        if found is None:
            raise InputError(
                at,
                "place",
                f'"{request.place}" is no zone of {request.jurisdiction} and no summit on file',
                "write from and to, or add the summit to the summits file",
            )
        where = found
    else:
        start, end = request.start or [0.0, 0.0], request.end or [0.0, 0.0]
        where = ControlLocation(between=((start[0], start[1]), (end[0], end[1])))
    return PostedControl(
        id=request.id,
        jurisdiction=request.jurisdiction,
        level=level_id,
        words=request.words or (request.level if posted_as is not None else ""),
        source=request.source,
        where=where,
        since=datetime.fromisoformat(request.since),
        until=None if request.until is None else datetime.fromisoformat(request.until),
        confirmed_at=confirmed_at,
        bearing_deg=None if request.direction == "both" else BEARINGS[request.direction],
    )

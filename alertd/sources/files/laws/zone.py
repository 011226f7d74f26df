"""Reads the zones of a rule file: where a rule applies."""

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field, model_validator

from alertd.rules.ruleset import RuleZone
from alertd.sources.files.laws.control_level import Words
from alertd.sources.files.toml import FieldError, FileModel

Point = Annotated[list[float], Field(min_length=2, max_length=2, examples=[[47.4544, -115.6945]])]


class ZoneFile(FileModel):
    """A road section (from, to, and points where known), an area inside an outline, or roads signed for it."""

    id: Words
    name: Words
    road: Words
    first: Words | None = Field(None, alias="from")
    last: Words | None = Field(None, alias="to")
    from_point: Point | None = None
    to_point: Point | None = None
    within_m: float = Field(1000.0, gt=0)
    outline: list[Point] = Field(default_factory=list)
    line: list[Point] = Field(default_factory=list)  # points along the road, in order
    wherever_signed: bool = False
    doubt: str = ""
    turn_round: str = ""  # where a rig without the chains is turned round, or can turn, before it

    @model_validator(mode="after")
    def _says_where(self) -> "ZoneFile":
        stretch = self.first is not None or self.last is not None or self.from_point is not None
        if [stretch, bool(self.outline), self.wherever_signed].count(True) != 1:
            raise FieldError(
                "", "location missing or given twice", "give from and to, or outline, or wherever_signed = true"
            )
        if stretch and (self.first is None or self.last is None):
            raise FieldError(
                "to" if self.last is None else "from", "missing", "give both ends in words, e.g. mileposts"
            )
        if self.outline and len(self.outline) < 3:
            raise FieldError(
                "outline", f"{len(self.outline)} corners do not make an area", "give three corners or more"
            )
        if self.line and (len(self.line) < 2 or self.from_point is not None or self.first is None):
            raise FieldError(
                "line", "needs from and to, two points or more, and no from_point", "give the road's points in order"
            )
        return self

    @model_validator(mode="after")
    def _points_are_places(self) -> "ZoneFile":
        if (self.from_point is None) != (self.to_point is None):
            raise FieldError("", "one point without the other", "give both from_point and to_point, or neither")
        ends = [("from_point", self.from_point), ("to_point", self.to_point)]
        ends += [("outline", corner) for corner in self.outline]
        ends += [("line", point) for point in self.line]
        for key, point in ends:
            if point and not (abs(point[0]) <= 90 and abs(point[1]) <= 180):
                raise FieldError(
                    key, f"{point} is not a position", "write [latitude, longitude] in degrees, west negative"
                )
        return self

    def to_core(self) -> RuleZone:
        return RuleZone(
            id=self.id,
            name=self.name,
            road=self.road,
            from_point=_point(self.from_point),
            to_point=_point(self.to_point),
            from_words=self.first or "",
            to_words=self.last or "",
            within_m=self.within_m,
            doubt=self.doubt,
            outline=tuple((lat, lon) for lat, lon in self.outline),
            line=tuple((lat, lon) for lat, lon in self.line),
            turn_round=self.turn_round,
        )


def _point(pair: Sequence[float] | None) -> tuple[float, float] | None:
    return None if pair is None else (float(pair[0]), float(pair[1]))

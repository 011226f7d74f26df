"""Reads a jurisdiction's rule file (TOML) into a RuleSet. Converts units to SI."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Final, Literal, Protocol

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.road.road_class import RoadClass
from alertd.rules.clause import Clause, Sureness
from alertd.rules.ruleset import (
    CarryRule,
    ChainBan,
    ChainedSpeed,
    Confidence,
    ControlLevel,
    Fine,
    PostingEstimate,
    RuleSet,
    RuleZone,
    Season,
    TireDuty,
)
from alertd.sources.files.laws.control_level import ConfidenceWord, LevelFile, RigClassFile, Words, speed_mps
from alertd.sources.files.toml import FieldError, FileModel, read_toml


class _OfClause(Protocol):
    """A block that may name its clause."""

    @property
    def clause(self) -> str: ...


Point = Annotated[list[float], Field(min_length=2, max_length=2, examples=[[47.4544, -115.6945]])]
PavementWord = Literal["dry", "moist", "wet", "rime", "snow", "ice", "glaze", "slush", "packed snow"]
CASES_SUFFIX: Final = ".cases.toml"
_CLASSES = {c.label: c for c in RoadClass}


def read_ruleset(path: Path) -> RuleSet:
    """Read one rule file. Raises ConfigError."""
    ruleset = read_toml(path, RuleFile).to_core()
    if path.stem != ruleset.jurisdiction.lower():
        name = f"{ruleset.jurisdiction.lower()}.toml"
        raise ConfigError(
            str(path), "jurisdiction", f"{ruleset.jurisdiction} in a file of another name", f"name it {name}"
        )
    return ruleset


def rule_files(folder: Path) -> list[Path]:
    """The rule files of a folder, without the decks of cases beside them, sorted."""
    return sorted(path for path in folder.glob("*.toml") if not path.name.endswith(CASES_SUFFIX))


def read_rulesets(folder: Path) -> dict[str, RuleSet]:
    """Read every rule file of a folder, by jurisdiction, sorted by code. Raises ConfigError."""
    paths = rule_files(folder)
    if not paths:
        raise ConfigError(
            str(folder), "", "no rule files (*.toml) there", "name the folder that holds us-mt.toml and others"
        )
    return {ruleset.jurisdiction: ruleset for ruleset in map(read_ruleset, paths)}


class SeasonFile(FileModel):
    first: str = Field(alias="from", examples=["11-01"])
    last: str = Field(alias="to", examples=["04-01"])
    # The last day where it depends on Easter, one date per year; `to` applies in a year without one.
    ends: list[date] = Field(default_factory=list, examples=[[date(2027, 4, 4)]])

    @model_validator(mode="after")
    def _are_days(self) -> "SeasonFile":
        self.to_core()
        years = [day.year for day in self.ends]
        if len(years) != len(set(years)):
            raise FieldError("ends", "has two days in one year", "keep one last day per year")
        return self

    def to_core(self) -> Season:
        return Season(start=_month_day("from", self.first), end=_month_day("to", self.last), ends=tuple(self.ends))


def _month_day(key: str, text: str) -> tuple[int, int]:
    try:
        day = date.fromisoformat(f"2024-{text}")  # a leap year, so that 02-29 is valid
    except ValueError as exc:
        raise FieldError(key, f'"{text}" is not a day of the year', 'write month-day, e.g. "11-01"') from exc
    return day.month, day.day


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
        )


def _point(pair: Sequence[float] | None) -> tuple[float, float] | None:
    return None if pair is None else (float(pair[0]), float(pair[1]))


class ClauseFile(FileModel):
    """A clause, or one version of it. Blocks that name it apply only from its first to its last day in force."""

    id: Words
    asks: Words = Field(examples=["placement, WAC 204-24-050(2)"])
    sure: Literal["text", "agency", "press", "memory", "unread"]
    seen_standing_on: date = Field(examples=[date(2026, 10, 1)])
    source: Words
    in_force_from: date | None = None
    in_force_until: date | None = None
    read_again_by: date | None = None
    known_to_change: str = ""
    page: str = ""
    question: str = ""
    read_sha256: str = Field("", pattern=r"^([0-9a-f]{64})?$")

    @model_validator(mode="after")
    def _dates_in_order(self) -> "ClauseFile":
        if self.in_force_from and self.in_force_until and self.in_force_from > self.in_force_until:
            raise FieldError("in_force_until", "is before in_force_from", "give the last day in force")
        if self.sure in ("memory", "unread") and not (self.page and self.question):
            key = "question" if self.page else "page"
            raise FieldError(
                key, f'missing where sure is "{self.sure}"', "give the page to open and the question to answer"
            )
        return self

    def to_core(self) -> Clause:
        return Clause(**{**self.model_dump(), "sure": Sureness(self.sure)})


class CarryFile(FileModel):
    season: SeasonFile
    rigs: RigClassFile = Field(RigClassFile(), alias="for")
    zones: list[Words] = Field(default_factory=list)
    zones_complete: bool = True
    enough_for_level: Words
    spare_singles: int = Field(0, ge=0)
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    exemptions: list[Words] = Field(default_factory=list)
    satisfied_by: list[Words] = Field(default_factory=list)
    clause: str = ""
    when_posted: bool = False  # also out of season while the level or a stricter one is posted
    trigger: Literal["date", "road"] = "date"

    def to_core(self) -> CarryRule:
        return CarryRule(
            season=self.season.to_core(),
            rig_class=self.rigs.to_core(),
            zones=tuple(self.zones),
            enough_for_level=self.enough_for_level,
            spare_singles=self.spare_singles,
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            zones_complete=self.zones_complete,
            exemptions=tuple(self.exemptions),
            satisfied_by=tuple(self.satisfied_by),
            clause=self.clause,
            when_posted=self.when_posted,
            trigger=self.trigger,
        )


class BanFile(FileModel):
    season: SeasonFile
    where: Words
    section: Words
    confidence: ConfidenceWord
    clause: str = ""

    def to_core(self) -> ChainBan:
        return ChainBan(
            season=self.season.to_core(),
            where=self.where,
            section=self.section,
            confidence=Confidence(self.confidence),
            clause=self.clause,
        )


class TireDutyFile(FileModel):
    season: SeasonFile | None = None  # omitted: whenever the road is in that state
    what: Words
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    clause: str = ""

    def to_core(self) -> TireDuty:
        return TireDuty(
            season=self.season.to_core() if self.season else None,
            what=self.what,
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            clause=self.clause,
        )


class ChainedSpeedFile(FileModel):
    """The speed with chains on. binding = true makes it law at every level, unless the level's own is lower."""

    mph: float | None = Field(None, gt=0, le=80)
    kmh: float | None = Field(None, gt=0, le=130)
    binding: bool
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    clause: str = ""

    @model_validator(mode="after")
    def _one_unit(self) -> "ChainedSpeedFile":
        if (self.mph is None) == (self.kmh is None):
            raise FieldError("mph", "missing, or given with kmh", "give the one the text uses")
        return self

    def to_core(self) -> ChainedSpeed:
        limit = speed_mps(self.mph, self.kmh)
        assert limit is not None  # noqa: S101 - the validator above
        return ChainedSpeed(
            limit_mps=limit,
            binding=self.binding,
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            clause=self.clause,
        )


class FineFile(FileModel):
    offence: Words
    amount: Words
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    clause: str = ""

    def to_core(self) -> Fine:
        return Fine(
            offence=self.offence,
            amount=self.amount,
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            clause=self.clause,
        )


class EstimateFile(FileModel):
    """Our estimate, not law: how likely a level is posted on this pavement in ordinary snow, 0.5 mm of water an hour,
    lasting. The posting model changes it with the storm and the hours since."""

    level: Words
    road_classes: list[PavementWord] = Field(min_length=1, examples=[["snow", "packed snow"]])
    probability: float = Field(ge=0, le=1)
    min_grade_percent: float = Field(0.0, ge=0, le=30)
    reach_m: float = Field(1000.0, ge=0)
    min_snowfall_mm_h: float = Field(0.0, ge=0, le=50)  # melted
    unknown_probability: float = Field(0.3, gt=0, le=1)

    def to_core(self) -> PostingEstimate:
        return PostingEstimate(
            level=self.level,
            road_classes=tuple(int(_CLASSES[w]) for w in self.road_classes),
            probability=self.probability,
            min_abs_grade=self.min_grade_percent / 100.0,
            reach_m=self.reach_m,
            min_snowfall_mmwe_h=self.min_snowfall_mm_h,
            unknown_probability=self.unknown_probability,
        )


class RuleFile(FileModel):
    """Contents of a rule file. `our_estimate` blocks are our estimates; all else is the law as read."""

    jurisdiction: str = Field(pattern=r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$", examples=["US-MT"])
    name: Words
    citation: Words = Field(examples=["Idaho Code 49-948(5)-(9)"])
    text_date: date = Field(examples=[date(2023, 10, 1)])
    text_date_note: str = ""
    reviewed_on: date = Field(examples=[date(2026, 11, 25)])
    review_by: date = Field(examples=[date(2027, 10, 1)])
    sources: list[Words] = Field(min_length=1, examples=[["https://legislature.example/section"]])
    doubts: list[Words] = Field(default_factory=list)
    notes: list[Words] = Field(default_factory=list)
    posted_by: str = ""  # default for every level
    devices: list[Words] = Field(default_factory=lambda: ["tire chains"])  # default for every level
    clause: list[ClauseFile] = Field(default_factory=list)
    zone: list[ZoneFile] = Field(default_factory=list)
    level: list[LevelFile] = Field(default_factory=list)
    carry: list[CarryFile] = Field(default_factory=list)
    ban: list[BanFile] = Field(default_factory=list)
    tire_duty: list[TireDutyFile] = Field(default_factory=list)
    chained_speed: list[ChainedSpeedFile] = Field(default_factory=list)
    fine: list[FineFile] = Field(default_factory=list)
    our_estimate: list[EstimateFile] = Field(default_factory=list)

    @model_validator(mode="after")
    def _dates_in_order(self) -> "RuleFile":
        if self.text_date > self.reviewed_on:
            raise FieldError("text_date", "is after reviewed_on", "give the date of the text, not of its reading")
        if self.reviewed_on >= self.review_by:
            raise FieldError("review_by", "is not after reviewed_on", "give the day of the next reading")
        return self

    def to_core(self) -> RuleSet:
        return RuleSet(
            jurisdiction=self.jurisdiction,
            name=self.name,
            citation=self.citation,
            text_date=self.text_date,
            text_date_note=self.text_date_note,
            reviewed_on=self.reviewed_on,
            review_by=self.review_by,
            levels=tuple(sorted((self._level(lv) for lv in self.level), key=lambda lv: lv.rank)),
            zones=tuple(z.to_core() for z in self.zone),
            carry=tuple(c.to_core() for c in self.carry),
            bans=tuple(b.to_core() for b in self.ban),
            estimates=tuple(e.to_core() for e in self.our_estimate),
            sources=tuple(self.sources),
            doubts=tuple(self.doubts),
            tire_duties=tuple(d.to_core() for d in self.tire_duty),
            speeds=tuple(v.to_core() for v in self.chained_speed),
            fines=tuple(f.to_core() for f in self.fine),
            notes=tuple(self.notes),
            clauses=tuple(c.to_core() for c in self.clause),
        )

    def _level(self, level: LevelFile) -> ControlLevel:
        holder = next(lv for lv in self.level if lv.id == level.demands_of) if level.demands_of else level
        demands = level.demand if holder is level else [*holder.demand[: -1 if level.demand else None], *level.demand]
        limit, section = level.speed_limit_mps, level.speed_section
        for speed in (v.to_core() for v in self.chained_speed if v.binding):
            if limit is None or speed.limit_mps < limit:
                limit, section = speed.limit_mps, speed.section
        return ControlLevel(
            id=level.id,
            legal_name=level.legal_name,
            rank=level.rank,
            demands=tuple(d.to_core() for d in demands),
            zones=tuple(level.zones),
            devices=tuple(level.devices or holder.devices or self.devices),
            exemptions=tuple(level.exemptions or holder.exemptions),
            carry_for_level=level.carry_for_level,
            speed_limit_mps=limit,
            speed_section=section,
            doubt=level.doubt,
            trigger=level.trigger,
            posted_by=level.posted_by or self.posted_by,
            posted_as=tuple(level.posted_as),
            clause=level.clause,
        )

    @model_validator(mode="after")
    def _names_are_defined(self) -> "RuleFile":
        levels, zones = [lv.id for lv in self.level], [z.id for z in self.zone]
        own = [lv.id for lv in self.level if lv.demands_of is None]
        for in_force in self._levels_by_period():
            _once("level", "id", [lv.id for lv in in_force])
            _once("level", "rank", [lv.rank for lv in in_force])
        _once("zone", "id", zones)
        _once("clause", "id", [c.id for c in self.clause])
        self._clauses_are_defined([c.id for c in self.clause])
        for i, lv in enumerate(self.level, 1):
            _known(f"level[{i}].zones", lv.zones, zones)
            _known(f"level[{i}].demands_of", [lv.demands_of] if lv.demands_of else [], own)
            _known(f"level[{i}].carry_for_level", [lv.carry_for_level] if lv.carry_for_level else [], levels)
        for i, c in enumerate(self.carry, 1):
            _known(f"carry[{i}].zones", c.zones, zones)
            _known(f"carry[{i}].enough_for_level", [c.enough_for_level], levels)
        for i, e in enumerate(self.our_estimate, 1):
            _known(f"our_estimate[{i}].level", [e.level], levels)
        return self

    def _levels_by_period(self) -> list[list[LevelFile]]:
        """The levels in force in each period between two changes of a clause."""
        clauses = {c.id: c.to_core() for c in self.clause}
        starts = {c.in_force_from for c in clauses.values() if c.in_force_from}
        starts |= {c.in_force_until + timedelta(days=1) for c in clauses.values() if c.in_force_until}
        days = sorted({date.min, *starts})
        return [[lv for lv in self.level if lv.clause not in clauses or clauses[lv.clause].in_force(d)] for d in days]

    def _clauses_are_defined(self, clauses: Sequence[str]) -> None:
        rows: list[tuple[str, Sequence[_OfClause]]] = [
            ("level", self.level), ("carry", self.carry), ("ban", self.ban), ("tire_duty", self.tire_duty),
            ("chained_speed", self.chained_speed), ("fine", self.fine),
            *((f"level[{i}].demand", lv.demand) for i, lv in enumerate(self.level, 1)),
        ]  # fmt: skip
        for block, items in rows:
            for i, item in enumerate(items, 1):
                _known(f"{block}[{i}].clause", [item.clause] if item.clause else [], clauses)


def _once(block: str, key: str, values: Sequence[object]) -> None:
    for i, value in enumerate(values, 1):
        if value in values[: i - 1]:
            raise FieldError(f"{block}[{i}].{key}", f"{value} is given twice", f"give each {block} its own {key}")


def _known(field: str, named: Sequence[str], known: Sequence[str]) -> None:
    for name in named:
        if name not in known:
            what = ", ".join(known) or "none is defined in this file"
            raise FieldError(field, f'"{name}" is not defined here', f"write one of: {what}")

"""Reads a jurisdiction's rule file (TOML) into a RuleSet. Converts units to SI."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Final, Literal, Protocol

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.road.road_class import RoadClass
from alertd.rules.ruleset import ControlLevel, PostingEstimate, RuleSet
from alertd.sources.files.laws.clause import ClauseFile
from alertd.sources.files.laws.control_level import LevelFile, Words, exemptions_of
from alertd.sources.files.laws.duties import (
    BanFile,
    CarryFile,
    ChainedSpeedFile,
    FineFile,
    RemovalFile,
    RestrictionFile,
    TireDutyFile,
)
from alertd.sources.files.laws.zone import ZoneFile
from alertd.sources.files.toml import FieldError, FileModel, read_toml


class _OfClause(Protocol):
    """A block that may name its clause."""

    @property
    def clause(self) -> str: ...


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
    removal: list[RemovalFile] = Field(default_factory=list)
    restriction: list[RestrictionFile] = Field(default_factory=list)
    turn_round: str = ""  # where a rig without the chains is turned round or can turn, where a zone does not state it
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
            removals=tuple(r.to_core() for r in self.removal),
            restrictions=tuple(r.to_core() for r in self.restriction),
            turn_round=self.turn_round,
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
            exemptions=exemptions_of(level.exemptions or holder.exemptions),
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
        for i, b in enumerate(self.ban, 1):
            _known(f"ban[{i}].zones", b.zones, zones)
        for i, r in enumerate(self.restriction, 1):
            _known(f"restriction[{i}].zones", r.zones, zones)
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
            ("chained_speed", self.chained_speed), ("fine", self.fine), ("removal", self.removal),
            ("restriction", self.restriction),
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

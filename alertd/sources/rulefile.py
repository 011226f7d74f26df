"""A jurisdiction's rule file (TOML) into a RuleSet. The reader's units end here."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.road.state import RoadClass
from alertd.rules.law import (
    CarryRule,
    ChainBan,
    Confidence,
    ControlLevel,
    Demand,
    Placement,
    PostingEstimate,
    RigClass,
    RuleSet,
    Season,
    Zone,
)
from alertd.rules.rig import Coupling, Kind
from alertd.sources.tomlfile import FileModel, Mistake, read_toml
from alertd.units import POUND_KG, to_mps

Words = Annotated[str, Field(min_length=1)]
ConfidenceWord = Literal["statute", "agency", "secondary", "memory", "doubt"]
Point = Annotated[list[float], Field(min_length=2, max_length=2, examples=[[47.4544, -115.6945]])]
PavementWord = Literal["dry", "moist", "wet", "rime", "snow", "ice", "glaze", "slush", "packed snow"]


def read_ruleset(path: Path) -> RuleSet:
    """One rule file. Raises ConfigError."""
    ruleset = read_toml(path, RuleFile).to_core()
    if path.stem != ruleset.jurisdiction.lower():
        name = f"{ruleset.jurisdiction.lower()}.toml"
        raise ConfigError(
            str(path), "jurisdiction", f"{ruleset.jurisdiction} in a file of another name", f"name it {name}"
        )
    return ruleset


def read_rulesets(folder: Path) -> dict[str, RuleSet]:
    """Every rule file of a folder by jurisdiction, in the order of their codes. Raises ConfigError."""
    paths = sorted(folder.glob("*.toml"))
    if not paths:
        raise ConfigError(
            str(folder), "", "no rule files (*.toml) there", "name the folder that holds us-mt.toml and others"
        )
    return {ruleset.jurisdiction: ruleset for ruleset in map(read_ruleset, paths)}


class SeasonFile(FileModel):
    first: str = Field(alias="from", examples=["11-01"])
    last: str = Field(alias="to", examples=["04-01"])

    @model_validator(mode="after")
    def _are_days(self) -> "SeasonFile":
        self.to_core()
        return self

    def to_core(self) -> Season:
        return Season(start=_month_day("from", self.first), end=_month_day("to", self.last))


def _month_day(key: str, text: str) -> tuple[int, int]:
    try:
        day = date.fromisoformat(f"2024-{text}")  # a leap year, so that 02-29 is a day
    except ValueError as exc:
        raise Mistake(key, f'"{text}" is no day of the year', 'write month-day, e.g. "11-01"') from exc
    return day.month, day.day


class ZoneFile(FileModel):
    id: Words
    name: Words
    road: Words
    first: Words = Field(alias="from")
    last: Words = Field(alias="to")
    from_point: Point | None = None
    to_point: Point | None = None
    within_m: float = Field(1000.0, gt=0)
    doubt: str = ""

    @model_validator(mode="after")
    def _points_are_places(self) -> "ZoneFile":
        if (self.from_point is None) != (self.to_point is None):
            raise Mistake("", "one point without the other", "give both from_point and to_point, or neither")
        for key, point in (("from_point", self.from_point), ("to_point", self.to_point)):
            if point and not (abs(point[0]) <= 90 and abs(point[1]) <= 180):
                raise Mistake(key, f"{point} is no place", "write [latitude, longitude] in degrees, west negative")
        return self

    def to_core(self) -> Zone:
        return Zone(
            id=self.id,
            name=self.name,
            road=self.road,
            from_point=_point(self.from_point),
            to_point=_point(self.to_point),
            from_words=self.first,
            to_words=self.last,
            within_m=self.within_m,
            doubt=self.doubt,
        )


def _point(pair: Sequence[float] | None) -> tuple[float, float] | None:
    return None if pair is None else (float(pair[0]), float(pair[1]))


class RigClassFile(FileModel):
    over_lb: float | None = Field(None, gt=0)
    over_kg: float | None = Field(None, gt=0)
    at_least_lb: float | None = Field(None, gt=0)
    at_least_kg: float | None = Field(None, gt=0)
    at_most_lb: float | None = Field(None, gt=0)
    at_most_kg: float | None = Field(None, gt=0)
    axles_min: int | None = Field(None, ge=2)
    axles_max: int | None = Field(None, ge=2)
    drive_axles_min: int | None = Field(None, ge=1)
    drive_axles_max: int | None = Field(None, ge=1)
    towed_min: int | None = Field(None, ge=0)
    towed_max: int | None = Field(None, ge=0)
    kinds: list[Kind] = Field(default_factory=list)

    @model_validator(mode="after")
    def _one_unit_of_mass(self) -> "RigClassFile":
        for name in ("over", "at_least", "at_most"):
            if getattr(self, f"{name}_lb") is not None and getattr(self, f"{name}_kg") is not None:
                raise Mistake(f"{name}_kg", f"stands there beside {name}_lb", "keep the one the text uses")
        return self

    def to_core(self) -> RigClass:
        return RigClass(
            over_rated_mass_kg=_mass_kg(self.over_lb, self.over_kg),
            min_rated_mass_kg=_mass_kg(self.at_least_lb, self.at_least_kg),
            max_rated_mass_kg=_mass_kg(self.at_most_lb, self.at_most_kg),
            min_axles=self.axles_min,
            max_axles=self.axles_max,
            min_drive_axles=self.drive_axles_min,
            max_drive_axles=self.drive_axles_max,
            min_towed_units=self.towed_min,
            max_towed_units=self.towed_max,
            kinds=tuple(self.kinds),
        )


def _mass_kg(mass_lb: float | None, mass_kg: float | None) -> float | None:
    return mass_kg if mass_lb is None else mass_lb * POUND_KG


class PlacementFile(FileModel):
    group: Literal["drive", "steer", "trailer", "dolly", "tag", "trailer or dolly"]
    axles: Literal["one", "two", "all", "primary", "last", "one of last two"] = "one"
    per_axle: Literal["each side", "all tires", "one tire", "staggered", "diagonal"] = "each side"
    place: Literal["outside", "inside", "either"] = "outside"
    units: Literal["power", "each towed", "first towed", "last towed", "any towed"] | None = None
    coupling: Coupling | None = None
    total_tires: int | None = Field(None, ge=1)
    skip_lift: bool = True

    @model_validator(mode="after")
    def _group_is_on_these_units(self) -> "PlacementFile":
        if (self.units == "power") != (self.group in ("drive", "steer", "tag")) and self.units is not None:
            raise Mistake("units", f'group "{self.group}" is not on "{self.units}"', "leave units out or mend it")
        return self

    def to_core(self) -> Placement:
        return Placement(
            group=self.group,
            axles=self.axles,
            per_axle=self.per_axle,
            place=self.place,
            units=self.units or ("power" if self.group in ("drive", "steer", "tag") else "each towed"),
            coupling=self.coupling,
            total_tires=self.total_tires,
            skip_lift=self.skip_lift,
        )


class DemandFile(FileModel):
    rigs: RigClassFile = Field(RigClassFile(), alias="for")
    layouts: list[list[PlacementFile]] = Field(
        min_length=1, examples=[[[{"group": "drive", "axles": "one", "per_axle": "each side"}]]]
    )
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    satisfied_by: list[Words] = Field(default_factory=list)
    devices: list[Words] = Field(default_factory=list)
    barred: str = ""

    @model_validator(mode="after")
    def _doubt_is_said(self) -> "DemandFile":
        if self.confidence in ("memory", "doubt") and not self.doubt:
            raise Mistake("doubt", f'missing where confidence is "{self.confidence}"', 'add doubt = "what is not sure"')
        return self

    def to_core(self) -> Demand:
        return Demand(
            rig_class=self.rigs.to_core(),
            layouts=tuple(tuple(p.to_core() for p in layout) for layout in self.layouts),
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            satisfied_by=tuple(self.satisfied_by),
            devices=tuple(self.devices),
            barred=self.barred,
        )


class LevelFile(FileModel):
    id: Words
    legal_name: Words
    rank: int = Field(ge=1)
    demand: list[DemandFile] = Field(default_factory=list)
    demands_of: str | None = None  # take demands, and devices and exemptions not given here, from that level
    zones: list[Words] = Field(default_factory=list)
    devices: list[Words] = Field(default_factory=list)
    exemptions: list[Words] = Field(default_factory=list)
    carry_for_level: str = ""
    speed_limit_mph: float | None = Field(None, gt=0, le=80)
    speed_section: str = ""
    doubt: str = ""

    @model_validator(mode="after")
    def _asks_something_of_every_rig(self) -> "LevelFile":
        if bool(self.demand) == (self.demands_of is not None):
            raise Mistake(
                "demand",
                "missing, or given beside demands_of",
                'give [[level.demand]] blocks or demands_of = "level id"',
            )
        if self.demand and self.demand[-1].rigs != RigClassFile():
            raise Mistake(
                "demand", "the last one leaves rigs out", "end with one without `for`, saying what others owe"
            )
        if self.speed_limit_mph is not None and not self.speed_section:
            raise Mistake("speed_section", "missing beside speed_limit_mph", "add the text that sets the speed")
        return self


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
        )


class BanFile(FileModel):
    season: SeasonFile
    where: Words
    section: Words
    confidence: ConfidenceWord

    def to_core(self) -> ChainBan:
        return ChainBan(
            season=self.season.to_core(),
            where=self.where,
            section=self.section,
            confidence=Confidence(self.confidence),
        )


class EstimateFile(FileModel):
    level: Words
    road_classes: list[PavementWord] = Field(min_length=1, examples=[["snow", "packed snow"]])
    probability: float = Field(ge=0, le=1)
    min_grade_percent: float = Field(0.0, ge=0, le=30)
    reach_m: float = Field(1000.0, ge=0)
    unknown_probability: float = Field(0.3, gt=0, le=1)

    def to_core(self) -> PostingEstimate:
        return PostingEstimate(
            level=self.level,
            road_classes=tuple(int(RoadClass[w.upper().replace(" ", "_")]) for w in self.road_classes),
            probability=self.probability,
            min_abs_grade=self.min_grade_percent / 100.0,
            reach_m=self.reach_m,
            unknown_probability=self.unknown_probability,
        )


class RuleFile(FileModel):
    """What a rule file holds. `our_estimate` blocks are ours; all else is the law as we read it."""

    jurisdiction: str = Field(pattern=r"^[A-Z]{2}-[A-Z0-9]{1,3}$", examples=["US-MT"])
    name: Words
    citation: Words = Field(examples=["Idaho Code 49-948(5)-(9)"])
    text_date: date = Field(examples=[date(2023, 10, 1)])
    text_date_note: str = ""
    reviewed_on: date = Field(examples=[date(2026, 11, 25)])
    review_by: date = Field(examples=[date(2027, 10, 1)])
    sources: list[Words] = Field(min_length=1, examples=[["https://legislature.example/section"]])
    doubts: list[Words] = Field(default_factory=list)
    zone: list[ZoneFile] = Field(default_factory=list)
    level: list[LevelFile] = Field(default_factory=list)
    carry: list[CarryFile] = Field(default_factory=list)
    ban: list[BanFile] = Field(default_factory=list)
    our_estimate: list[EstimateFile] = Field(default_factory=list)

    @model_validator(mode="after")
    def _dates_in_order(self) -> "RuleFile":
        if self.text_date > self.reviewed_on:
            raise Mistake("text_date", "is after reviewed_on", "give the date of the text, not of its reading")
        if self.reviewed_on >= self.review_by:
            raise Mistake("review_by", "is not after reviewed_on", "give the day of the next reading")
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
        )

    def _level(self, level: LevelFile) -> ControlLevel:
        holder = next(lv for lv in self.level if lv.id == level.demands_of) if level.demands_of else level
        return ControlLevel(
            id=level.id,
            legal_name=level.legal_name,
            rank=level.rank,
            demands=tuple(d.to_core() for d in holder.demand),
            zones=tuple(level.zones),
            devices=tuple(level.devices or holder.devices or ["tire chains"]),
            exemptions=tuple(level.exemptions or holder.exemptions),
            carry_for_level=level.carry_for_level,
            speed_limit_mps=None if level.speed_limit_mph is None else to_mps(level.speed_limit_mph),
            speed_section=level.speed_section,
            doubt=level.doubt,
        )

    @model_validator(mode="after")
    def _names_are_defined(self) -> "RuleFile":
        levels, zones = [lv.id for lv in self.level], [z.id for z in self.zone]
        own = [lv.id for lv in self.level if lv.demand]
        _once("level", "id", levels)
        _once("level", "rank", [lv.rank for lv in self.level])
        _once("zone", "id", zones)
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


def _once(block: str, key: str, values: Sequence[object]) -> None:
    for i, value in enumerate(values, 1):
        if value in values[: i - 1]:
            raise Mistake(f"{block}[{i}].{key}", f"{value} stands there twice", f"give each {block} its own {key}")


def _known(field: str, named: Sequence[str], known: Sequence[str]) -> None:
    for name in named:
        if name not in known:
            what = ", ".join(known) or "none is defined in this file"
            raise Mistake(field, f'"{name}" is not defined here', f"write one of: {what}")

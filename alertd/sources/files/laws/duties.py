"""Reads the duties of a rule file beside its levels: chains aboard, winter tires, bans, speeds, removal, fines."""

from datetime import date
from typing import Literal

from pydantic import Field, model_validator

from alertd.rules.clause import Confidence
from alertd.rules.duties import CarryRule, ChainBan, ChainedSpeed, Fine, Removal, Restriction, Season, TireDuty
from alertd.sources.files.laws.control_level import (
    ConfidenceWord,
    ExemptionFile,
    RigClassFile,
    Words,
    exemptions_of,
    speed_mps,
)
from alertd.sources.files.toml import FieldError, FileModel


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
    exemptions: list[Words | ExemptionFile] = Field(default_factory=list)
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
            exemptions=exemptions_of(self.exemptions),
            satisfied_by=tuple(self.satisfied_by),
            clause=self.clause,
            when_posted=self.when_posted,
            trigger=self.trigger,
        )


class BanFile(FileModel):
    season: SeasonFile
    where: Words
    zones: list[Words] = Field(default_factory=list)
    section: Words
    confidence: ConfidenceWord
    clause: str = ""

    def to_core(self) -> ChainBan:
        return ChainBan(
            season=self.season.to_core(),
            where=self.where,
            zones=tuple(self.zones),
            section=self.section,
            confidence=Confidence(self.confidence),
            clause=self.clause,
        )


class TireDutyFile(FileModel):
    season: SeasonFile | None = None  # omitted: whenever the road is in that state
    rigs: RigClassFile = Field(RigClassFile(), alias="for")
    satisfied_by: list[Words] = Field(default_factory=list)
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
            rig_class=self.rigs.to_core(),
            satisfied_by=tuple(self.satisfied_by),
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


class RemovalFile(FileModel):
    """Where or when chains must come off."""

    what: Words
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    clause: str = ""

    def to_core(self) -> Removal:
        return Removal(
            what=self.what,
            section=self.section,
            confidence=Confidence(self.confidence),
            doubt=self.doubt,
            clause=self.clause,
        )


class RestrictionFile(FileModel):
    """What the law asks of a class of rigs in winter beside chains. barred = true: such a rig may not drive there."""

    rigs: RigClassFile = Field(RigClassFile(), alias="for")
    season: SeasonFile | None = None
    zones: list[Words] = Field(default_factory=list)
    trigger: Literal["always", "road"] = "always"
    what: Words
    barred: bool = False
    section: Words
    confidence: ConfidenceWord
    doubt: str = ""
    clause: str = ""

    def to_core(self) -> Restriction:
        return Restriction(
            what=self.what,
            section=self.section,
            confidence=Confidence(self.confidence),
            rig_class=self.rigs.to_core(),
            season=self.season.to_core() if self.season else None,
            zones=tuple(self.zones),
            trigger=self.trigger,
            barred=self.barred,
            doubt=self.doubt,
            clause=self.clause,
        )

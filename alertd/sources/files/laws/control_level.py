"""Parses the control levels of a rule file: the chain demands and rig classes. Converts units to SI."""

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, model_validator

from alertd.rules.clause import Confidence
from alertd.rules.duties import Exemption
from alertd.rules.rig import FACTS, Coupling, Kind
from alertd.rules.rig_class import RigClass
from alertd.rules.ruleset import Demand, Placement
from alertd.sources.files.toml import FieldError, FileModel
from alertd.units import KMH_MPS, POUND_KG, to_mps

Words = Annotated[str, Field(min_length=1)]
ConfidenceWord = Literal["statute", "agency", "secondary", "memory", "doubt"]


class ExemptionFile(FileModel):
    """Whom a rule leaves out, and the paper that proves it to an officer."""

    who: Words
    paper: str = ""


def exemptions_of(listed: Sequence[str | ExemptionFile]) -> tuple[Exemption, ...]:
    """The exemptions of a list in which a bare text names nobody's paper."""
    return tuple(Exemption(who=e) if isinstance(e, str) else Exemption(who=e.who, paper=e.paper) for e in listed)


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
    fitted: list[Words] = Field(default_factory=list)  # rigs that have all of these devices
    mass: Literal["rated", "declared", "power unit", "towed"] = "rated"  # the mass that the limits mean
    placarded: Literal[True] | None = None
    apportioned: Literal[True] | None = None
    oversize: Literal[True] | None = None
    motorhome: Literal[True] | None = None
    tow_truck: Literal[True] | None = None
    lightly_loaded: Literal[True] | None = None
    persons_min: int | None = Field(None, ge=1)

    @model_validator(mode="after")
    def _one_unit_of_mass(self) -> "RigClassFile":
        for name in ("over", "at_least", "at_most"):
            if getattr(self, f"{name}_lb") is not None and getattr(self, f"{name}_kg") is not None:
                raise FieldError(f"{name}_kg", f"given together with {name}_lb", "keep the one the text uses")
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
            fitted=tuple(self.fitted),
            mass=self.mass,
            facts=tuple(fact for fact in FACTS if getattr(self, fact)),
            persons_min=self.persons_min,
        )


def _mass_kg(mass_lb: float | None, mass_kg: float | None) -> float | None:
    return mass_kg if mass_lb is None else mass_lb * POUND_KG


class PlacementFile(FileModel):
    group: Literal["drive", "steer", "trailer", "dolly", "tag", "trailer or dolly"]
    axles: Literal["one", "two", "all", "primary", "last", "one of last two"] = "one"
    per_axle: Literal["each side", "all tires", "one tire", "staggered", "diagonal"] = "each side"
    place: Literal["outside", "inside", "either"] = "outside"
    units: Literal["power", "each towed", "first towed", "later towed", "last towed", "any towed"] | None = None
    coupling: Coupling | None = None
    total_tires: int | None = Field(None, ge=1)
    skip_lift: bool = True

    @model_validator(mode="after")
    def _group_is_on_these_units(self) -> "PlacementFile":
        if (self.units == "power") != (self.group in ("drive", "steer", "tag")) and self.units is not None:
            raise FieldError("units", f'group "{self.group}" is not on "{self.units}"', "omit units or correct it")
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
    clause: str = ""

    @model_validator(mode="after")
    def _doubt_is_given(self) -> "DemandFile":
        if self.confidence in ("memory", "doubt") and not self.doubt:
            raise FieldError(
                "doubt", f'missing where confidence is "{self.confidence}"', 'add doubt = "what is not sure"'
            )
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
            clause=self.clause,
        )


class LevelFile(FileModel):
    id: Words
    legal_name: Words
    rank: int = Field(ge=1)
    demand: list[DemandFile] = Field(default_factory=list)
    # Inherit demands, and the devices and exemptions not given here, from that level. Demands given here replace that
    # level's last demand, which covers the rigs outside its other classes.
    demands_of: str | None = None
    zones: list[Words] = Field(default_factory=list)
    devices: list[Words] = Field(default_factory=list)
    exemptions: list[Words | ExemptionFile] = Field(default_factory=list)
    carry_for_level: str = ""
    speed_limit_mph: float | None = Field(None, gt=0, le=80)
    speed_limit_kmh: float | None = Field(None, gt=0, le=130)
    speed_section: str = ""
    doubt: str = ""
    trigger: Literal["posted", "road", "event"] = "posted"
    posted_by: str = ""
    posted_as: list[Words] = Field(default_factory=list, examples=[["Traction tires required"]])
    clause: str = ""

    @model_validator(mode="after")
    def _asks_something_of_every_rig(self) -> "LevelFile":
        if not self.demand and self.demands_of is None:
            raise FieldError(
                "demand",
                "missing",
                'give [[level.demand]] blocks or demands_of = "level id"',
            )
        if self.demand and self.demand[-1].rigs != RigClassFile():
            raise FieldError(
                "demand", "the last one excludes some rigs", "end with one without `for`, for all other rigs"
            )
        if self.speed_limit_mph is not None and self.speed_limit_kmh is not None:
            raise FieldError("speed_limit_kmh", "given together with speed_limit_mph", "keep the one the text uses")
        if self.speed_limit_mps is not None and not self.speed_section:
            key = "speed_limit_kmh" if self.speed_limit_mph is None else "speed_limit_mph"
            raise FieldError("speed_section", f"missing with {key}", "add the section that sets the speed")
        return self

    @property
    def speed_limit_mps(self) -> float | None:
        return speed_mps(self.speed_limit_mph, self.speed_limit_kmh)


def speed_mps(speed_mph: float | None, speed_kmh: float | None) -> float | None:
    """Return the speed in m/s from whichever unit is given; None when neither is."""
    if speed_mph is not None:
        return to_mps(speed_mph)
    return None if speed_kmh is None else speed_kmh * KMH_MPS

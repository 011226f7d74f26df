"""Reads the deck of cases beside a rule file, e.g. us-co.cases.toml beside us-co.toml."""

from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from alertd.rules.cases import RuleCase
from alertd.rules.rig import Axle, AxleRole, Kind, Rig
from alertd.sources.files.laws.control_level import Words
from alertd.sources.files.laws.ruleset import CASES_SUFFIX
from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.units import POUND_KG

_ROLES = {
    "S": AxleRole.STEER, "D": AxleRole.DRIVE, "G": AxleRole.TAG, "T": AxleRole.TRAILER, "O": AxleRole.DOLLY,
}  # fmt: skip


class CaseFile(FileModel):
    # Axles front to rear, units divided by |: S steer, D drive, G tag, T trailer, O dolly, of the unit behind it.
    axles: str = Field(pattern=r"^S( [SDG])+( \|( O)?( T)+)*$", examples=["S D D | T T"])
    rated_lb: float = Field(gt=0)
    kind: Kind = "tractor"
    devices: list[Words] = Field(default_factory=list)
    level: str = ""
    date: date
    place: str = ""
    tires: Annotated[list[int], Field(min_length=2, max_length=2)] | None = Field(None, examples=[[4, 1]])
    aboard: int | None = Field(None, ge=0)
    barred: bool = False
    clause: str = ""
    basis: Words = Field(examples=["Idaho Code 49-948(6)"])

    @model_validator(mode="after")
    def _asks_one_thing(self) -> "CaseFile":
        if [self.tires is not None, self.aboard is not None, self.barred].count(True) != 1:
            raise FieldError("tires", "missing, or given with aboard or barred", "give one of tires, aboard, barred")
        if self.aboard is None and not self.level:
            raise FieldError("level", "missing", "name the posted level")
        return self

    def _rig(self) -> Rig:
        axles = [
            Axle(unit=unit, role=_ROLES[letter], dual=letter != "S", load_kg=0.0)
            for unit, part in enumerate(self.axles.split("|"))
            for letter in part.split()
        ]
        rated_kg = self.rated_lb * POUND_KG
        return Rig(
            id="case", name=self.axles, axles=tuple(axles), gross_mass_kg=rated_kg, rated_mass_kg=rated_kg, power_w=0.0,
            kind=self.kind, devices=frozenset(self.devices),
        )  # fmt: skip

    def to_core(self) -> RuleCase:
        return RuleCase(
            rig=self._rig(),
            level=self.level,
            day=self.date,
            place=self.place,
            tires=None if self.tires is None else (self.tires[0], self.tires[1]),
            aboard=self.aboard,
            barred=self.barred,
            clause=self.clause,
            basis=self.basis,
        )


class DeckFile(FileModel):
    """Contents of a deck."""

    case: list[CaseFile] = Field(min_length=1)


def cases_beside(rule_file: Path) -> Path:
    """The path of the deck of a rule file; it need not exist."""
    return rule_file.with_name(rule_file.stem + CASES_SUFFIX)


def read_cases(path: Path) -> tuple[RuleCase, ...]:
    """Read one deck. Raises ConfigError."""
    return tuple(case.to_core() for case in read_toml(path, DeckFile).case)

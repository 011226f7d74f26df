"""Reads a rig file (TOML) into a Rig. Converts pounds, kilograms and horsepower to SI."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.rules.rig import Axle, AxleRole, Coupling, Kind, Rig, RigFacts
from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.units import HORSEPOWER_W, POUND_KG

LIGHT_SHARE = 0.55  # of the rating; an empty combination weighs 0.4 to 0.5 of it [A]
_LOAD_TOLERANCE_FRAC = 0.02  # axle and gross weights are rounded separately; a missing axle differs far more


def read_rig(path: Path) -> Rig:
    """Read one rig; its id is the file's name without the suffix. Raises ConfigError."""
    return read_toml(path, RigFile).to_core(path.stem)


def read_rigs(folder: Path) -> dict[str, Rig]:
    """Read every rig file of a folder, by id. Raises ConfigError."""
    paths = sorted(folder.glob("*.toml"))
    if not paths:
        raise ConfigError(str(folder), "", "no rig files (*.toml) there", "name the folder that holds the rig files")
    return {path.stem: read_rig(path) for path in paths}


class AxlesFile(FileModel):
    """Axles of one group that are alike, e.g. a tandem; the load is that of the whole group."""

    unit: int = Field(ge=0, le=4)
    role: Literal["steer", "drive", "tag", "trailer", "dolly"]
    count: int = Field(1, ge=1, le=6)
    tires: Literal["single", "dual", "super single"]
    load_lb: float | None = Field(None, gt=0, allow_inf_nan=False)
    load_kg: float | None = Field(None, gt=0, allow_inf_nan=False)
    lift: bool = False

    @model_validator(mode="after")
    def _one_load(self) -> "AxlesFile":
        if (self.load_lb is None) == (self.load_kg is None):
            raise FieldError(
                "load_lb", "missing, or given with load_kg", "give one, for the whole group, e.g. load_lb = 34000"
            )
        if (self.unit == 0) != (self.role in ("steer", "drive", "tag")):
            raise FieldError(
                "unit", f"{self.unit} for a {self.role} axle", "unit 0 is the power unit, towed units count from 1"
            )
        return self

    @property
    def group_kg(self) -> float:
        return _kg(self.load_lb, self.load_kg)

    def to_core(self) -> tuple[Axle, ...]:
        axle = Axle(
            unit=self.unit,
            role=AxleRole(self.role),
            dual=self.tires == "dual",
            load_kg=self.group_kg / self.count,
            lift=self.lift,
            wide=self.tires == "super single",
        )
        return (axle,) * self.count


class ChainsFile(FileModel):
    """The chains on board: singles cover one tire each, doubles both tires of a dual pair."""

    singles: int = Field(ge=0, le=100)
    doubles: int = Field(0, ge=0, le=50)


class RigFile(FileModel):
    name: Annotated[str, Field(min_length=1)]
    kind: Kind
    gross_lb: float | None = Field(None, gt=0, allow_inf_nan=False)
    gross_kg: float | None = Field(None, gt=0, allow_inf_nan=False)
    rated_lb: float | None = Field(None, gt=0, allow_inf_nan=False)
    rated_kg: float | None = Field(None, gt=0, allow_inf_nan=False)
    horsepower: float = Field(gt=0, le=2000, examples=[450])
    chains: ChainsFile = Field(examples=[{"singles": 5, "doubles": 0}])
    devices: list[str] = Field(default_factory=list)
    couplings: list[Coupling] = Field(default_factory=list)
    # What some laws ask; leave out what is not known. `alertd check` names those that the rules of your routes need.
    placarded: bool | None = None
    apportioned: bool | None = None
    oversize: bool | None = None
    motorhome: bool | None = None
    tow_truck: bool | None = None
    lightly_loaded: bool | None = None  # left out: by its gross and rated weight
    persons: int | None = Field(None, ge=1, le=200)
    declared_lb: float | None = Field(None, gt=0, allow_inf_nan=False)
    declared_kg: float | None = Field(None, gt=0, allow_inf_nan=False)
    unit_rated_lb: list[Annotated[float, Field(gt=0, allow_inf_nan=False)]] = Field(default_factory=list)
    unit_rated_kg: list[Annotated[float, Field(gt=0, allow_inf_nan=False)]] = Field(default_factory=list)
    axles: list[AxlesFile] = Field(min_length=2)

    @model_validator(mode="after")
    def _is_a_rig(self) -> "RigFile":
        for name in ("gross", "rated"):
            if (getattr(self, f"{name}_lb") is None) == (getattr(self, f"{name}_kg") is None):
                raise FieldError(f"{name}_lb", f"missing, or given with {name}_kg", f"give one, e.g. {name}_lb = 80000")
        units = [a.unit for a in self.axles]
        if units != sorted(units) or set(units) != set(range(max(units) + 1)):
            raise FieldError("axles", f"units come as {units}", "write the axles front to rear, no unit left out")
        if self.axles[0].role != "steer":
            raise FieldError("axles", "the first is not a steer axle", "write the axles front to rear")
        if not any(a.role == "drive" for a in self.axles):
            raise FieldError("axles", "no drive axle", 'give one group role = "drive"')
        if len(self.couplings) > max(units):
            raise FieldError(
                "couplings", f"{len(self.couplings)} for {max(units)} towed units", "give one for each unit"
            )
        if self.declared_lb is not None and self.declared_kg is not None:
            raise FieldError("declared_kg", "given together with declared_lb", "keep one of them")
        if self.unit_rated_lb and self.unit_rated_kg:
            raise FieldError("unit_rated_kg", "given together with unit_rated_lb", "keep one of them")
        each = self.unit_rated_lb or self.unit_rated_kg
        if each and len(each) != max(units) + 1:
            key = "unit_rated_lb" if self.unit_rated_lb else "unit_rated_kg"
            raise FieldError(key, f"{len(each)} ratings for {max(units) + 1} units", "give one for each, front to rear")
        on_axles, gross = sum(a.group_kg for a in self.axles), _kg(self.gross_lb, self.gross_kg)
        if abs(on_axles - gross) > _LOAD_TOLERANCE_FRAC * gross:
            raise FieldError(
                "axles",
                f"loads sum to {on_axles / POUND_KG:,.0f} lb but gross is {gross / POUND_KG:,.0f} lb",
                "correct a load or the gross",
            )
        return self

    @property
    def _lightly_loaded(self) -> bool:
        if self.lightly_loaded is not None:
            return self.lightly_loaded
        return _kg(self.gross_lb, self.gross_kg) < LIGHT_SHARE * _kg(self.rated_lb, self.rated_kg)

    def to_core(self, rig_id: str) -> Rig:
        return Rig(
            id=rig_id,
            name=self.name,
            axles=tuple(axle for group in self.axles for axle in group.to_core()),
            gross_mass_kg=_kg(self.gross_lb, self.gross_kg),
            rated_mass_kg=_kg(self.rated_lb, self.rated_kg),
            power_w=self.horsepower * HORSEPOWER_W,
            singles_carried=self.chains.singles,
            doubles_carried=self.chains.doubles,
            devices=frozenset(self.devices),
            kind=self.kind,
            couplings=tuple(self.couplings),
            facts=RigFacts(
                placarded=self.placarded,
                apportioned=self.apportioned,
                oversize=self.oversize,
                motorhome=self.motorhome,
                tow_truck=self.tow_truck,
                lightly_loaded=self._lightly_loaded,
                persons=self.persons,
                declared_kg=_kg(self.declared_lb, self.declared_kg) or None,
                unit_rated_kg=tuple(lb * POUND_KG for lb in self.unit_rated_lb) or tuple(self.unit_rated_kg),
            ),
        )


def _kg(mass_lb: float | None, mass_kg: float | None) -> float:
    return mass_lb * POUND_KG if mass_lb is not None else (mass_kg or 0.0)

"""What the driver drives, as axles: the tires that chains go on."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, NamedTuple

Side = Literal["left", "right"]
Place = Literal["outside", "inside", "single"]


class AxleRole(StrEnum):
    STEER = "steer"
    DRIVE = "drive"
    TAG = "tag"  # unpowered axle of the power unit beside the drive axles
    TRAILER = "trailer"
    DOLLY = "dolly"  # converter dolly axle


@dataclass(frozen=True, slots=True, kw_only=True)
class Axle:
    """One axle. `unit` is 0 for the power unit, 1, 2, … for towed units from the front (a dolly counts to the unit
    whose front it carries)."""

    unit: int
    role: AxleRole
    dual: bool
    load_kg: float
    lift: bool = False


class Tire(NamedTuple):
    """One tire: index of its axle counted from the front (0 = steer), side, and place on that side."""

    axle_idx: int
    side: Side
    place: Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """A combination as it rolls: axles front to rear, its rated mass (GVWR or GCWR), power, and the iron it carries.

    singles_carried: chains for one tire each. doubles_carried: assemblies that cover both tires of one dual pair.
    devices: other traction devices fitted, in the rule files' words (e.g. "automatic chains").
    """

    id: str
    name: str
    axles: tuple[Axle, ...]
    gross_mass_kg: float
    rated_mass_kg: float
    power_w: float
    singles_carried: int = 0
    doubles_carried: int = 0
    devices: frozenset[str] = frozenset()

    def axle_indices(self, *roles: AxleRole, unit: int | None = None) -> tuple[int, ...]:
        """Indices of the axles with one of these roles, front to rear; of one unit if given."""
        return tuple(i for i, a in enumerate(self.axles) if a.role in roles and unit in (None, a.unit))

    @property
    def towed_units(self) -> int:
        return max(a.unit for a in self.axles)

    @property
    def drive_share(self) -> float:
        """Load on the driven axles over gross load."""
        return sum(a.load_kg for a in self.axles if a.role is AxleRole.DRIVE) / sum(a.load_kg for a in self.axles)

    def tires(self) -> tuple[Tire, ...]:
        """Every tire of the rig, front to rear."""
        return tuple(
            Tire(i, side, place)
            for i, axle in enumerate(self.axles)
            for side in ("left", "right")
            for place in (("outside", "inside") if axle.dual else ("single",))
        )

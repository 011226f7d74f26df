"""The truck as axles, and the tires that take chains."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from typing import Final, Generic, Literal, NamedTuple, TypeVar

from alertd.rules.devices import with_implied

T = TypeVar("T")

Side = Literal["left", "right"]
TirePlace = Literal["outside", "inside", "single"]
Kind = Literal["tractor", "truck", "bus", "car"]
Coupling = Literal["fifth wheel", "drawbar"]

# The facts of a rig that laws ask for, with the question that `alertd check` puts.
FACTS: Final = {
    "placarded": "whether its load is placarded hazardous material",
    "apportioned": "whether it bears an apportioned plate",
    "oversize": "whether it moves on an oversize permit",
    "motorhome": "whether it is a motorhome",
    "lightly_loaded": "whether it is empty or lightly loaded",
    "tow_truck": "whether it tows or transports vehicles for pay, with a winch or the like",
}

_SIDES: tuple[Side, ...] = ("left", "right")
_DUAL: tuple[TirePlace, ...] = ("outside", "inside")
_SINGLE: tuple[TirePlace, ...] = ("single",)


class AxleRole(StrEnum):
    """Role of an axle."""

    STEER = "steer"
    DRIVE = "drive"
    TAG = "tag"  # unpowered axle of the power unit beside the drive axles
    TRAILER = "trailer"
    DOLLY = "dolly"  # converter dolly axle


@dataclass(frozen=True, slots=True, kw_only=True)
class Axle:
    """One axle.

    unit: 0 for the power unit, 1, 2, … for towed units from the front. A dolly belongs to the unit whose front it
        carries.
    wide: wide single tires ("super singles") in place of duals.
    """

    unit: int
    role: AxleRole
    dual: bool
    load_kg: float
    lift: bool = False
    wide: bool = False


class AxleSpot(NamedTuple):
    """The legal properties of an axle, without its load, so that rigs that differ only in freight share a layout."""

    unit: int
    role: AxleRole
    dual: bool
    lift: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RigFacts:
    """What a law may ask of a rig beside its axles. None means that the rig file does not state it.

    declared_kg: the declared or licensed gross mass.
    persons: the persons that it is built to carry, driver included.
    unit_rated_kg: the rating of each unit, front to rear; empty where not stated.
    """

    placarded: bool | None = None
    apportioned: bool | None = None
    oversize: bool | None = None
    motorhome: bool | None = None
    tow_truck: bool | None = None
    lightly_loaded: bool | None = None
    persons: int | None = None
    declared_kg: float | None = None
    unit_rated_kg: tuple[float, ...] = ()

    def known(self, fact: str) -> bool | None:
        """Whether a fact of FACTS, or "persons N" for so many persons or more, is true; None where it is not stated."""
        if fact.startswith("persons "):
            return None if self.persons is None else self.persons >= int(fact.split()[1])
        value: bool | None = getattr(self, fact)
        return value


NO_FACTS: Final = RigFacts()


class Layout(NamedTuple):
    """The legal properties of a rig. Two rigs with equal layouts get the same answer."""

    kind: Kind
    axles: tuple[AxleSpot, ...]
    couplings: tuple[Coupling, ...]
    rated_mass_kg: float
    devices: frozenset[str]
    facts: RigFacts = NO_FACTS

    @property
    def towed_units(self) -> int:
        """Number of towed units."""
        return max(a.unit for a in self.axles)


class Tire(NamedTuple):
    """One tire: index of its axle counted from the front (0 = steer), side, and place on that side."""

    axle_idx: int
    side: Side
    place: TirePlace


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """A combination as it drives: axles front to rear, rated mass (GVWR or GCWR), power, and the chains it carries.

    singles_carried: chains for one tire each.
    doubles_carried: assemblies that cover both tires of one dual pair.
    chain_size: of the tires that they fit, "" where not stated.
    devices: other traction devices fitted, in the words of the rule files (e.g. "automatic chains").
    couplings: coupling of each towed unit, front to rear; fifth wheel and kingpin where not stated.
    """

    id: str
    name: str
    axles: tuple[Axle, ...]
    gross_mass_kg: float
    rated_mass_kg: float
    power_w: float
    singles_carried: int = 0
    doubles_carried: int = 0
    chain_size: str = ""
    devices: frozenset[str] = frozenset()
    kind: Kind = "tractor"
    couplings: tuple[Coupling, ...] = ()
    facts: RigFacts = NO_FACTS

    @property
    def layout(self) -> Layout:
        """The legal properties of the rig."""
        return _layout(IdentityKey(self))

    @property
    def nameless(self) -> "Rig":
        """What the road and the law ask of this rig: one object for all rigs that differ in name and chain size only.

        Trucks with a file each then share what is computed for their kind.
        """
        return _nameless(IdentityKey(self))

    def axle_indices(self, *roles: AxleRole, unit: int | None = None) -> tuple[int, ...]:
        """Indices of the axles with one of these roles, front to rear; only of `unit` if given."""
        return tuple(i for i, a in enumerate(self.axles) if a.role in roles and unit in (None, a.unit))

    @property
    def towed_units(self) -> int:
        """Number of towed units."""
        return max(a.unit for a in self.axles)

    @property
    def drive_share(self) -> float:
        """Load on the driven axles over gross load."""
        return sum(a.load_kg for a in self.axles if a.role is AxleRole.DRIVE) / sum(a.load_kg for a in self.axles)

    def tires(self) -> tuple[Tire, ...]:
        """Every tire of the rig, front to rear."""
        return tires_of(self.axles)


class IdentityKey(Generic[T]):
    """A cache key by object identity: hashing a whole rig or level each time would cost more than the answer."""

    __slots__ = ("value",)

    def __init__(self, value: T) -> None:
        self.value = value

    def __hash__(self) -> int:
        return id(self.value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, IdentityKey) and self.value is other.value


@lru_cache(maxsize=16384)
def _layout(rig: IdentityKey[Rig]) -> Layout:
    return Layout(
        rig.value.kind,
        tuple(AxleSpot(a.unit, a.role, a.dual, a.lift) for a in rig.value.axles),
        rig.value.couplings,
        rig.value.rated_mass_kg,
        with_implied(rig.value.devices),
        rig.value.facts,
    )


@lru_cache(maxsize=16384)
def _nameless(rig: IdentityKey[Rig]) -> Rig:
    return _one_of_a_kind(replace(rig.value, id="", name="", chain_size=""))


@lru_cache(maxsize=4096)
def _one_of_a_kind(rig: Rig) -> Rig:
    return rig


def tires_of(axles: Sequence[Axle | AxleSpot]) -> tuple[Tire, ...]:
    """Every tire on these axles: front to rear, left before right, outside before inside."""
    return tuple(
        Tire(i, side, place)
        for i, axle in enumerate(axles)
        for side in _SIDES
        for place in (_DUAL if axle.dual else _SINGLE)
    )

"""The classes of rigs that laws name, and whether a rig belongs to one."""

from dataclasses import dataclass
from typing import Final, Literal

from alertd.rules.rig import AxleRole, Kind, Layout


@dataclass(frozen=True, slots=True, kw_only=True)
class RigClass:
    """The combinations that a rule applies to. None means "any". Masses are in kg.

    min and max are inclusive; over_rated_mass_kg is "more than", as in "vehicles over 10,000 GVW". Axles count whether
    lifted or not.

    mass: the mass that the limits mean: "rated" the rating of the combination, "declared" the declared or licensed
        mass, "power unit" the rating of the power unit, "towed" the heaviest rating of a towed unit. Where the rig does
        not state it, the rating of the combination counts, and for "towed" every limit is exceeded.
    fitted: only rigs that have all of these devices.
    facts: only rigs of which all of these facts are true, see `RigFacts`. A fact that is not stated does not count;
        `unstated_facts` names it.
    persons_min: only rigs that carry so many persons or more, driver included.
    """

    over_rated_mass_kg: float | None = None
    min_rated_mass_kg: float | None = None
    max_rated_mass_kg: float | None = None
    min_axles: int | None = None
    max_axles: int | None = None
    min_drive_axles: int | None = None
    max_drive_axles: int | None = None
    min_towed_units: int | None = None
    max_towed_units: int | None = None
    kinds: tuple[Kind, ...] = ()
    fitted: tuple[str, ...] = ()
    mass: Literal["rated", "declared", "power unit", "towed"] = "rated"
    facts: tuple[str, ...] = ()
    persons_min: int | None = None

    @property
    def asks_facts(self) -> bool:
        """True when the class depends on more than axles, kind, devices and the rating of the combination."""
        return bool(self.facts) or self.persons_min is not None or self.mass != "rated"


EVERY_RIG: Final = RigClass()


def fits(rig_class: RigClass, rig: Layout) -> bool:
    """True if the rig belongs to the class. A NaN mass fits every class, because missing data never exempts."""
    return _fits_apart_from_facts(rig_class, rig) and not any(
        rig.facts.known(fact) is not True for fact in _facts_of(rig_class)
    )


def unstated_facts(rig_class: RigClass, rig: Layout) -> tuple[str, ...]:
    """The facts that decide whether the rig belongs to the class, and that the rig does not state; empty otherwise."""
    if not rig_class.asks_facts or not _fits_apart_from_facts(rig_class, rig):
        return ()
    known = {fact: rig.facts.known(fact) for fact in _facts_of(rig_class)}
    if any(value is False for value in known.values()):
        return ()
    return tuple(fact for fact, value in known.items() if value is None)


def unstated_mass(rig_class: RigClass, rig: Layout) -> str:
    """The mass that the class means and the rig does not state; "" where it is stated or does not matter."""
    if rig_class.mass == "declared" and rig.facts.declared_kg is None:
        return "declared"
    if rig_class.mass in ("power unit", "towed") and not rig.facts.unit_rated_kg and rig.towed_units:
        return rig_class.mass
    return ""


def _facts_of(rig_class: RigClass) -> tuple[str, ...]:
    persons = () if rig_class.persons_min is None else (f"persons {rig_class.persons_min}",)
    return (*rig_class.facts, *persons)


def _fits_apart_from_facts(rig_class: RigClass, rig: Layout) -> bool:
    mass, axles_n = _mass_kg(rig_class, rig), len(rig.axles)
    drive_n = sum(a.role is AxleRole.DRIVE for a in rig.axles)
    too_light = (rig_class.over_rated_mass_kg is not None and mass <= rig_class.over_rated_mass_kg) or (
        rig_class.min_rated_mass_kg is not None and mass < rig_class.min_rated_mass_kg
    )
    too_heavy = rig_class.max_rated_mass_kg is not None and mass > rig_class.max_rated_mass_kg
    return not (
        too_light
        or too_heavy
        or _outside(axles_n, rig_class.min_axles, rig_class.max_axles)
        or _outside(drive_n, rig_class.min_drive_axles, rig_class.max_drive_axles)
        or _outside(rig.towed_units, rig_class.min_towed_units, rig_class.max_towed_units)
        or (rig_class.kinds and rig.kind not in rig_class.kinds)
        or not rig.devices.issuperset(rig_class.fitted)
    )


def _mass_kg(rig_class: RigClass, rig: Layout) -> float:
    facts = rig.facts
    if rig_class.mass == "declared" and facts.declared_kg is not None:
        return facts.declared_kg
    if rig_class.mass == "power unit" and facts.unit_rated_kg:
        return facts.unit_rated_kg[0]
    if rig_class.mass == "towed":
        return max(facts.unit_rated_kg[1:], default=float("nan"))
    return rig.rated_mass_kg


def _outside(n: int, low: int | None, high: int | None) -> bool:
    return (low is not None and n < low) or (high is not None and n > high)

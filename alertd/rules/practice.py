"""Company practice over the law: an operator may ask more chains than the law does, never fewer."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from alertd.rules.requirements import TireDemand, tire_choices
from alertd.rules.rig import IdentityKey, Layout, Rig, tires_of
from alertd.rules.rig_class import EVERY_RIG, RigClass, fits
from alertd.rules.ruleset import Placement
from alertd.rules.tire_layouts import minimal, unions


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """What a company asks besides the law.

    why: the practice in words, as readers see it.
    jurisdictions, rigs, zones, levels: where, for which rigs by id, on which roads by zone id, at which levels by id;
        empty for all. Without levels it applies wherever the law asks this rig for chains.
    layouts: as in `Demand`; one layout without placements asks nothing on the tires.
    aboard_n: single chains that must be aboard; 0 for what the law asks.
    """

    why: str
    jurisdictions: tuple[str, ...] = ()
    rigs: tuple[str, ...] = ()
    rig_class: RigClass = EVERY_RIG
    zones: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()
    layouts: tuple[tuple[Placement, ...], ...] = ((),)
    aboard_n: int = 0

    def binds(self, jurisdiction: str, rig: Rig, zones: Collection[str]) -> bool:
        """True for this rig on a way through these zones of the jurisdiction."""
        return (
            (not self.jurisdictions or jurisdiction in self.jurisdictions)
            and (not self.rigs or rig.id in self.rigs)
            and (not self.zones or not set(self.zones).isdisjoint(zones))
            and fits(self.rig_class, rig.layout)
        )


def with_practice(demand: TireDemand, practices: Iterable[Practice], rig: Rig, zones: Collection[str]) -> TireDemand:
    """The demand with what company practice asks besides; the demand itself where that is no more."""
    if demand.barred:
        return demand
    for practice in practices:
        at_level = demand.level_id in practice.levels if practice.levels else demand.tires_min > 0
        if at_level and practice.binds(demand.jurisdiction, rig, zones):
            demand = _joined(IdentityKey(demand), IdentityKey(practice), rig.layout)
    return demand


def adds_tires(demand: TireDemand, practice: Practice, rig: Rig) -> bool:
    """True when the practice asks more tires of this rig than the demand does."""
    joined = _joined(IdentityKey(demand), IdentityKey(practice), rig.layout)
    return joined.tires_min > demand.tires_min


@lru_cache(maxsize=16384)
def _joined(demand: IdentityKey[TireDemand], practice: IdentityKey[Practice], rig: Layout) -> TireDemand:
    law, more = demand.value, practice.value
    tires = tires_of(rig.axles)
    bit = {t: 1 << i for i, t in enumerate(tires)}
    parts = [
        [sum(bit[t] for t in choice) for choice in choices]
        for choices in (law.choices, tire_choices(more.layouts, rig))
    ]
    masks = minimal(unions(parts))
    fewest = min(mask.bit_count() for mask in masks)
    if fewest <= law.tires_min:
        return law
    return replace(
        law,
        choices=tuple(frozenset(t for t in tires if mask & bit[t]) for mask in masks),
        practice="; ".join(filter(None, (law.practice, more.why))),
        by_law_n=law.tires_min if law.by_law_n is None else law.by_law_n,
    )

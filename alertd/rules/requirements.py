"""From a rig and a level to the exact tires, and to the chains that cover them."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import Final

from alertd.rules.rig import IdentityKey, Layout, Rig, Tire, tires_of
from alertd.rules.ruleset import CarryRule, Confidence, ControlLevel, Demand, Placement, RigClass, RuleSet, Season
from alertd.rules.tire_layouts import choices, fits, minimal, unions

# Where a rule file does not say what a level asks of such a rig: no text we read asks for more than this.
_EVERYTHING: Final = Demand(
    rig_class=RigClass(),
    layouts=(
        (
            Placement(group="drive", axles="all", per_axle="all tires"),
            Placement(group="trailer", axles="one of last two", units="each towed"),
        ),
    ),
    section="no text: the rule file is silent",
    confidence=Confidence.DOUBT,
    doubt="the rule file names no class that this rig belongs to: all drive tires and 2 on each towed unit",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TireDemand:
    """What one level of one jurisdiction asks of one rig: any of `choices`, each a minimal set of tires.

    choices == (frozenset(),) means nothing is asked. An unknown law is never this: it raises the safe figure and
    says so in `doubt`. barred: why this rig may not pass at all, chained or not ("" if it may).
    """

    jurisdiction: str
    level_id: str
    legal_name: str
    choices: tuple[frozenset[Tire], ...]
    section: str
    confidence: Confidence
    doubt: str
    rank: int = 0
    barred: str = ""
    devices: tuple[str, ...] = ()

    @property
    def tires_min(self) -> int:
        return min(len(c) for c in self.choices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """The tires to chain so that every one of several demands is met, and the iron it takes.

    singles_n counts chains when each covers one tire; singles_short is how many single chains are missing after
    those carried, doubles used where both tires of a dual pair are to be covered. Where singles run out and doubles
    are left, `tires` takes in the second tire of a pair, so that a double can stand in for the missing single.
    """

    tires: tuple[Tire, ...]
    singles_n: int
    singles_used: int
    doubles_used: int
    singles_short: int
    demands: tuple[TireDemand, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryDuty:
    """Chains that must be on board whatever the weather, and how many are missing.

    singles_n is tires_n plus spares_n. singles_short counts doubles where both tires of a pair are asked, but never
    as a spare. `certain` is False where none of the rule's placed zones lies on the route but others could not be
    looked for: `not_placed` names them. season is None when a posted sign, not a date, raises the duty.
    """

    jurisdiction: str
    level_id: str
    zones: tuple[str, ...]
    not_placed: tuple[str, ...]
    certain: bool
    tires_n: int
    spares_n: int
    singles_short: int
    hanging: Hanging
    season: Season | None
    section: str
    confidence: Confidence
    doubt: str
    exemptions: tuple[str, ...] = ()

    @property
    def singles_n(self) -> int:
        return self.tires_n + self.spares_n


def demand_for(ruleset: RuleSet, level: ControlLevel, rig: Rig) -> TireDemand:
    """What this level asks of this rig, as every minimal set of tires that satisfies it.

    The first demand of the level whose class fits the rig holds. Where none fits, everything that any text we read
    asks is asked, with a doubt saying so.
    """
    return _demand(ruleset.jurisdiction, IdentityKey(level), rig.layout)


def strictest(demands: Sequence[TireDemand]) -> TireDemand:
    """The demand that asks most: barred before tires before rank; the first of equals. ValueError if none."""
    return max(demands, key=lambda d: (d.barred != "", d.tires_min, d.rank))


def cover(rig: Rig, demands: Sequence[TireDemand]) -> Hanging:
    """The smallest hanging that meets every demand at once, from the iron on board.

    In this order: least missing, fewest chains to hang, fewest tires, outside before inside, the foremost drive
    axle and the rearmost trailer axle, the right side (away from traffic) before the left.
    """
    return _cover(rig.layout, rig.singles_carried, rig.doubles_carried, tuple(IdentityKey(d) for d in demands))


def carry_duty(
    ruleset: RuleSet,
    rig: Rig,
    day: date,
    zone_ids_on_route: Collection[str],
    posted_level_ids: Collection[str] = (),
) -> CarryDuty | None:
    """What must be on board on `day` (local date) on a route through these zones; None if nothing.

    Of several duties, a certain one before an uncertain one, then the one that asks most. posted_level_ids: signs
    now standing on the route, some of which ask for chains on board. A route outside every placed zone still gets a
    duty, marked uncertain, where zones of the rule are not placed or its list is not complete.
    """
    duties = [
        _duty(ruleset, rule, rig, zone_ids_on_route)
        for rule in ruleset.carry
        if rule.season.contains(day) and fits(rule.rig_class, rig.layout) and rig.devices.isdisjoint(rule.satisfied_by)
    ]
    duties += [
        _carry_for(ruleset, rig, level.carry_for_level, demand=demand_for(ruleset, level, rig))
        for level in ruleset.levels
        if level.id in posted_level_ids and level.carry_for_level
    ]
    found = [d for d in duties if d is not None and d.singles_n > 0]
    return max(found, key=lambda d: (d.certain, d.singles_n), default=None)


def _duty(ruleset: RuleSet, rule: CarryRule, rig: Rig, zone_ids_on_route: Collection[str]) -> CarryDuty | None:
    hit = tuple(z for z in rule.zones if z in zone_ids_on_route)
    unplaced = tuple(ruleset.zone(z) for z in rule.zones if not ruleset.zone(z).placed and z not in hit)
    certain = bool(hit) or not rule.zones
    if not certain and not unplaced and rule.zones_complete:
        return None
    words = tuple(z.words for z in unplaced)
    if not rule.zones_complete:
        words += ("other roads: the list was not read to its end",)
    duty = _carry_for(ruleset, rig, rule.enough_for_level, rule=rule)
    return replace(duty, zones=hit, not_placed=words, certain=certain)


def _carry_for(
    ruleset: RuleSet,
    rig: Rig,
    level_id: str,
    *,
    rule: CarryRule | None = None,
    demand: TireDemand | None = None,
) -> CarryDuty:
    """A certain duty without zones, for the chains that a level demands of this rig."""
    asked = demand_for(ruleset, ruleset.level(level_id), rig)
    why = rule or demand or asked
    spares_n = rule.spare_singles if rule and asked.tires_min else 0
    hanging = _cover(rig.layout, max(0, rig.singles_carried - spares_n), rig.doubles_carried, (IdentityKey(asked),))
    return CarryDuty(
        jurisdiction=ruleset.jurisdiction,
        level_id=level_id,
        zones=(),
        not_placed=(),
        certain=True,
        tires_n=asked.tires_min,
        spares_n=spares_n,
        singles_short=hanging.singles_short + max(0, spares_n - rig.singles_carried),
        hanging=hanging,
        season=rule.season if rule else None,
        section=why.section,
        confidence=why.confidence,
        doubt="; ".join(d for d in (why.doubt, asked.doubt) if d),
        exemptions=rule.exemptions if rule else (),
    )


def demands_by_tire(rig: Rig, hanging: Hanging) -> tuple[tuple[Tire, tuple[TireDemand, ...]], ...]:
    """For each chained tire, the demands whose text it serves, in the order of the hanging's demands.

    Where a law leaves a choice, its text stands beside the tires of the choice that is preferred among those hung.
    None stands beside the second tire of a pair that only a double, in place of a missing single, takes in.
    """
    hung = frozenset(hanging.tires)
    # `cover` hangs a smallest union of choices, so whichever choice within it is taken for each demand, together they
    # make all of it.
    met = [
        (demand, min((c for c in demand.choices if c <= hung), key=lambda c: _cost(rig.layout, c)))
        for demand in hanging.demands
    ]
    return tuple((tire, tuple(demand for demand, tires in met if tire in tires)) for tire in hanging.tires)


def _cost(rig: Layout, tires: frozenset[Tire]) -> tuple[int, ...]:
    """Smaller is rather hung: fewest tires first, then as `_preference` has it."""
    ranks = [_preference(rig, t) for t in tires]
    return (len(tires), *(sum(column) for column in zip(*ranks, strict=True)))


@lru_cache(maxsize=16384)
def _demand(jurisdiction: str, level: IdentityKey[ControlLevel], rig: Layout) -> TireDemand:
    asked = next((d for d in level.value.demands if fits(d.rig_class, rig)), _EVERYTHING)
    met_by = sorted(rig.devices.intersection(asked.satisfied_by))
    tires = tires_of(rig.axles)
    return TireDemand(
        jurisdiction=jurisdiction,
        level_id=level.value.id,
        legal_name=level.value.legal_name,
        choices=tuple(_tires(mask, tires) for mask in ((0,) if met_by else choices(asked, rig))),
        section=asked.section,
        confidence=asked.confidence,
        doubt="; ".join(d for d in (asked.doubt, level.value.doubt, *(f"met by {m} as fitted" for m in met_by)) if d),
        rank=level.value.rank,
        barred=asked.barred,
        devices=asked.devices or level.value.devices,
    )


def _tires(mask: int, tires: Sequence[Tire]) -> frozenset[Tire]:
    return frozenset(t for i, t in enumerate(tires) if mask >> i & 1)


@lru_cache(maxsize=16384)
def _cover(rig: Layout, singles: int, doubles: int, demands: tuple[IdentityKey[TireDemand], ...]) -> Hanging:
    tires = tires_of(rig.axles)
    bit = {t: 1 << i for i, t in enumerate(tires)}
    rank = [_preference(rig, t) for t in tires]
    pairs = [bit[t] | bit[t._replace(place="inside")] for t in tires if t.place == "outside"]
    parts = [[sum(bit[t] for t in choice) for choice in d.value.choices] for d in demands]

    def cost(fit: tuple[int, int, int]) -> tuple[int, ...]:
        mask, used, short = fit
        chosen = [rank[i] for i in range(len(tires)) if mask >> i & 1]
        chains_n = mask.bit_count() - used
        return (short, chains_n, mask.bit_count(), *(sum(column) for column in zip(*chosen, strict=True)), mask)

    mask, used, short = min((_hang(m, pairs, singles, doubles) for m in minimal(unions(parts))), key=cost)
    return Hanging(
        tires=tuple(t for t in tires if mask & bit[t]),
        singles_n=mask.bit_count(),
        singles_used=mask.bit_count() - 2 * used - short,
        doubles_used=used,
        singles_short=short,
        demands=tuple(d.value for d in demands),
    )


def _preference(rig: Layout, tire: Tire) -> tuple[int, int, int]:
    """Smaller is rather hung: (inside, steps from the foremost drive or the rearmost towed axle, left)."""
    power = rig.axles[tire.axle_idx].unit == 0
    steps = tire.axle_idx if power else len(rig.axles) - tire.axle_idx
    return (int(tire.place == "inside"), steps, int(tire.side == "left"))


def _hang(mask: int, pairs: Sequence[int], singles: int, doubles: int) -> tuple[int, int, int]:
    """Tires chained, doubles used and singles missing when `mask` is asked."""
    used = min(doubles, sum(mask & pair == pair for pair in pairs))
    short = max(0, mask.bit_count() - 2 * used - singles)
    halves = [pair for pair in pairs if mask & pair not in (0, pair)]
    # Two at a time where it can be, so that an axle is hung alike left and right.
    stand_in = min(len(halves), doubles - used, short + short % 2)
    for pair in halves[:stand_in]:
        mask |= pair
    return mask, used + stand_in, max(0, short - stand_in)

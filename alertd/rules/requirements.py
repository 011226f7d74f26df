"""Determines the tires that a level requires on a rig, and the chains that cover them."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import Final

from alertd.rules.clause import Confidence
from alertd.rules.duties import CarryRule, Exemption, Season
from alertd.rules.rig import FACTS, IdentityKey, Layout, Rig, Tire, tires_of
from alertd.rules.rig_class import RigClass, fits, unstated_facts
from alertd.rules.ruleset import ControlLevel, Demand, Placement, RuleSet
from alertd.rules.tire_layouts import layout_choices, minimal, unions

# Used where a rule file does not state the requirement for such a rig. No text we read requires more than this.
_EVERYTHING: Final = Demand(
    rig_class=RigClass(),
    layouts=(
        (
            Placement(group="drive", axles="all", per_axle="all tires"),
            Placement(group="trailer", axles="one of last two", units="each towed"),
            Placement(group="dolly", axles="one", units="each towed", coupling="drawbar"),
        ),
    ),
    section="no text: the rule file is silent",
    confidence=Confidence.DOUBT,
    doubt="the rule file names no class that this rig belongs to: all drive tires and 2 on each towed unit",
)


_UNKNOWN_LEVEL: Final = ControlLevel(
    id="",
    legal_name="rule not known: the most that any text on file asks",
    rank=0,
    demands=(replace(_EVERYTHING, section=""),),
    doubt="no chain rule on file here; ask the road authority",
)


# 200 rigs by all levels on file are about 13,000 answers [A].
_ANSWERS_MAX: Final = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class TireDemand:
    """The requirement of one level of one jurisdiction for one rig: any of `choices`, each a minimal set of tires.

    choices == (frozenset(),) means that nothing is required. An unknown law never gives this: it gives the safe number
    of tires and a `doubt`.

    barred: the reason why this rig may not pass at all, chained or not; "" if it may.
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
    clause: str = ""

    @property
    def tires_min(self) -> int:
        """Number of tires of the smallest choice."""
        return min(len(c) for c in self.choices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """The tires to chain so that all of several demands are met, and the chains that this takes.

    tires: the tires to chain. Where singles run out and doubles are left, this includes the second tire of a pair, so
        that a double can replace the missing single.
    singles_n: number of chains when each covers one tire.
    singles_short: number of single chains missing beyond those carried, with doubles used where both tires of a dual
        pair are to be covered.
    """

    tires: tuple[Tire, ...]
    singles_n: int
    singles_used: int
    doubles_used: int
    singles_short: int
    demands: tuple[TireDemand, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryDuty:
    """Chains required on board whatever the weather, and how many are missing.

    not_placed: names of the rule's zones whose position is not known.
    certain: False where none of the rule's placed zones is on the route, but zones in `not_placed` may be.
    singles_n: tires_n plus spares_n.
    singles_short: doubles count where both tires of a pair are required, but never as a spare.
    season: None when a posted sign, not a date, causes the duty.
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
    exemptions: tuple[Exemption, ...] = ()
    clause: str = ""

    @property
    def singles_n(self) -> int:
        """Number of single chains required, spares included."""
        return self.tires_n + self.spares_n


# Answers by the identity of level and rig: hashing a layout costs more than the rest of a warm answer.
_ANSWERS: dict[tuple[int, int], tuple[TireDemand, ControlLevel, Rig]] = {}


def demand_for(ruleset: RuleSet, level: ControlLevel, rig: Rig) -> TireDemand:
    """The requirement of this level for this rig, as every minimal set of tires that satisfies it.

    The first demand of the level whose class fits the rig applies. Where none fits, the result requires the most that
    any text we read requires, and `doubt` says so.
    """
    found = _ANSWERS.get((id(level), id(rig)))
    # The entry holds the level and the rig, so that no other object has their ids. Rule sets may share a level.
    if found is not None and found[0].jurisdiction == ruleset.jurisdiction:
        return found[0]
    answer = _demand(ruleset.jurisdiction, IdentityKey(level), rig.layout)
    if len(_ANSWERS) >= _ANSWERS_MAX:
        _ANSWERS.clear()
    _ANSWERS[id(level), id(rig)] = (answer, level, rig)
    return answer


def unknown_law(rig: Rig, neighbours: Iterable[RuleSet]) -> TireDemand:
    """The requirement where no rule is on file: the most that the text of any neighbour requires, marked as not known.

    It is at least all drive tires and two on each towed unit. A bar of a neighbour is not carried over.
    """
    asked = [demand_for(rules, level, rig) for rules in neighbours for level in rules.levels]
    silent = _demand("", IdentityKey(_UNKNOWN_LEVEL), rig.layout)
    return replace(silent, choices=max((silent, *asked), key=lambda d: d.tires_min).choices, doubt=_UNKNOWN_LEVEL.doubt)


def strictest(demands: Sequence[TireDemand]) -> TireDemand:
    """The strictest demand: barred before number of tires before rank; the first of equals. ValueError if none."""
    return max(demands, key=lambda d: (d.barred != "", d.tires_min, d.rank))


def cover(rig: Rig, demands: Sequence[TireDemand]) -> Hanging:
    """The smallest set of tires and chains that meets all demands at once, from the chains on board.

    Criteria in order: fewest missing chains, fewest chains to hang, fewest tires, outside before inside, the foremost
    drive axle and the rearmost trailer axle, the right side (away from traffic) before the left.
    """
    return _cover(rig.layout, rig.singles_carried, rig.doubles_carried, tuple(IdentityKey(d) for d in demands))


def carry_duty(
    ruleset: RuleSet,
    rig: Rig,
    day: date,
    zone_ids_on_route: Collection[str],
    posted_level_ids: Collection[str] = (),
    *,
    winter_road: bool = True,
) -> CarryDuty | None:
    """The duty to carry chains on `day` (local date) on a route through these zones; None if there is none.

    posted_level_ids: levels now posted on the route, some of which require chains on board, or extend a dated duty.
    winter_road: False only where a known forecast rules out a road that may require chains.

    Of several duties, a certain one comes before an uncertain one, then the one that requires most. A route outside
    every placed zone still gets a duty, marked uncertain, where zones of the rule are not placed or its list is not
    complete.
    """
    duties = [
        _duty(ruleset, rule, rig, zone_ids_on_route, in_season=rule.season.contains(day))
        for rule in ruleset.carry
        if (
            (rule.season.contains(day) and (winter_road or rule.trigger != "road"))
            or (rule.when_posted and _is_posted(ruleset, rule.enough_for_level, posted_level_ids))
        )
        and fits(rule.rig_class, rig.layout)
        and rig.layout.devices.isdisjoint(rule.satisfied_by)
    ]
    duties += [
        _carry_for(ruleset, rig, level.carry_for_level, demand=demand_for(ruleset, level, rig))
        for level in ruleset.levels
        if level.id in posted_level_ids and level.carry_for_level
    ]
    needed = [d for d in duties if d is not None and d.singles_n > 0]
    return max(needed, key=lambda d: (d.certain, d.singles_n), default=None)


def _is_posted(ruleset: RuleSet, level_id: str, posted_level_ids: Collection[str]) -> bool:
    """True while this level or a stricter one is posted."""
    rank = ruleset.level(level_id).rank
    return any(level.rank >= rank for level in ruleset.levels if level.id in posted_level_ids)


def _duty(
    ruleset: RuleSet, rule: CarryRule, rig: Rig, zone_ids_on_route: Collection[str], *, in_season: bool
) -> CarryDuty | None:
    hit = tuple(z for z in rule.zones if z in zone_ids_on_route)
    unplaced = tuple(ruleset.zone(z) for z in rule.zones if not ruleset.zone(z).placed and z not in hit)
    certain = bool(hit) or not rule.zones
    if not certain and not unplaced and rule.zones_complete:
        return None
    words = tuple(z.words for z in unplaced)
    if not rule.zones_complete:
        words += ("other roads: the list was not read to its end",)
    duty = _carry_for(ruleset, rig, rule.enough_for_level, rule=rule)
    season = duty.season if in_season else None
    return replace(duty, zones=hit, not_placed=words, certain=certain, season=season)


def _carry_for(
    ruleset: RuleSet,
    rig: Rig,
    level_id: str,
    *,
    rule: CarryRule | None = None,
    demand: TireDemand | None = None,
) -> CarryDuty:
    """A certain duty without zones, for the chains that a level demands of this rig."""
    required = demand_for(ruleset, ruleset.level(level_id), rig)
    why = rule or demand or required
    spares_n = rule.spare_singles if rule and required.tires_min else 0
    hanging = _cover(rig.layout, max(0, rig.singles_carried - spares_n), rig.doubles_carried, (IdentityKey(required),))
    return CarryDuty(
        jurisdiction=ruleset.jurisdiction,
        level_id=level_id,
        zones=(),
        not_placed=(),
        certain=True,
        tires_n=required.tires_min,
        spares_n=spares_n,
        singles_short=hanging.singles_short + max(0, spares_n - rig.singles_carried),
        hanging=hanging,
        season=rule.season if rule else None,
        section=why.section,
        confidence=why.confidence,
        doubt="; ".join(d for d in (why.doubt, required.doubt) if d),
        exemptions=rule.exemptions if rule else (),
        clause=why.clause,
    )


def demands_by_tire(rig: Rig, hanging: Hanging) -> tuple[tuple[Tire, tuple[TireDemand, ...]], ...]:
    """For each chained tire, the demands that it serves, in the order of the hanging's demands.

    Where a law leaves a choice, it counts for the tires of the preferred choice among those hung. The second tire of a
    pair that is chained only because a double replaces a missing single serves no demand.
    """
    chained = frozenset(hanging.tires)
    # `cover` hangs a smallest union of choices, so the choices taken for each demand always add up to all of it.
    met = [
        (demand, min((c for c in demand.choices if c <= chained), key=lambda c: _cost(rig.layout, c)))
        for demand in hanging.demands
    ]
    return tuple((tire, tuple(demand for demand, tires in met if tire in tires)) for tire in hanging.tires)


def _cost(rig: Layout, tires: frozenset[Tire]) -> tuple[int, ...]:
    """Sort key of a set of tires, smaller is preferred: fewest tires first, then by `_preference`."""
    ranks = [_preference(rig, t) for t in tires]
    return (len(tires), *(sum(column) for column in zip(*ranks, strict=True)))


@lru_cache(maxsize=65536)
def _demand(jurisdiction: str, level: IdentityKey[ControlLevel], rig: Layout) -> TireDemand:
    demand = next((d for d in level.value.demands if fits(d.rig_class, rig)), _EVERYTHING)
    met_by = sorted(rig.devices.intersection(demand.satisfied_by))
    return TireDemand(
        jurisdiction=jurisdiction,
        level_id=level.value.id,
        legal_name=level.value.legal_name,
        choices=(frozenset(),) if met_by else _tire_choices(demand.layouts, rig),
        section=demand.section,
        confidence=demand.confidence,
        doubt="; ".join(
            d
            for d in (
                demand.doubt,
                level.value.doubt,
                *(f"met by {m} as fitted" for m in met_by),
                *_unless(level.value, demand, rig),
            )
            if d
        ),
        rank=level.value.rank,
        barred=demand.barred,
        devices=demand.devices or level.value.devices,
        clause=demand.clause or level.value.clause,
    )


def _unless(level: ControlLevel, applied: Demand, rig: Layout) -> Iterable[str]:
    """What a stricter class of the level would ask, where the rig does not state a fact that decides it."""
    asked = min(len(c) for c in _tire_choices(applied.layouts, rig))
    for demand in level.demands:
        if demand is applied:
            return
        missing = unstated_facts(demand.rig_class, rig)
        if missing and not demand.barred:
            tires_n = min(len(c) for c in _tire_choices(demand.layouts, rig))
            if tires_n > asked:
                yield f"{tires_n} tires if {fact_words(missing)}: the rig file does not say"


def fact_words(facts: Iterable[str]) -> str:
    """Facts of a rig in words, e.g. "it bears an apportioned plate"."""
    words = [
        f"it carries {fact.split()[1]} persons or more"
        if fact.startswith("persons ")
        else FACTS[fact].removeprefix("whether ")
        for fact in facts
    ]
    return " and ".join(words)


@lru_cache(maxsize=4096)
def _tire_choices(layouts: tuple[tuple[Placement, ...], ...], rig: Layout) -> tuple[frozenset[Tire], ...]:
    """Every minimal set of tires; many levels ask for the same layouts."""
    tires = tires_of(rig.axles)
    return tuple(_tires(mask, tires) for mask in layout_choices(layouts, rig))


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
    """Sort key of a tire, preferred first: (inside, steps from the foremost drive or rearmost towed axle, left)."""
    power = rig.axles[tire.axle_idx].unit == 0
    steps = tire.axle_idx if power else len(rig.axles) - tire.axle_idx
    return (int(tire.place == "inside"), steps, int(tire.side == "left"))


def _hang(mask: int, pairs: Sequence[int], singles: int, doubles: int) -> tuple[int, int, int]:
    """Tires chained, doubles used and singles missing when `mask` is required."""
    used = min(doubles, sum(mask & pair == pair for pair in pairs))
    short = max(0, mask.bit_count() - 2 * used - singles)
    halves = [pair for pair in pairs if mask & pair not in (0, pair)]
    # Two at a time where possible, so that an axle has the same chains left and right.
    stand_in = min(len(halves), doubles - used, short + short % 2)
    for pair in halves[:stand_in]:
        mask |= pair
    return mask, used + stand_in, max(0, short - stand_in)

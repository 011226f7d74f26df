"""Checks rigs against the facts that the laws of the planned routes ask, and company practice against the law."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from alertd.errors import AlertdError
from alertd.planning.planned_lands import PlannedLands, planned_lands
from alertd.rules.practice import Practice, adds_tires
from alertd.rules.requirements import demand_for
from alertd.rules.rig import FACTS, Rig
from alertd.rules.rig_class import RigClass, fits, unstated_facts, unstated_mass
from alertd.rules.ruleset import RuleSet
from alertd.settings.model import Settings
from alertd.sources.files.laws.practice import read_practices
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs

_MASSES = {
    "declared": "declared_lb, its declared or licensed mass",
    "power unit": "unit_rated_lb, the rating of each unit",
    "towed": "unit_rated_lb, the rating of each unit",
}


def fact_findings(settings: Settings, planned: Sequence[PlannedLands] | None = None) -> list[str]:
    """One line for each rig that does not state what a law on its planned routes asks; none where files are wrong."""
    try:
        rulesets, rigs = read_rulesets(settings.places.rules), read_rigs(settings.places.rigs)
    except AlertdError:
        return []
    asked: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for trip in planned_lands(settings) if planned is None else planned:
        for rig_id in [trip.rig] if trip.rig else rigs:
            for code in trip.lands:
                if rig_id not in rigs or code not in rulesets:
                    continue
                for fact in asked_facts(rulesets[code], rigs[rig_id]):
                    if code not in asked[rig_id][fact]:
                        asked[rig_id][fact].append(code)
    return [
        f"rig {rig_id}: the rules of its routes ask for " + "; ".join(_words(*fact) for fact in facts.items())
        for rig_id, facts in sorted(asked.items())
        if facts
    ]


def asked_facts(rules: RuleSet, rig: Rig) -> tuple[str, ...]:
    """The facts and masses that decide a duty of this rig in these rules, and that it does not state."""
    out: dict[str, None] = {}
    for rig_class in _reached(rules, rig):
        out |= dict.fromkeys(unstated_facts(rig_class, rig.layout))
        if mass := unstated_mass(rig_class, rig.layout):
            out[mass] = None
    return tuple(out)


def _reached(rules: RuleSet, rig: Rig) -> Iterator[RigClass]:
    """The classes that are compared with the rig; of a level those up to the first that fits."""
    for level in rules.levels:
        for demand in level.demands:
            yield demand.rig_class
            if fits(demand.rig_class, rig.layout):
                break
    yield from (c.rig_class for c in rules.carry)
    yield from (r.rig_class for r in rules.restrictions)
    yield from (t.rig_class for t in rules.tire_duties)


def _words(fact: str, codes: list[str]) -> str:
    if fact in _MASSES:
        what = _MASSES[fact]
    elif fact.startswith("persons "):
        what = "persons, how many it is built to carry"
    else:
        what = f"{fact}, {FACTS[fact]}"
    return f"{what} ({', '.join(codes)})"


def practice_findings(settings: Settings) -> list[tuple[bool, str]]:
    """(wrong, line) for each practice; wrong where it asks less than the law, which then stands. Raises ConfigError."""
    if settings.places.practice is None:
        return []
    rulesets, rigs = read_rulesets(settings.places.rules), read_rigs(settings.places.rigs)
    practices = read_practices(settings.places.practice, rulesets)
    return [
        finding
        for n, practice in enumerate(practices, 1)
        for finding in _of_practice(f"ask[{n}] ({practice.why})", practice, rulesets, rigs)
    ]


def _of_practice(
    where: str, practice: Practice, rulesets: Mapping[str, RuleSet], rigs: Mapping[str, Rig]
) -> Iterator[tuple[bool, str]]:
    unknown = [r for r in practice.rigs if r not in rigs]
    if unknown:
        yield True, f"{where}: no rig {', '.join(unknown)} on file"
    more: set[str] = set()
    less: dict[str, str] = {}
    for code, rules in rulesets.items():
        zones = [z.id for z in rules.zones]
        for rig in rigs.values():
            if not practice.binds(code, rig, zones):
                continue
            for level in rules.levels:
                demand = demand_for(rules, level, rig)
                if demand.barred or (level.id not in practice.levels if practice.levels else not demand.tires_min):
                    continue
                if practice.layouts != ((),):
                    if adds_tires(demand, practice, rig):
                        more.add(code)
                    else:
                        less.setdefault(code, f"{demand.tires_min} tires for {rig.id} at {level.id}")
                if practice.aboard_n and practice.aboard_n < demand.tires_min:
                    text = f"{practice.aboard_n} aboard is less than the law of {code} asks of {rig.id}"
                    yield True, f"{where}: {text} at {level.id}, {demand.tires_min}: the law stands"
                    return
    if less and not more:
        code, text = next(iter(less.items()))
        yield True, f"{where}: asks no more than the law, e.g. {code} asks {text}: the law stands"
    elif not more and not practice.aboard_n:
        yield True, f"{where}: binds no rig at any level on file"
    else:
        yield False, f"{where}: more than the law in {', '.join(sorted(more)) or 'chains aboard'}"

"""Runs the deck of cases beside a rule file: what the text asks of a rig, compared with the answer of the rules."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from alertd.rules.law_on import ruleset_on
from alertd.rules.requirements import carry_duty, cover, demand_for
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCase:
    """One case: a rig at a posted level on a day, or on a road with a duty to carry chains.

    level: the posted level, "" where none is.
    place: the id of a zone, "" anywhere.
    tires: tires to chain on the power unit and on towed units; None for a case of `barred` or `aboard`.
    aboard: single chains to carry; None where the case is not about carrying.
    clause: the clause that the answer must come from, "" to leave that out.
    """

    rig: Rig
    level: str
    day: date
    place: str
    tires: tuple[int, int] | None
    aboard: int | None
    barred: bool
    clause: str
    basis: str


def wrong_cases(ruleset: RuleSet, cases: Iterable[RuleCase]) -> tuple[str, ...]:
    """One line for each case whose answer is not that of the case; empty when all are right."""
    return tuple(line for n, case in enumerate(cases, 1) if (line := _wrong(n, ruleset, case)))


def _wrong(n: int, ruleset: RuleSet, case: RuleCase) -> str:
    where = f"case[{n}] ({case.basis})"
    rig, rules = case.rig, ruleset_on(ruleset, case.day)
    if case.place and case.place not in {z.id for z in rules.zones}:
        return f'{where}: "{case.place}" is no zone of this file'
    if case.level and case.level not in {lv.id for lv in rules.levels}:
        return f'{where}: "{case.level}" is no level in force on {case.day.isoformat()}'
    if case.aboard is not None:
        zones, posted = {case.place} - {""}, {case.level} - {""}
        duty = carry_duty(rules, rig, case.day, zones, posted)
        asked = duty if duty is not None and duty.certain else None
        return _differs(
            where,
            f"{asked.singles_n if asked else 0} chains aboard",
            f"{case.aboard} chains aboard",
            asked.clause if asked else case.clause,
            case.clause,
        )
    demand = demand_for(rules, rules.level(case.level), rig)
    wanted = "barred" if case.barred or case.tires is None else f"{case.tires[0]} + {case.tires[1]} tires"
    if demand.barred:
        return _differs(where, "barred", wanted, demand.clause, case.clause)
    tires = cover(rig, [demand]).tires
    towed_n = sum(rig.axles[t.axle_idx].unit > 0 for t in tires)
    return _differs(where, f"{len(tires) - towed_n} + {towed_n} tires", wanted, demand.clause, case.clause)


def _differs(where: str, found: str, wanted: str, clause: str, wanted_clause: str) -> str:
    if found != wanted:
        return f"{where}: the rules ask {found}, the case {wanted}"
    if wanted_clause and clause != wanted_clause:
        return f'{where}: the answer is of clause "{clause}", the case names "{wanted_clause}"'
    return ""

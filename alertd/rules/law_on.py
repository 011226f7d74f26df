"""Selects the law of a day: rule sets without the blocks whose clause is not in force."""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

from alertd.rules.rig import IdentityKey
from alertd.rules.ruleset import RuleSet


def law_on(rulesets: Mapping[str, RuleSet], day: date) -> Mapping[str, RuleSet]:
    """The rule sets with the clauses in force on `day`; the same object for all days between two changes."""
    changes = _all_changes(IdentityKey(rulesets))
    return _law_in(IdentityKey(rulesets), bisect_right(changes, day)) if changes else rulesets


def change_days(ruleset: RuleSet) -> tuple[date, ...]:
    """The days on which a clause begins, or has ended the day before, in order."""
    begins = {c.in_force_from for c in ruleset.clauses if c.in_force_from is not None}
    ended = {c.in_force_until + timedelta(days=1) for c in ruleset.clauses if c.in_force_until is not None}
    return tuple(sorted(begins | ended))


def ruleset_on(ruleset: RuleSet, day: date) -> RuleSet:
    """One rule set with the clauses in force on `day`; the same object where that is all of it."""
    gone = {c.id for c in ruleset.clauses if not c.in_force(day)}
    if not gone:
        return ruleset
    demands = {id(lv): tuple(d for d in lv.demands if d.clause not in gone) for lv in ruleset.levels}
    levels = tuple(
        lv if len(demands[id(lv)]) == len(lv.demands) else replace(lv, demands=demands[id(lv)])
        for lv in ruleset.levels
        if lv.clause not in gone and demands[id(lv)]
    )
    named = {lv.id for lv in levels}
    return replace(
        ruleset,
        clauses=tuple(c for c in ruleset.clauses if c.id not in gone),
        levels=levels,
        estimates=tuple(e for e in ruleset.estimates if e.level in named),
        carry=tuple(c for c in ruleset.carry if c.clause not in gone),
        bans=tuple(b for b in ruleset.bans if b.clause not in gone),
        tire_duties=tuple(d for d in ruleset.tire_duties if d.clause not in gone),
        speeds=tuple(v for v in ruleset.speeds if v.clause not in gone),
        fines=tuple(f for f in ruleset.fines if f.clause not in gone),
        removals=tuple(r for r in ruleset.removals if r.clause not in gone),
        restrictions=tuple(r for r in ruleset.restrictions if r.clause not in gone),
    )


@lru_cache(maxsize=16)
def _all_changes(rulesets: IdentityKey[Mapping[str, RuleSet]]) -> tuple[date, ...]:
    return tuple(sorted({day for r in rulesets.value.values() for day in change_days(r)}))


@lru_cache(maxsize=64)
def _law_in(rulesets: IdentityKey[Mapping[str, RuleSet]], period: int) -> Mapping[str, RuleSet]:
    changes = _all_changes(rulesets)
    day = changes[period - 1] if period else changes[0] - timedelta(days=1)
    selected = {code: ruleset_on(r, day) for code, r in rulesets.value.items()}
    unchanged = all(selected[code] is r for code, r in rulesets.value.items())
    return rulesets.value if unchanged else selected

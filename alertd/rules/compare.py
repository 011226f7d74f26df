"""Compares the law of two days: which rigs owe more or fewer chains, where, and from when."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from alertd.rules.law_on import change_days, ruleset_on
from alertd.rules.requirements import TireDemand, carry_duty, demand_for
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class LawChange:
    """One duty of one rig that differs between two days.

    where: the level's legal name, or the roads of a duty to carry chains.
    since: the first day of the new duty.
    before, after: the duty in words.
    more: True where the rig owes more.
    """

    rig: str
    where: str
    since: date
    before: str
    after: str
    more: bool


def law_changes(ruleset: RuleSet, first: date, last: date, rigs: Iterable[Rig]) -> list[LawChange]:
    """The changes from the law of `first` to that of `last`, for each rig; empty where nothing differs.

    Only the law is compared, not the season: a duty of the winter shows whatever the month of the two days.
    """
    days = [d for d in change_days(ruleset) if first < d <= last]
    rigs = list(rigs)
    return [change for day in days for rig in rigs for change in _of_day(ruleset, day, rig)]


def _of_day(ruleset: RuleSet, day: date, rig: Rig) -> Iterator[LawChange]:
    old, new = ruleset_on(ruleset, day - timedelta(days=1)), ruleset_on(ruleset, day)
    if old is new:
        return
    levels = {lv.id: lv for rules in (old, new) for lv in rules.levels}
    for level_id, level in levels.items():
        before, after = (_asked(rules, level_id, rig) for rules in (old, new))
        if before != after:
            yield LawChange(
                rig=rig.id, where=level.legal_name, since=day, before=_words(before), after=_words(after),
                more=after > before,
            )  # fmt: skip
    for zone in (None, *new.zones):
        ids = () if zone is None else (zone.id,)
        fewer, more = (_aboard(rules, ids, rig) for rules in (old, new))
        everywhere = {_aboard(rules, (), rig) for rules in (old, new)}
        if fewer != more and (zone is None or {fewer, more} != everywhere):
            yield LawChange(
                rig=rig.id, where="everywhere" if zone is None else zone.words, since=day,
                before=f"{fewer} chains aboard", after=f"{more} chains aboard", more=more > fewer,
            )  # fmt: skip


def _asked(rules: RuleSet, level_id: str, rig: Rig) -> tuple[bool, int]:
    """(barred, tires) at this level; nothing where it is not in force."""
    level = next((lv for lv in rules.levels if lv.id == level_id), None)
    if level is None:
        return False, 0
    demand: TireDemand = demand_for(rules, level, rig)
    return demand.barred != "", demand.tires_min


def _words(asked: tuple[bool, int]) -> str:
    return "barred" if asked[0] else f"{asked[1]} tires"


def _aboard(rules: RuleSet, zone_ids: tuple[str, ...], rig: Rig) -> int:
    """The most chains that any season asks aboard here."""
    most = 0
    for rule in rules.carry:
        day = date(2026, *rule.season.start)
        duty = carry_duty(replace(rules, carry=(rule,)), rig, day, zone_ids)
        if duty is not None and duty.certain:
            most = max(most, duty.singles_n)
    return most

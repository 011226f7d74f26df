"""Selects the duties beside the chains that concern a rig in one jurisdiction on one day."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from alertd.plan.describe.provenance import exemption_words
from alertd.plan.model.law import DutyNote
from alertd.rules.duties import Season
from alertd.rules.rig import IdentityKey, Rig
from alertd.rules.rig_class import fits, unstated_facts
from alertd.rules.ruleset import ControlLevel, RuleSet
from alertd.units import KMH_MPS, to_mph


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyScope:
    """One jurisdiction, rig and day.

    touched: ids of the zones on the way. winter: the road may be wintry. level: the control that is posted or expected.
    carry_exemptions: of the duty to carry, in words.
    """

    rules: RuleSet
    rig: Rig
    touched: frozenset[str]
    day: date
    winter: bool
    level: ControlLevel | None = None
    carry_exemptions: tuple[str, ...] = ()


def duty_notes(scope: DutyScope) -> tuple[DutyNote, ...]:
    """The duties, gravest kinds first: bans, restrictions, winter tires, speeds, removal, exemptions, turn, fines."""
    return _duty_notes(
        IdentityKey(scope.rules),
        IdentityKey(scope.rig.nameless),
        IdentityKey(scope.level),
        (scope.touched, scope.day, scope.winter, scope.carry_exemptions),
    )


@lru_cache(maxsize=4096)  # trucks of one kind on one road have the same duties for a day
def _duty_notes(
    rules: IdentityKey[RuleSet],
    kind: IdentityKey[Rig],
    level: IdentityKey[ControlLevel | None],
    rest: tuple[frozenset[str], date, bool, tuple[str, ...]],
) -> tuple[DutyNote, ...]:
    touched, day, winter, exemptions = rest
    scope = DutyScope(
        rules=rules.value,
        rig=kind.value,
        touched=touched,
        day=day,
        winter=winter,
        level=level.value,
        carry_exemptions=exemptions,
    )
    return (
        *_bans(scope), *_restrictions(scope), *_winter_tires(scope), *_speeds(scope), *_removals(scope),
        *_exemptions(scope), *_turns(scope), *_fines(scope),
        *(DutyNote(kind="note", text=note) for note in scope.rules.notes),
    )  # fmt: skip


def _bans(scope: DutyScope) -> Iterator[DutyNote]:
    for b in scope.rules.bans:
        if b.season.contains(scope.day) and (not b.zones or not scope.touched.isdisjoint(b.zones)):
            yield DutyNote(
                kind="ban", text=f"no chains on {b.where}, {season_words(b.season)}", section=b.section,
                confidence=b.confidence.value, clause=b.clause, grave=True,
            )  # fmt: skip


def _restrictions(scope: DutyScope) -> Iterator[DutyNote]:
    """Those that bind the rig, and those that bind it if a fact holds that it does not state."""
    layout = scope.rig.layout
    for r in scope.rules.restrictions:
        missing = unstated_facts(r.rig_class, layout)
        if (
            not (fits(r.rig_class, layout) or missing)
            or (r.season is not None and not r.season.contains(scope.day))
            or (r.zones and scope.touched.isdisjoint(r.zones))
            or (r.trigger == "road" and not scope.winter)
        ):
            continue
        season = f" ({season_words(r.season)})" if r.season is not None else ""
        yield DutyNote(
            kind="note" if missing else "restriction", text=f"{r.what}{season}", section=r.section,
            confidence=r.confidence.value, doubt=r.doubt, clause=r.clause, grave=r.barred and not missing,
        )  # fmt: skip


def _winter_tires(scope: DutyScope) -> Iterator[DutyNote]:
    layout = scope.rig.layout
    for t in scope.rules.tire_duties:
        if not fits(t.rig_class, layout) or (t.season is not None and not t.season.contains(scope.day)):
            continue
        if t.season is None and not scope.winter:
            continue
        met = sorted(layout.devices.intersection(t.satisfied_by))
        season = f" ({season_words(t.season)})" if t.season is not None else ""
        yield DutyNote(
            kind="winter tires met" if met else "winter tires",
            text=f"{t.what}{season}" + (f"; met by {met[0]} as stated" if met else ""), section=t.section,
            confidence=t.confidence.value, doubt=t.doubt, clause=t.clause,
        )  # fmt: skip


def _speeds(scope: DutyScope) -> Iterator[DutyNote]:
    rules, level = scope.rules, scope.level
    for v in rules.speeds:
        advice = "" if v.binding else " (advice, not law)"
        yield DutyNote(
            kind="speed", text=f"with chains on {speed_words(rules, v.limit_mps)}{advice}", section=v.section,
            confidence=v.confidence.value, doubt=v.doubt, clause=v.clause,
        )  # fmt: skip
    if level is not None and level.speed_limit_mps is not None and not any(v.binding for v in rules.speeds):
        text = f"while it is posted {speed_words(rules, level.speed_limit_mps)}"
        yield DutyNote(kind="speed", text=text, section=level.speed_section)


def _removals(scope: DutyScope) -> Iterator[DutyNote]:
    for x in scope.rules.removals:
        yield DutyNote(
            kind="removal", text=x.what, section=x.section, confidence=x.confidence.value, doubt=x.doubt,
            clause=x.clause,
        )  # fmt: skip


def _exemptions(scope: DutyScope) -> Iterator[DutyNote]:
    of_level = map(exemption_words, scope.level.exemptions if scope.level is not None else ())
    for words in dict.fromkeys((*of_level, *scope.carry_exemptions)):
        yield DutyNote(kind="exemption", text=words)


def _turns(scope: DutyScope) -> Iterator[DutyNote]:
    rules = scope.rules
    turns = [z.turn_round for z in rules.zones if z.turn_round and z.id in scope.touched] or [rules.turn_round]
    for turn in filter(None, turns):
        yield DutyNote(kind="turn round", text=turn)


def _fines(scope: DutyScope) -> Iterator[DutyNote]:
    for f in scope.rules.fines:
        yield DutyNote(
            kind="fine", text=f"{f.offence}: {f.amount}", section=f.section, confidence=f.confidence.value,
            doubt=f.doubt, clause=f.clause,
        )  # fmt: skip


def season_words(season: Season) -> str:
    """E.g. "1 Nov to 1 Apr"."""
    first, last = (f"{day} {date(2024, month, 1):%b}" for month, day in (season.start, season.end))
    return f"{first} to {last}"


def speed_words(rules: RuleSet, speed_mps: float) -> str:
    """A limit in the unit of the jurisdiction's signs."""
    if rules.jurisdiction.startswith("US-"):
        return f"at most {to_mph(speed_mps):.0f} mph"
    return f"at most {speed_mps / KMH_MPS:.0f} km/h"

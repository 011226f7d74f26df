"""Describes the law on a trip land by land: the border strip, every duty on file, and changes that are near."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.describe.duties import DutyScope, duty_notes
from alertd.plan.model.law import LandLaw, LawChangeNote, TireOwed
from alertd.plan.model.notes import CarryNote, PostedNote
from alertd.plan.model.stretches import Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import LawSpan, LevelForRig
from alertd.route.jurisdictions import OPEN_SEA
from alertd.route.model import Route, zone_at
from alertd.rules.clause import Confidence
from alertd.rules.compare import law_changes
from alertd.rules.requirements import Hanging, cover, demands_by_tire
from alertd.rules.rig import IdentityKey, Rig
from alertd.rules.ruleset import RuleSet, RuleZone
from alertd.rules.tire_text import tires_line

_UNKNOWN = "no rule on file: the most that its neighbours ask"
EXPECTED_FRAC: Final = 0.5  # probability from which a control is called expected


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawOnWay:
    """What the description of the law on a trip is made from. winter: the road may require chains somewhere."""

    laws: Sequence[LawSpan]
    rig: Rig
    run: Solution
    leave_at: datetime
    stretches: Sequence[Stretch]
    carry: Sequence[CarryNote]
    posted: Sequence[PostedNote]
    winter: bool

    @property
    def route(self) -> Route:
        """The rest of the route."""
        return self.run.sections.route

    def at(self, distance_m: float) -> datetime:
        """When the truck is there."""
        return (self.leave_at + timedelta(seconds=round(float(self.run.reach_s(distance_m))))).astimezone(UTC)

    def zone(self, distance_m: float) -> str:
        """IANA time zone there."""
        i = int(np.argmin(np.abs(self.route.distance_m - distance_m)))
        return zone_at(float(self.route.lat_deg[i]), float(self.route.lon_deg[i]))


def land_laws(way: LawOnWay) -> tuple[LandLaw, ...]:
    """The lands on the way in order, without the open sea."""
    return tuple(_land(way, law) for law in way.laws if law.span.name != OPEN_SEA)


def _land(way: LawOnWay, law: LawSpan) -> LandLaw:
    span, rules, rig = law.span, law.rules, way.rig
    start_m, end_m = max(span.start_m, 0.0), min(span.end_m, way.route.length_m)
    enter_at, zone = way.at(start_m), way.zone(start_m)
    day = enter_at.astimezone(ZoneInfo(zone)).date()
    chosen, basis = _level(way, law)
    demand = chosen.demand if chosen is not None else law.unknown if rules is None else None
    hanging = cover(rig, [demand]) if demand is not None else None
    carry = next((c for c in way.carry if c.jurisdiction == span.code and c.certain), None) if span.code else None
    extent = _carry_extent(law, carry, start_m, end_m)
    barred = dict.fromkeys(
        p.demand.barred for p in law.levels if p.demand.barred and _is_likely(way, span.code, p.level.id)
    )
    towed_n = sum(rig.axles[t.axle_idx].unit > 0 for t in hanging.tires) if hanging else 0
    clause_ids = {c for c in (demand.clause if demand else None, carry.clause if carry else None) if c is not None}
    return LandLaw(
        jurisdiction=span.code,
        name=rules.name if rules is not None else span.name,
        start_m=start_m,
        end_m=end_m,
        zone=zone,
        enter_at=enter_at,
        known=rules is not None,
        aboard_n=carry.singles_asked if carry is not None else 0,
        aboard_short=carry.singles_short if carry is not None else 0,
        carry_from_m=extent[0],
        carry_to_m=extent[1],
        carry_ends=_end_words(way.route, law, carry, extent[1]),
        carry_section=carry.section if carry is not None else "",
        level_id=chosen.level.id if chosen is not None else "",
        level_name=chosen.level.legal_name if chosen is not None else _UNKNOWN if rules is None else "",
        basis=basis,
        power_n=(len(hanging.tires) - towed_n) if hanging else 0,
        towed_n=towed_n,
        tires_words=tires_line(rig, hanging.tires) if hanging else "",
        tires=owed_tires(rig, hanging),
        section=demand.section if demand else "",
        confidence=demand.confidence.value if demand else "",
        doubt=demand.doubt if demand else "",
        clause=demand.clause if demand else "",
        clause_doubts=rules.clause_doubts(day, clause_ids) if rules is not None else (),
        devices=demand.devices if demand else (),
        barred="; ".join(barred),
        duties=()
        if rules is None
        else duty_notes(
            DutyScope(
                rules=rules,
                rig=rig,
                touched=frozenset(law.zone_spans),
                day=day,
                winter=way.winter,
                level=chosen.level if chosen is not None else None,
                carry_exemptions=carry.exemptions if carry is not None else (),
            )
        ),
        last_stop=_last_stop(way.route, _first_control_m(law, chosen, start_m)),
        practice="; ".join(filter(None, (demand.practice if demand else "", carry.practice if carry else ""))),
        by_law_n=demand.by_law_n if demand else None,
        aboard_maybe_n=max(
            (c.singles_asked for c in way.carry if c.jurisdiction == span.code and not c.certain), default=0
        ),
    )


def _level(way: LawOnWay, law: LawSpan) -> tuple[LevelForRig | None, str]:
    """The level that the figures are for, and why that one; a level that bars the rig gives no figures.

    A level is expected where our estimate of its posting is more likely than not. Where none is, it is the strictest,
    as on the sheet for an officer: the tires of a milder sign are too few under another one.
    """
    passable = [x for x in law.levels if not x.demand.barred]
    posted = {p.level_id for p in way.posted if p.jurisdiction == law.span.code and p.believed_frac > 0.0}
    for basis, wanted in (("posted", posted), ("expected", _likely(way, law.span.code, EXPECTED_FRAC))):
        found = [x for x in passable if x.level.id in wanted]
        if found:
            return max(found, key=_strictness), basis
    return max(passable, key=_strictness, default=None), "if posted"


def _strictness(x: LevelForRig) -> tuple[int, int]:
    return x.demand.tires_min, x.level.rank


def _likely(way: LawOnWay, code: str, least_frac: float = 0.0) -> set[str]:
    """The levels that may be posted on a stretch, and are with a probability of at least `least_frac`."""
    postings = (p for s in way.stretches for p in s.postings if p.jurisdiction == code)
    return {p.level_id for p in postings if p.probability >= least_frac}


def _is_likely(way: LawOnWay, code: str, level_id: str) -> bool:
    posted = any(p.jurisdiction == code and p.level_id == level_id and p.believed_frac > 0.0 for p in way.posted)
    return posted or level_id in _likely(way, code)


def owed_tires(rig: Rig, hanging: Hanging | None) -> tuple[TireOwed, ...]:
    """Each tire to chain with the sections that ask for it."""
    if hanging is None:
        return ()
    return _owed_tires(IdentityKey(rig.nameless), IdentityKey(hanging))


@lru_cache(maxsize=1024)
def _owed_tires(kind: IdentityKey[Rig], to_hang: IdentityKey[Hanging]) -> tuple[TireOwed, ...]:
    rig, hanging = kind.value, to_hang.value
    return tuple(
        TireOwed(
            unit=rig.axles[tire.axle_idx].unit,
            axle=tire.axle_idx + 1,
            role=rig.axles[tire.axle_idx].role.value,
            side=tire.side,
            place=tire.place,
            sections=tuple(dict.fromkeys(d.section for d in why if d.section)),
        )
        for tire, why in demands_by_tire(rig, hanging)
    )


def _carry_extent(
    law: LawSpan, carry: CarryNote | None, start_m: float, end_m: float
) -> tuple[float | None, float | None]:
    """Where a duty to carry begins and ends on this land; all of it where the duty has no roads."""
    if carry is None:
        return None, None
    spans = [s for z in carry.zones for s in law.zone_spans.get(z, ())]
    if not spans:
        return (None, None) if carry.zones else (start_m, end_m)
    return max(start_m, min(a for a, _ in spans)), min(end_m, max(b for _, b in spans))


def _end_words(route: Route, law: LawSpan, carry: CarryNote | None, end_m: float | None) -> str:
    """The end of a duty in the words of its zone, e.g. "Ellensburg MP 101"."""
    if carry is None or end_m is None or law.rules is None:
        return ""
    for zone_id in carry.zones:
        for _, b in law.zone_spans.get(zone_id, ()):
            if abs(b - end_m) < 1.0:
                return _nearer_end(route, law.rules.zone(zone_id), end_m)
    return ""


def _nearer_end(route: Route, zone: RuleZone, end_m: float) -> str:
    ends = (zone.from_point, zone.to_point) if zone.from_point else (zone.line[0], zone.line[-1]) if zone.line else ()
    i = int(np.argmin(np.abs(route.distance_m - end_m)))
    known = [p for p in ends if p is not None]
    if len(known) != 2:
        return ""
    off = [abs(p[0] - float(route.lat_deg[i])) + abs(p[1] - float(route.lon_deg[i])) for p in known]
    # A route that leaves the road before the zone's end ends the duty there, not at the end that the law names.
    return (zone.from_words, zone.to_words)[int(np.argmin(off))] if min(off) < 0.1 else ""


def _first_control_m(law: LawSpan, chosen: LevelForRig | None, start_m: float) -> float:
    spans = [s for z in (chosen.level.zones if chosen else ()) for s in law.zone_spans.get(z, ())]
    return max(start_m, min((a for a, _ in spans), default=start_m))


def _last_stop(route: Route, before_m: float) -> str:
    before = [s for s in route.stops if s.distance_m < before_m]
    if not before:
        return ""
    stop = max(before, key=lambda s: s.distance_m).stop
    return f"{stop.name} ({stop.milepost})" if stop.milepost else stop.name


def law_change_notes(
    whole: Mapping[str, RuleSet], laws: Sequence[LawSpan], rig: Rig, today: date, params: PlanParams
) -> tuple[LawChangeNote, ...]:
    """Changes for this rig on the lands of the way from tomorrow on, as far ahead as `law_change_days`.

    A change on roads that this way does not touch is left out.
    """
    notes = []
    for code in dict.fromkeys(law.span.code for law in laws if law.rules is not None):
        rules = whole[code]
        touched = {z for law in laws if law.span.code == code for z in law.zone_spans}
        elsewhere = {z.words for z in rules.zones if z.placed and z.id not in touched}
        last = today + timedelta(days=params.law_change_days)
        notes += [
            LawChangeNote(
                jurisdiction=code, name=rules.name, where=c.where, since=c.since, before=c.before, after=c.after,
                more=c.more,
            )
            for c in law_changes(rules, today, last, [rig])
            if c.where not in elsewhere
        ]  # fmt: skip
    return tuple(notes)


def law_cautions(law: Sequence[LandLaw], changes: Sequence[LawChangeNote]) -> tuple[str, ...]:
    """One line for each grave duty, restriction, winter-tire duty and near change; doubtful ones marked."""
    lines = []
    for c in changes:
        lines.append(f"The law of {c.name} changes on {c.since.isoformat()}: {c.where}: {c.after}, before {c.before}")
    for land in law:
        for d in land.duties:
            if d.kind not in ("ban", "restriction", "winter tires"):
                continue
            head = "BARRED: " if d.grave and d.kind == "restriction" else "FORBIDDEN: " if d.grave else ""
            sure = " (in doubt)" if d.confidence in (Confidence.DOUBT, Confidence.MEMORY) else ""
            lines.append(f"{land.name}: {head}{d.text}{sure} ({d.section})")
        if land.practice:
            law_n = "" if land.by_law_n is None else f"; the law asks {land.by_law_n} tires"
            lines.append(f"{land.name}: company practice, not law: {land.practice}{law_n}")
    return tuple(dict.fromkeys(lines))

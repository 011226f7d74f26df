"""Lists the inputs of a plan with their age: sources, rule texts, carry duties, cautions."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from alertd.forecast.model import Forecast
from alertd.plan.chain_up.solution import Solution
from alertd.plan.controls.overlay import carried_for
from alertd.plan.cycle_caches import cached_in_cycle
from alertd.plan.describe.bridges import bridge_cautions
from alertd.plan.model.notes import BridgeNote, CarryNote, RuleNote, SourceNote
from alertd.plan.params import PlanParams
from alertd.plan.posted import PostedSpan
from alertd.plan.road_ahead.chain_need import LawSpan
from alertd.route.jurisdictions import OPEN_SEA
from alertd.rules.duties import Exemption
from alertd.rules.requirements import carry_duty
from alertd.rules.rig import IdentityKey, Rig


def source_notes(forecast: Forecast, now_utc: datetime, params: PlanParams) -> tuple[SourceNote, ...]:
    """One note for each source of the forecast, with its licence and age."""
    return tuple(
        SourceNote(
            provider=c.provider,
            licence=c.licence,
            issued_at=c.issued_at,
            fetched_at=c.fetched_at,
            age_h=c.age_h(now_utc),
            stale=c.served_stale or c.overdue_h(now_utc) > params.stale_forecast_h,
        )
        for c in forecast.credits
    )


def rule_notes(laws: Sequence[LawSpan], day: date, used: Collection[tuple[str, str]] = ()) -> tuple[RuleNote, ...]:
    """One note for each rule set on the route, with its age on `day`.

    used: (jurisdiction, clause) of each duty of this trip; the others do not matter.
    """
    notes = {}
    for law in laws:
        if law.rules is not None:
            r = law.rules
            matter = {clause for code, clause in used if code == r.jurisdiction}
            notes[r.jurisdiction] = RuleNote(
                jurisdiction=r.jurisdiction,
                name=r.name,
                citation=r.citation,
                text_date=r.text_date,
                reviewed_on=r.reviewed_on,
                review_by=r.review_by,
                overdue=r.review_overdue(day),
                aged=r.freshness(day, matter),
                seen_standing_on=r.seen_standing_on(matter),
                doubts=r.clause_doubts(day, matter),
            )
    return tuple(notes.values())


def carry_notes(
    laws: Sequence[LawSpan],
    rig: Rig,
    depart_at: datetime,
    arrive_at: datetime,
    zones: Sequence[str],
    active: Sequence[PostedSpan] = (),
    *,
    winter_road: bool = True,
) -> tuple[CarryNote, ...]:
    """Duties to carry chains on any local day of the trip; a trip over midnight has to meet both days.

    zones: time zones at both ends, because the date may already differ across the line at a season's edge.
    active: posted controls that the truck meets, some of which require chains on board.
    winter_road: False only where the forecast rules out, with all of the road known, a road that may require chains.

    Of several duties of a jurisdiction, a certain one comes before an uncertain one, then the one that requires most.
    """
    first = min(depart_at.astimezone(ZoneInfo(zone)).date() for zone in zones)
    last = max(arrive_at.astimezone(ZoneInfo(zone)).date() for zone in zones)
    asked_by = (IdentityKey(laws), IdentityKey(rig.nameless), tuple(map(IdentityKey, active)))
    return _carry_notes(*asked_by, first, last, winter_road=winter_road)


@cached_in_cycle(256)  # trips of one kind of rig on one road have the same ones
def _carry_notes(
    of_laws: IdentityKey[Sequence[LawSpan]],
    for_rig: IdentityKey[Rig],
    posted: tuple[IdentityKey[PostedSpan], ...],
    first: date,
    last: date,
    *,
    winter_road: bool,
) -> tuple[CarryNote, ...]:
    laws, rig, active = of_laws.value, for_rig.value, [span.value for span in posted]
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    notes: dict[str, CarryNote] = {}
    for law in laws:
        if law.rules is None:
            continue
        for day in days:
            duty = carry_duty(
                law.rules, rig, day, tuple(law.zone_spans), carried_for(law, active), winter_road=winter_road
            )
            known = notes.get(law.rules.jurisdiction)
            if duty is not None and (
                known is None or (duty.certain, duty.singles_n) > (known.certain, known.singles_asked)
            ):
                notes[law.rules.jurisdiction] = CarryNote(
                    jurisdiction=law.rules.jurisdiction,
                    certain=duty.certain,
                    not_placed=duty.not_placed,
                    singles_asked=duty.singles_n,
                    singles_short=duty.singles_short,
                    section=duty.section,
                    confidence=duty.confidence,
                    doubt=duty.doubt,
                    clause=duty.clause,
                    zones=duty.zones,
                    exemptions=tuple(map(exemption_words, duty.exemptions)),
                )
    return _with_practice(notes, laws, rig)


def _with_practice(notes: dict[str, CarryNote], laws: Sequence[LawSpan], rig: Rig) -> tuple[CarryNote, ...]:
    """The duties, raised to what company practice asks aboard where that is more."""
    for law in (x for x in laws if x.rules is not None):
        code = law.span.code
        for practice in law.practices:
            if not practice.aboard_n or not practice.binds(code, rig, tuple(law.zone_spans)):
                continue
            known = notes.get(code)
            if known is not None and known.certain and known.singles_asked >= practice.aboard_n:
                continue
            short = max(0, practice.aboard_n - rig.singles_carried)
            base = known or CarryNote(
                jurisdiction=code, certain=True, not_placed=(), singles_asked=0, singles_short=0,
                section="", confidence="", doubt="",
            )  # fmt: skip
            by_law = f"the law asks {known.singles_asked}" if known is not None and known.certain else "no law asks it"
            notes[code] = replace(
                base, certain=True, singles_asked=practice.aboard_n, singles_short=max(short, base.singles_short),
                practice=f"{practice.why} ({by_law})",
            )  # fmt: skip
    return tuple(notes.values())


def exemption_words(exemption: Exemption) -> str:
    """Whom a rule leaves out, and the paper that proves it."""
    return f"{exemption.who} (paper: {exemption.paper})" if exemption.paper else exemption.who


def cautions(
    run: Solution,
    sources: Sequence[SourceNote],
    rules: Sequence[RuleNote],
    carry: Sequence[CarryNote],
    bridges: Sequence[BridgeNote],
    doubt: str = "",
) -> tuple[str, ...]:
    """What the reader must know before trusting the plan, most serious first.

    doubt: why a road that looks bare may not be, where its weather at the hour of passing is known.
    """
    out, unknown_frac = [], float(run.unknown.mean())
    if unknown_frac > 0:
        share = f"{max(unknown_frac, 0.01):.0%}"
        no_weather = run.unknown & np.isnan(run.encounter.field_values("air_temp_c"))
        why = ["no forecast for that hour"] if no_weather.any() else []
        if (run.unknown & ~no_weather).any():
            why.append(doubt or "what already lies there")
        out.append(
            f"Road not known for {share} of the way at the hour of passing ({'; '.join(why)}): be ready to chain there"
        )
    for s in sources:
        if s.stale:
            out.append(f"Forecast of {s.provider} is {s.age_h:.0f} h old: be ready to chain")
    out += bridge_cautions(bridges)
    laws = run.encounter.hourly_need.laws
    for name in dict.fromkeys(x.span.name for x in laws if x.rules is None and x.span.name != OPEN_SEA):
        where = name or "land whose jurisdiction is not known"
        out.append(
            f"No chain rule on file for {where}: look at its signs, ask its road authority; the tires named are the "
            "most that its neighbours ask"
        )
    aged = "; ".join(f"{r.name}'s {' and '.join(r.aged)}" for r in rules if r.aged)
    if aged:
        out.append(f"Rule texts that may no longer be the law: {aged}: check before relying on them")
    for r in rules:
        other = [doubt for doubt in r.doubts if doubt not in r.aged]
        if other:
            out.append(f"{r.name}: {'; '.join(other)}: the posted sign and the officer decide")
    for c in carry:
        if not c.certain:
            roads = ", ".join(dict.fromkeys(words.split()[0].rstrip(":") for words in c.not_placed))
            out.append(
                f"{c.jurisdiction} asks {c.singles_asked} chains aboard by date on listed roads; these of them are not "
                f"on our map: {roads}; check the list if this trip runs on one"
            )
    if run.later_road:
        out.append("Chaining where this plan only says be ready makes later road need chains too: that is counted")
    out += [f"Route: {finding}" for finding in run.sections.route.findings]
    return tuple(dict.fromkeys(out))

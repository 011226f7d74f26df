"""`alertd rules CODE --sheet`: what an officer of one land may ask of one rig at one place, with the texts."""

import json
import textwrap
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from html import escape
from pathlib import Path

import click

from alertd.errors import InputError
from alertd.notices.reports.html import document, heading, line
from alertd.notices.text.law_text import sheet_rows
from alertd.plan.describe.duties import DutyScope, duty_notes
from alertd.plan.describe.law import owed_tires
from alertd.plan.describe.provenance import exemption_words
from alertd.plan.model.law import LandLaw
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.plan.serialize import to_plain
from alertd.rules.requirements import carry_duty, cover, demand_for
from alertd.rules.rig import Rig
from alertd.rules.ruleset import ControlLevel, RuleSet
from alertd.rules.tire_text import tires_line

_LABEL_W = 16
_WIDTH = 96


def officer_sheet(rules: RuleSet, rig: Rig, day: date, place: str | None, level_id: str | None) -> LandLaw:
    """The sheet of one rig on a winter road of that day. Raises InputError for an unknown place or level.

    place: id of a zone, None for the whole land. level_id: the posted level, None for the strictest that lets the rig
    pass.
    """
    known = {z.id: z for z in rules.zones}
    if place is not None and place not in known:
        mend = f"write one of: {', '.join(known) or 'the file has none'}"
        raise InputError("rules", "--place", f'"{place}" is no zone of {rules.name}', mend)
    zones = {place} if place else set(known)
    level = _level(rules, rig, level_id)
    demand = demand_for(rules, level, rig) if level is not None else None
    hanging = cover(rig, [demand]) if demand is not None and not demand.barred else None
    duty = carry_duty(rules, rig, day, zones, [level.id] if level is not None and level_id else ())
    towed_n = sum(rig.axles[t.axle_idx].unit > 0 for t in hanging.tires) if hanging else 0
    certain = duty if duty is not None and duty.certain else None
    clauses = {c for c in (demand.clause if demand else None, certain.clause if certain else None) if c is not None}
    return LandLaw(
        jurisdiction=rules.jurisdiction,
        name=rules.name,
        start_m=0.0,
        end_m=0.0,
        zone="UTC",
        enter_at=datetime.combine(day, time(), UTC),
        known=True,
        aboard_n=certain.singles_n if certain else 0,
        aboard_short=certain.singles_short if certain else 0,
        carry_from_m=None,
        carry_to_m=None,
        carry_ends=known[place].to_words if place else "",
        carry_section=certain.section if certain else "",
        level_id=level.id if level is not None else "",
        level_name=level.legal_name if level is not None else "",
        basis="posted" if level_id else "if posted",
        power_n=(len(hanging.tires) - towed_n) if hanging else 0,
        towed_n=towed_n,
        tires_words=tires_line(rig, hanging.tires) if hanging else "",
        tires=owed_tires(rig, hanging),
        section=demand.section if demand else "",
        confidence=demand.confidence.value if demand else "",
        doubt=demand.doubt if demand else "",
        clause=demand.clause if demand else "",
        clause_doubts=rules.clause_doubts(day, clauses),
        devices=demand.devices if demand else (),
        barred=demand.barred if demand else "",
        duties=duty_notes(
            DutyScope(
                rules=rules,
                rig=rig,
                touched=frozenset(zones),
                day=day,
                winter=True,
                level=level,
                carry_exemptions=tuple(map(exemption_words, certain.exemptions)) if certain else (),
            )
        ),
        last_stop="",
    )


def _level(rules: RuleSet, rig: Rig, level_id: str | None) -> ControlLevel | None:
    if level_id is not None:
        found = rules.level_posted_as(level_id)
        if found is None:
            known = ", ".join(lv.id for lv in rules.levels) or "it has none"
            raise InputError(
                "rules", "--level", f'"{level_id}" is not a level of {rules.name}', f"write one of: {known}"
            )
        return found
    asking = [(demand_for(rules, lv, rig), lv) for lv in rules.levels]
    passable = [(d.tires_min, lv.rank, lv) for d, lv in asking if not d.barred and d.tires_min]
    if passable:
        return max(passable, key=lambda x: x[:2])[2]
    return next((lv for d, lv in asking if d.barred), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """The sheet that is asked for. page: the file to write a page to, None for none."""

    day: date
    place: str | None
    level: str | None
    page: Path | None
    as_json: bool


def print_sheet(rules: RuleSet, rig: Rig, wanted: Wanted) -> None:
    """Print the sheet, as JSON too, and write its page. Raises InputError."""
    sheet = officer_sheet(rules, rig, wanted.day, wanted.place, wanted.level)
    if wanted.page:
        write_page(wanted.page, rules, rig, sheet, wanted.day)
    if wanted.as_json:
        click.echo(json.dumps(to_plain(sheet), indent=1, ensure_ascii=False))
    else:
        show_sheet(rules, rig, sheet, wanted.day)


def show_sheet(rules: RuleSet, rig: Rig, sheet: LandLaw, day: date) -> None:
    """Print the sheet."""
    click.echo(f"{rules.name} ({rules.jurisdiction}): {rig.name}, the law of {day.isoformat()}")
    for label, text in (*sheet_rows(sheet), ("law", _basis(rules, sheet))):
        for i, part in enumerate(textwrap.wrap(text, _WIDTH - _LABEL_W)):
            click.echo(f"  {label if i == 0 else '':{_LABEL_W}}{part}")
    click.echo(POSTED_SIGNS_DECIDE)


def write_page(path: Path, rules: RuleSet, rig: Rig, sheet: LandLaw, day: date) -> None:
    """Write the sheet as a page to print. Raises InputError where it cannot be written."""
    title = f"{rules.name}: {rig.name}, the law of {day.isoformat()}"
    rows = "".join(
        f'<tr><td style="font-weight:bold;padding:2px 12px 2px 0;vertical-align:top">{escape(label)}</td>'
        f"<td>{escape(text)}</td></tr>"
        for label, text in (*sheet_rows(sheet), ("law", _basis(rules, sheet)))
    )
    body = f"{heading(title)}<table>{rows}</table>{line(POSTED_SIGNS_DECIDE, strong=True)}"
    try:
        path.write_text(document(title, body), encoding="utf-8")
    except OSError as exc:
        raise InputError(str(path), "", f"cannot be written ({exc.strerror})", "name another file") from exc


def _basis(rules: RuleSet, sheet: LandLaw) -> str:
    as_of = rules.seen_standing_on({sheet.clause} if sheet.clause else ())
    return f"{rules.citation}. Rules as of {as_of}, read {rules.reviewed_on}"

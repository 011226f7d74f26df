"""`alertd rules`: shows what each control level requires of a rig, with source and confidence."""

import json
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final, Literal

import click
from rich.console import Console
from rich.text import Text

from alertd.cli.options import create_console, text_width
from alertd.errors import InputError
from alertd.notices.charts.axles import axle_svg, axle_text
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.rules.clause import Clause
from alertd.rules.duties import CarryRule, Exemption, Season
from alertd.rules.requirements import CarryDuty, Hanging, TireDemand, carry_duty, cover, demand_for, demands_by_tire
from alertd.rules.rig import Rig
from alertd.rules.ruleset import ControlLevel, RuleSet
from alertd.rules.tire_text import tires_code, tires_detail, tires_line
from alertd.sources.files.laws.ruleset import RuleFile
from alertd.sources.files.rig import RigFile
from alertd.sources.files.speed_limits import LimitFile
from alertd.sources.files.toml import FileModel
from alertd.units import KMH_MPS, to_mph

WIDTH = 96


_LABEL_W = 13


_TRIGGER = {
    "posted": "",
    "road": "no sign need stand: the state of the road calls for it",
    "event": "only after an announced emergency",
}


_DEFAULT_RIG = "tractor-6x4-van-53"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRequirement:
    """One level for one rig, with the chain placement chosen from the chains on board."""

    level: ControlLevel
    demand: TireDemand
    hanging: Hanging


def find_ruleset(rulesets: Mapping[str, RuleSet], code: str) -> RuleSet:
    """Find a rule set by ISO code in either case, or by a state's letters when unique. Raises InputError."""
    wanted = code.upper()
    if wanted in rulesets:
        return rulesets[wanted]
    named = [r for known, r in rulesets.items() if known.endswith(f"-{wanted}")]
    if len(named) == 1:
        return named[0]
    raise InputError("rules", "CODE", f'no rules of "{code}" on file', f"write one of: {', '.join(rulesets)}")


def find_rig(rigs: Mapping[str, Rig], name: str | None) -> Rig:
    """Return the named rig; without a name the five-axle preset, else the first. Raises InputError."""
    known = ", ".join(sorted(rigs)) or "none"
    if name is None and rigs:
        return rigs.get(_DEFAULT_RIG, rigs[min(rigs)])
    if name is None or name not in rigs:
        problem = "missing, and no rig is on file" if name is None else f'"{name}" is not known'
        raise InputError("rules", "--rig", problem, f"name a rig file, or one of: {known}")
    return rigs[name]


def levels_for(ruleset: RuleSet, rig: Rig, level_id: str | None) -> list[LevelRequirement]:
    """Return every level, mildest first, or only the named one. Raises InputError for an unknown level."""
    wanted = [lv for lv in ruleset.levels if level_id in (None, lv.id)]
    if level_id is not None and not wanted:
        known = ", ".join(lv.id for lv in ruleset.levels) or "it has none"
        raise InputError("rules", "--level", f'"{level_id}" is not a level of {ruleset.name}', f"write one of: {known}")
    demands = [(level, demand_for(ruleset, level, rig)) for level in wanted]
    return [LevelRequirement(level=level, demand=demand, hanging=cover(rig, [demand])) for level, demand in demands]


def strictest_svg(ruleset: RuleSet, rig: Rig, levels: list[LevelRequirement]) -> str:
    """Return the SVG of the level that requires the most chained tires. Raises InputError when there is no level."""
    if not levels:
        raise InputError("rules", "--svg", f"{ruleset.name} has no level to draw", "leave --svg out")
    most = max(levels, key=lambda a: (len(a.hanging.tires), a.level.rank))
    lines = [most.demand.section, f"Text of {ruleset.text_date}, read {ruleset.reviewed_on}."]
    lines += [f"In doubt: {most.demand.doubt}"] if most.demand.doubt else []
    lines += [f"May not pass: {most.demand.barred}"] if most.demand.barred else []
    return axle_svg(
        rig, most.hanging.tires, f"{ruleset.name}: {most.level.legal_name}. {rig.name}", [*lines, POSTED_SIGNS_DECIDE]
    )


def carry_of(ruleset: RuleSet, rule: CarryRule, rig: Rig) -> CarryDuty | None:
    """Return what this rule makes this rig carry in its season and on its roads; None when it does not apply."""
    in_season = date(2026, *rule.season.start)
    return carry_duty(replace(ruleset, carry=(rule,)), rig, in_season, rule.zones)


def rules_json(ruleset: RuleSet, rig: Rig, levels: list[LevelRequirement], today: date) -> dict[str, object]:
    """Return everything as JSON types. Speeds in m/s; tires as in the webhook's tire records."""
    return {
        "jurisdiction": ruleset.jurisdiction,
        "name": ruleset.name,
        "rig": rig.id,
        "citation": ruleset.citation,
        "text_date": ruleset.text_date.isoformat(),
        "text_date_note": ruleset.text_date_note,
        "reviewed_on": ruleset.reviewed_on.isoformat(),
        "review_by": ruleset.review_by.isoformat(),
        "aged": list(ruleset.freshness(today)),
        "clauses": [_clause_json(c) for c in ruleset.clauses],
        "levels": [_level_json(rig, requirement) for requirement in levels],
        "carry": [_carry_json(ruleset, rule, rig, today) for rule in ruleset.carry],
        "tire_duties": [
            {"season": _season(d.season), "what": d.what, "section": d.section, "confidence": d.confidence,
             "doubt": d.doubt}
            for d in ruleset.tire_duties
        ],
        "chained_speeds": [
            {"limit_mps": v.limit_mps, "binding": v.binding, "section": v.section, "confidence": v.confidence,
             "doubt": v.doubt}
            for v in ruleset.speeds
        ],
        "bans": [
            {"season": _season(b.season), "where": b.where, "section": b.section, "confidence": b.confidence}
            for b in ruleset.bans
        ],
        "fines": [
            {"offence": f.offence, "amount": f.amount, "section": f.section, "confidence": f.confidence,
             "doubt": f.doubt}
            for f in ruleset.fines
        ],
        "notes": list(ruleset.notes),
        "doubts": list(ruleset.doubts),
        "sources": list(ruleset.sources),
        "authority": POSTED_SIGNS_DECIDE,
    }  # fmt: skip


def _clause_json(clause: Clause) -> dict[str, object]:
    days = ("in_force_from", "in_force_until", "seen_standing_on", "read_again_by")
    dates = {key: None if (day := getattr(clause, key)) is None else day.isoformat() for key in days}
    words = {"id": clause.id, "asks": clause.asks, "sure": clause.sure.value, "source": clause.source}
    return words | dates | {"known_to_change": clause.known_to_change}


def _level_json(rig: Rig, requirement: LevelRequirement) -> dict[str, object]:
    level, demand, hanging = requirement.level, requirement.demand, requirement.hanging
    return {
        "id": level.id,
        "legal_name": level.legal_name,
        "rank": level.rank,
        "trigger": level.trigger,
        "posted_by": level.posted_by,
        "zones": list(level.zones),
        "barred": demand.barred,
        "tires_min": demand.tires_min,
        "choices": [tires_detail(rig, choice) for choice in demand.choices],
        "tires": tires_detail(rig, hanging.tires),
        "tires_words": tires_line(rig, hanging.tires),
        "tires_code": tires_code(rig, hanging.tires),
        "because": [
            {**detail, "sections": [d.section for d in why]}
            for detail, (_, why) in zip(tires_detail(rig, hanging.tires), demands_by_tire(rig, hanging), strict=True)
        ],
        "singles_used": hanging.singles_used,
        "doubles_used": hanging.doubles_used,
        "singles_short": hanging.singles_short,
        "section": demand.section,
        "confidence": demand.confidence,
        "doubt": demand.doubt,
        "devices": list(demand.devices),
        "exemptions": [e.who for e in level.exemptions],
        "speed_limit_mps": level.speed_limit_mps,
        "speed_section": level.speed_section,
    }


def _carry_json(ruleset: RuleSet, rule: CarryRule, rig: Rig, today: date) -> dict[str, object]:
    duty = carry_of(ruleset, rule, rig)
    return {
        "season": _season(rule.season),
        "in_season": rule.season.contains(today),
        "binds_this_rig": duty is not None,
        "roads": [ruleset.zone(z).words for z in rule.zones],
        "roads_complete": rule.zones_complete,
        "tires": duty.tires_n if duty else 0,
        "spares": duty.spares_n if duty else 0,
        "singles_short": duty.singles_short if duty else 0,
        "satisfied_by": list(rule.satisfied_by),
        "section": rule.section,
        "confidence": rule.confidence,
        "doubt": rule.doubt,
        "exemptions": [e.who for e in rule.exemptions],
    }


def print_list(rulesets: Mapping[str, RuleSet], today: date, *, as_json: bool) -> None:
    """Print the rule sets on file."""
    if as_json:
        listed = [{"code": c, "name": r.name, "aged": list(r.freshness(today))} for c, r in rulesets.items()]
        click.echo(json.dumps(listed, indent=1))
    else:
        show_list(rulesets, create_console(), today)


def show_list(rulesets: Mapping[str, RuleSet], console: Console, today: date) -> None:
    """Print the rule sets on file, one line per jurisdiction."""
    console.print(Text(f"{'code':7}{'':18}{'levels':>7}{'carry':>7}   {'text of':12}{'read':12}read again by", "bold"))
    for code, r in rulesets.items():
        old = "  REVIEW OVERDUE" if r.review_overdue(today) else "  old text" if r.freshness(today) else ""
        console.print(
            f"{code:7}{r.name:18}{len(r.levels):>7}{len(r.carry):>7}   {r.text_date!s:12}{r.reviewed_on!s:12}"
            f"{r.review_by}{old}",
            highlight=False,
        )
    console.print("\nalertd rules CODE --rig RIG shows one of them for a rig.", highlight=False)
    console.print(
        '"old text": a clause is known to change and was not seen in force since, or was not read. See --doubts.'
    )
    console.print(Text(POSTED_SIGNS_DECIDE, "bold"))


def show_rules(ruleset: RuleSet, rig: Rig, levels: list[LevelRequirement], console: Console, today: date) -> None:
    """Print one rule set for one rig, in the reader's units."""
    console.print(Text(f"{ruleset.name} ({ruleset.jurisdiction})   for: {rig.name}", "bold"))
    note = f" ({ruleset.text_date_note})" if ruleset.text_date_note else ""
    _print_field(console, "law", ruleset.citation)
    _print_field(
        console,
        "age",
        f"text of {ruleset.text_date}{note}; read {ruleset.reviewed_on}, to be read again by {ruleset.review_by}",
    )
    for reason in ruleset.freshness(today):
        _print_field(console, "OLD", f"this text: {reason}: check before relying on it", "bold red")
    for clause in ruleset.clauses:
        since = f", in force since {clause.in_force_from}" if clause.in_force_from else ""
        _print_field(
            console,
            "clause",
            f"{clause.asks}: {_SURENESS_TEXT[clause.sure]}, seen standing {clause.seen_standing_on}{since}",
        )
    posted_by = {requirement.level.posted_by for requirement in levels}
    if len(posted_by) == 1:
        _print_field(console, "posted by", posted_by.pop())
    if not levels:
        console.print(Text("\n NO LEVEL ON FILE: nothing we read asks for chains; obey what is posted.", "bold"))
    shown: list[LevelRequirement] = []
    for requirement in levels:
        same = next(
            (s for s in shown if s.hanging.tires == requirement.hanging.tires and _same_law(s, requirement)), None
        )
        _show_level(ruleset, rig, requirement, same, console)
        if posted_by:
            _print_field(console, "posted by", requirement.level.posted_by)
        shown.append(requirement)
    _show_duties(ruleset, rig, console, today)
    _show_sources(ruleset, console)


def _same_law(a: LevelRequirement, b: LevelRequirement) -> bool:
    return (a.demand.section, a.demand.barred, bool(a.hanging.tires)) == (b.demand.section, b.demand.barred, True)


def _show_level(
    ruleset: RuleSet, rig: Rig, requirement: LevelRequirement, same: LevelRequirement | None, console: Console
) -> None:
    level, demand, hanging = requirement.level, requirement.demand, requirement.hanging
    console.print()
    console.print(Text.assemble((f" {level.legal_name} ", "reverse bold"), f"   [{level.id}]"))
    if demand.barred:
        _print_field(console, "BARRED", f"this rig may not pass: {demand.barred}", "bold red")
    if same is not None:
        _print_field(console, "tires", f"{len(hanging.tires)}, the same as at [{same.level.id}]")
    elif hanging.tires:
        ways = len(demand.choices)
        other = f" (one of {ways} ways the text allows)" if ways > 1 else ""
        _print_field(console, "tires", f"{len(hanging.tires)}: {tires_line(rig, hanging.tires)}{other}")
        if demand.tires_min < len(hanging.tires):
            _print_field(console, "", f"the text asks {demand.tires_min}; a double chain takes in its whole pair")
        _print_field(console, "aboard", _carried_text(rig, hanging))
        console.print(textwrap.indent(axle_text(rig, hanging.tires), " " * (_LABEL_W + 3)), highlight=False)
    elif not demand.barred:
        _print_field(console, "tires", "none asked of this rig")
    _print_field(console, "text", f"{demand.section} ({_CONFIDENCE_TEXT[demand.confidence]})")
    _print_field(console, "in doubt", demand.doubt)
    if same is None:
        _print_field(console, "devices", "; ".join(demand.devices) if hanging.tires else "")
        _print_field(console, "exempt", "; ".join(map(exemption_words, level.exemptions)))
    if level.speed_limit_mps is not None:
        _print_field(console, "speed", f"{_speed(ruleset, level.speed_limit_mps)} ({level.speed_section})")
    _print_field(console, "when", _TRIGGER[level.trigger])
    if level.zones:
        _print_field(console, "where", "; ".join(ruleset.zone(z).words for z in level.zones))
    if level.carry_for_level and level.carry_for_level != level.id:
        _print_field(
            console, "carry", f"while it is posted, chains enough for [{level.carry_for_level}] must be aboard"
        )


_SURENESS_TEXT = {
    "text": "text read",
    "agency": "agency page read",
    "press": "press or trade page read",
    "memory": "FROM MEMORY",
    "unread": "NOT READ",
}


_CONFIDENCE_TEXT = {
    "statute": "statute read",
    "agency": "agency page read",
    "secondary": "press or trade page read",
    "memory": "FROM MEMORY, no source",
    "doubt": "IN DOUBT, stricter reading used",
}


def _carried_text(rig: Rig, hanging: Hanging) -> str:
    have = f"{rig.singles_carried} singles, {rig.doubles_carried} doubles"
    return f"{have}: {hanging.singles_short} singles SHORT" if hanging.singles_short else f"{have}: enough"


def _show_duties(ruleset: RuleSet, rig: Rig, console: Console, today: date) -> None:
    console.print()
    for rule in ruleset.carry:
        duty = carry_of(ruleset, rule, rig)
        now = "in force today" if rule.season.contains(today) else "not in season today"
        if duty is None:
            _print_field(
                console,
                "carry",
                f"{_season(rule.season)}: does not bind this rig, or is met by what is fitted. {rule.section}",
            )
            continue
        spares = f" plus {duty.spares_n} spare" if duty.spares_n else ""
        short = f"; {duty.singles_short} SHORT of what is aboard" if duty.singles_short else ""
        what = f"chains for {duty.tires_n} tires{spares}{short}"
        or_else = f", or {' or '.join(rule.satisfied_by)} fitted" if rule.satisfied_by else ""
        _print_field(
            console,
            "carry",
            f"{_season(rule.season)} ({now}): {what}{or_else}. {rule.section} ({_CONFIDENCE_TEXT[rule.confidence]})",
        )
        roads = [ruleset.zone(z).words for z in rule.zones] or ["everywhere"]
        _print_field(
            console, "", "; ".join(roads + ([] if rule.zones_complete else ["and others: the list was cut short"]))
        )
        _print_field(console, "in doubt", rule.doubt)
        _print_field(console, "exempt", "; ".join(map(exemption_words, rule.exemptions)))
    if not ruleset.carry:
        _print_field(console, "carry", "no duty by date on file")
    for t in ruleset.tire_duties:
        when = f"{_season(t.season)}: " if t.season else ""
        _print_field(console, "winter tires", f"{when}{t.what}. {t.section} ({_CONFIDENCE_TEXT[t.confidence]})")
        _print_field(console, "in doubt", t.doubt)
    for v in ruleset.speeds:
        kind = "law" if v.binding else "advice, not law"
        _print_field(
            console,
            "chained",
            f"{_speed(ruleset, v.limit_mps)} ({kind}: {v.section}; {_CONFIDENCE_TEXT[v.confidence]})",
        )
        _print_field(console, "in doubt", v.doubt)
    for b in ruleset.bans:
        _print_field(
            console, "no chains", f"{_season(b.season)} on {b.where}. {b.section} ({_CONFIDENCE_TEXT[b.confidence]})"
        )
    for f in ruleset.fines:
        _print_field(console, "fine", f"{f.offence}: {f.amount}. {f.section} ({_CONFIDENCE_TEXT[f.confidence]})")
        _print_field(console, "in doubt", f.doubt)


def _show_sources(ruleset: RuleSet, console: Console) -> None:
    for note in ruleset.notes:
        _print_field(console, "note", note)
    for doubt in ruleset.doubts:
        _print_field(console, "doubt", doubt)
    for source in ruleset.sources:
        _print_field(console, "source", source)
    console.print()
    console.print(Text(POSTED_SIGNS_DECIDE, "bold"))


def exemption_words(exemption: Exemption) -> str:
    """Whom the rule leaves out, and the paper that proves it."""
    return f"{exemption.who} (paper: {exemption.paper})" if exemption.paper else exemption.who


def _season(season: Season | None) -> str:
    if season is None:
        return ""
    first, last = (f"{day} {date(2024, month, 1):%b}" for month, day in (season.start, season.end))
    moving = ", ".join(f"{e.day} {e:%b %Y}" for e in season.ends[:3])
    return f"{first} to {last}" + (f" at the latest (last days: {moving}, …)" if moving else "")


def _speed(ruleset: RuleSet, speed_mps: float) -> str:
    """Format a speed in the unit of the jurisdiction's signs."""
    if ruleset.jurisdiction.startswith("US-"):
        return f"at most {to_mph(speed_mps):.0f} mph"
    return f"at most {speed_mps / KMH_MPS:.0f} km/h"


def _print_field(console: Console, label: str, text: str, style: str = "") -> None:
    for i, line in enumerate(textwrap.wrap(text, text_width(console, WIDTH) - _LABEL_W - 3)):
        console.print(Text(f"   {label if i == 0 else '':{_LABEL_W}}{line}", style), highlight=False)


Kind = Literal["rule", "rig", "limits"]


_MODELS: Final[dict[Kind, type[FileModel]]] = {"rule": RuleFile, "rig": RigFile, "limits": LimitFile}


def file_schema(kind: Kind) -> dict[str, Any]:
    """Return JSON Schema 2020-12 of one kind of file. Only `alertd check` checks rules between keys."""
    schema = _MODELS[kind].model_json_schema(by_alias=True)
    return schema | {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"alertd {kind} file"}

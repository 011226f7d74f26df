"""The morning brief as text, for terminals, mail and print."""

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

from alertd.notices.reports.brief import NAMED_N, TO_DO_N, Brief, BriefInput, Listed, compile_brief
from alertd.notices.reports.truck_lines import Group, Section, TruckLine
from alertd.notices.text import phrases
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan

GROUP_NOTE: Final = {
    Section.ACT: "",
    Section.WINTER: ", winter road, no chains expected",
    Section.CALM: " at their hour, chains stay aboard by carry rules",
    Section.ARRIVED: "",
}
WIDTH: Final = 100  # characters: a letter page with margins of half an inch in a nine-point typewriter font


def brief_text(
    fleet: str,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now: datetime,
    zone: str,
    upheld: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """Return the brief of these plans as text, see `BriefInput`; without the changes since the last brief."""
    given = BriefInput(
        fleet=fleet, plans=plans, not_planned=not_planned, now=now, zone=zone, upheld=upheld or {}
    )  # fmt: skip
    return text_of(compile_brief(given))


def text_of(brief: Brief) -> str:
    """Return the text: summary, exceptions, details."""
    sections = [
        [f"MORNING BRIEF  {brief.fleet}", brief.when, brief.total, phrases.SIGNS, brief.ages],
        _listed(brief.changed),
        *(_listed(x) for x in brief.before_departure),
        *(_group(g.group, g.shown, g.more_n) for g in brief.groups),
        _wrapped(brief.passing, "") if brief.passing else [],
        *(_rest(g, NAMED_N) for g in brief.rest),
        *(_listed(x) for x in brief.exceptions),
        *(_all(brief) if brief.left_out else ()),
        ["DETAILS"] if brief.details else [],
        *([*_wrapped(_whole(d.line), ""), *(w for text in d.texts for w in _wrapped(text))] for d in brief.details),
        [f"{brief.details_more_n} more trips have their details on the board."] if brief.details_more_n else [],
        *(_listed(x) for x in brief.behind),
        textwrap.wrap(POSTED_SIGNS_DECIDE, WIDTH),
    ]
    return "\n\n".join("\n".join(s if isinstance(s, list) else [s]) for s in sections if s) + "\n"


def _listed(part: Listed | None) -> list[str]:
    if part is None:
        return []
    more = [f"  and {part.more_n} more"] if part.more_n else []
    return [part.title.upper(), *(w for line in part.lines for w in _wrapped(line)), *more]


def _group(group: Group, shown: Sequence[TruckLine], more_n: int) -> list[str]:
    more = [f"  and {more_n} more, all listed below"] if more_n else []
    return [f"{group.name.upper()}{GROUP_NOTE[group.section]}: {group.counts}", *map(_line, shown), *more]


def _line(t: TruckLine) -> str:
    """One truck; only the place is cut where the line is too long."""
    short = f", SHORT {t.short_n}" if t.short_n else ""
    head = f"  {t.when}  {t.trip_id}  {t.driver or t.rig}: {t.what}{short}"
    return head if not t.where else _cut(f"{head}; {t.where}", len(head))


def _whole(t: TruckLine) -> str:
    who = "  ".join(filter(None, (t.trip_id, t.rig, t.driver)))
    short = f", SHORT {t.short_n}" if t.short_n else ""
    return f"{who}, leaves {t.leaves}: {t.when} {t.what}{short}" + (f"; {t.where}" if t.where else "")


def _cut(line: str, least: int) -> str:
    if len(line) <= WIDTH:
        return line
    return line[: max(WIDTH - 1, least)].rstrip(" ;,") + "…"


def _rest(group: Group, most: int) -> list[str]:
    """A group without an action: its trips by id, those ahead with their departures."""
    more = f", and {len(group.trucks) - most} more" if len(group.trucks) > most else ""
    names = ", ".join(name_and_time(t) for t in group.trucks[:most])
    return [f"{group.name.upper()}{GROUP_NOTE[group.section]}: {group.counts}", *_wrapped(names + more)]


def name_and_time(t: TruckLine) -> str:
    """A trip with its departure, or with its arrival if it has arrived."""
    return f"{t.trip_id} {t.when if t.section is Section.ARRIVED else t.leaves}"


def _all(brief: Brief) -> list[list[str]]:
    """Every truck, where the summary does not name all."""
    return [
        ["ALL TRUCKS"],
        *(_group(g.group, g.group.trucks, 0) for g in brief.groups if g.more_n),
        *(_rest(g, len(g.trucks)) for g in brief.rest if len(g.trucks) > NAMED_N),
        [f"{trip}: not planned, {why}" for trip, why in brief.not_planned[TO_DO_N:]],
    ]


def _wrapped(line: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")

"""Renders the morning brief as one HTML page for mail and print: the text brief's parts in the same order.

Bare tables carry all content, for mail programs that drop style sheets.
"""

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from alertd.notices.reports.brief import NAMED_N, TO_DO_N, Brief, Listed
from alertd.notices.reports.brief_text import GROUP_NOTE, name_and_time
from alertd.notices.reports.html import FONT, INK, LINE
from alertd.notices.reports.truck_lines import Group, TruckLine
from alertd.notices.text import phrases
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.plan.model.stretches import Advice

# Rows are short: at five hundred trips every attribute of a cell weighs 3 kB.
_SHEET: Final = (
    f"body{{margin:0 auto;padding:12px;max-width:860px;background:#fff;color:{INK};{FONT};font-size:14px;"
    "line-height:1.4}"
    "h1{font-size:20px;margin:0}p{margin:3px 0}ul{margin:2px 0;padding-left:18px}"
    f"h2{{font-size:15px;margin:16px 0 3px;padding-top:4px;border-top:3px solid {INK}}}"
    "h3{font-size:14px;margin:12px 0 2px}"
    f"table{{border-collapse:collapse;width:100%;font-size:13px}}td{{padding:2px 8px 2px 0;vertical-align:top;"
    f"border-bottom:1px solid {LINE}}}td:first-child{{white-space:nowrap;font-weight:bold}}li{{overflow-wrap:anywhere}}"
    f".short{{border:2px solid {INK};padding:0 3px;white-space:nowrap}}"
    f".top{{border-left:10px solid {INK};padding-left:8px}}"
    f".signs{{border:3px solid {INK};padding:8px;font-weight:bold}}"
    "@page{size:letter;margin:11mm 12mm}"
    "@media print{body{max-width:none;padding:0;font-size:9pt;line-height:1.25}table{font-size:8.5pt}h1{font-size:13pt}"
    "h2{font-size:10pt;margin-top:6pt;padding-top:2pt}h3{font-size:9pt;margin-top:5pt}td{padding:1pt 5pt 1pt 0}"
    "h2,h3,tr{break-inside:avoid}h2,h3{break-after:avoid}.behind{break-before:page}}"
)


def brief_page(brief: Brief) -> str:
    """Return the whole page; markup in its texts is escaped."""
    parts = [
        f"<h1>Morning brief, {escape(brief.fleet)}</h1>",
        f"<p>{escape(brief.when)}. Times are local where the truck is then.</p>",
        f"<p><b>{escape(brief.total)}</b></p>",
        f"<p>{escape(phrases.SIGNS)} {escape(brief.ages)}</p>",
        _listed(brief.changed, "top"),
        *(_listed(x, "top") for x in brief.before_departure),
        *(_group(g.group, g.shown, g.more_n) for g in brief.groups),
        f"<p>{escape(brief.passing)}</p>" if brief.passing else "",
        *(_rest(g, NAMED_N) for g in brief.rest),
        *(_listed(x) for x in brief.exceptions),
        '<div class="behind">',
        *(_all(brief) if brief.left_out else ()),
        "<h2>Details</h2>" if brief.details else "",
        *(_detail(d.line, d.texts) for d in brief.details),
        f"<p>{brief.details_more_n} more trips have their details on the board.</p>" if brief.details_more_n else "",
        *(_listed(x) for x in brief.behind),
        f'<p class="signs">{escape(POSTED_SIGNS_DECIDE)}</p>',
        "</div>",
    ]
    title = escape(f"Morning brief, {brief.fleet}, {brief.when}")
    body = "\n".join(p for p in parts if p)
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width,initial-scale=1"><title>{title}</title><style>{_SHEET}</style></head><body>\n'
        f"{body}\n</body></html>\n"
    )


def _listed(part: Listed | None, style: str = "") -> str:
    if part is None:
        return ""
    more = f"<p>and {part.more_n} more</p>" if part.more_n else ""
    named = f' class="{style}"' if style else ""
    return f"<h2{named}>{escape(part.title)}</h2>{_items(part.lines)}{more}"


def _items(lines: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _group(group: Group, shown: Sequence[TruckLine], more_n: int) -> str:
    more = f"<p>and {more_n} more, all listed below</p>" if more_n else ""
    rows = f"<table>{''.join(map(_row, shown))}</table>" if shown else ""
    return f"<h2>{escape(group.name)}{GROUP_NOTE[group.section]}: {escape(group.counts)}</h2>{rows}{more}"


def _row(t: TruckLine) -> str:
    short = f' <b class="short">SHORT {t.short_n}</b>' if t.short_n else ""
    what = f"<b>{escape(t.what)}</b>" if t.advice is Advice.HOLD else escape(t.what)
    who = escape(", ".join(filter(None, (t.driver, t.rig))))
    cells = (escape(t.when), f"{escape(t.trip_id)}", who, what + short, escape(t.where))
    return f"<tr>{''.join(f'<td>{c}</td>' for c in cells)}</tr>"


def _rest(group: Group, most: int) -> str:
    more = f", and {len(group.trucks) - most} more" if len(group.trucks) > most else ""
    names = ", ".join(name_and_time(t) for t in group.trucks[:most])
    return (
        f"<h2>{escape(group.name)}{GROUP_NOTE[group.section]}: {escape(group.counts)}</h2><p>{escape(names)}{more}</p>"
    )


def _all(brief: Brief) -> list[str]:
    """Every truck, where the summary does not name all."""
    return [
        "<h2>All trucks</h2>",
        *(_group(g.group, g.group.trucks, 0).replace("h2>", "h3>") for g in brief.groups if g.more_n),
        *(_rest(g, len(g.trucks)).replace("h2>", "h3>") for g in brief.rest if len(g.trucks) > NAMED_N),
        _items(f"{trip}: not planned, {why}" for trip, why in brief.not_planned[TO_DO_N:]),
    ]


def _detail(t: TruckLine, texts: Sequence[str]) -> str:
    who = ", ".join(filter(None, (t.trip_id, t.rig, t.driver)))
    return f"<h3>{escape(who)}, leaves {t.leaves}: {t.when} {escape(t.what)}</h3>{_items(texts)}"

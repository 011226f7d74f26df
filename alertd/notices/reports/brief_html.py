"""Renders the morning brief as one HTML page for mail and print.

It has the text brief's sections, with a picture of each road that requires action.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from typing import Final

from alertd.notices import headline, surfaces
from alertd.notices.reports.html import INK, bullets, chip, document, facts, heading, line, picture, table
from alertd.notices.text import phrases
from alertd.notices.text.departures import best_departure_line, leave_by_line
from alertd.notices.text.dispatcher import arrival_line, first_action_at
from alertd.notices.text.law_text import change_lines
from alertd.notices.text.place_text import where
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.model.stretches import Advice, Stretch

_NONE_UPHELD: Final[Mapping[str, Sequence[str]]] = {}
MAX_DRAWN: Final = 12  # roads; mail servers reject a mail of eighty pictures
WIDTH_PX: Final = 680  # of a picture


@dataclass(frozen=True, slots=True, kw_only=True)
class InlineImage:
    """An image's reference in the page (`cid:` in a mail, `data:` in a file) and its alt text."""

    src: str
    alt: str


def trips_needing_action(plans: Sequence[Plan]) -> list[Plan]:
    """Return the trips that require action of their drivers, in the order of their next action."""
    return sorted((p for p in plans if surfaces.asks(p)), key=first_action_at)


def brief_page(
    fleet: str,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now: datetime,
    zone: str,
    images: Mapping[str, InlineImage],
    upheld: Mapping[str, Sequence[str]] = _NONE_UPHELD,
) -> str:
    """Return the whole page. `not_planned` and `upheld` as in the text brief; `images`: of roads, by trip id."""
    todo = trips_needing_action(plans)
    rest = sorted((p for p in plans if not surfaces.asks(p) and p.arrived_at is None), key=lambda p: p.depart_at)
    wintry, calm = [p for p in rest if p.advice is Advice.SLOW], [p for p in rest if p.advice is Advice.CLEAR]
    parts = [
        _top(fleet, plans, not_planned, now, zone),
        _list("Could not be planned", "be ready to chain", ("trip", "why"), not_planned),
        _list(
            "Short of chains", "load before departure", ("truck", "trip", "driver", "asked", "aboard", "short"),
            [_short(p) for p in plans if p.singles_short],
        ),
        heading("Next actions", "in their order") if todo else "",
        *(_card(p, images.get(p.trip_id), upheld.get(p.trip_id, ())) for p in todo),
        line(f"Roads are drawn for the first {MAX_DRAWN} trips.", small=True) if len(todo) > MAX_DRAWN else "",
        _list(
            "Winter road", "no chains expected: drive to the surface", ("leaves", "trip", "truck", "driver", "road"),
            [(*_departures(p), _heads(p)) for p in wintry],
        ),
        _list(
            "No winter road expected", "at their hour; chains stay aboard where a carry rule holds",
            ("leaves", "trip", "truck", "driver", "look at"),
            [(*_departures(p), _heads(p)) for p in calm],
        ),
        _list(
            "Arrived", "", ("trip", "truck", "driver", "when"),
            [(p.trip_id, p.rig_name, p.driver, arrival_line(p)) for p in plans if p.arrived_at is not None],
        ),
        _list("Other ways asked for", "", ("trip", ""), [(p.trip_id, p.route_choice) for p in plans if p.route_choice]),
        heading("Changes of law", "on these roads") + bullets(changes) if (changes := change_lines(plans)) else "",
        _list("Carry rules", "on these roads, any weather", ("where", "aboard", "section", "trucks"), _carry(plans)),
        _cautions(plans),
        _list("Ages", "how old what this stands on is", ("what", "age"), _ages(plans)),
        f'<p style="margin:22px 0 6px;padding:10px;border:3px solid {INK};font-weight:bold">'
        f"{escape(POSTED_SIGNS_DECIDE)}</p>",
    ]  # fmt: skip
    return document(f"Morning brief, {fleet}, {phrases.day_clock(now, zone)}", "\n".join(p for p in parts if p))


def _top(fleet: str, plans: Sequence[Plan], not_planned: Sequence[tuple[str, str]], now: datetime, zone: str) -> str:
    under_way = [p for p in plans if p.arrived_at is None]
    counts = [(sum(p.advice is a for p in under_way), a.value) for a in reversed(Advice)]
    counts.append((len(plans) - len(under_way), "arrived"))
    boxes = [(n, name) for n, name in (*counts, (len(not_planned), "not planned")) if n]
    cells = "".join(
        f'<td style="border:2px solid {INK};padding:4px 14px;text-align:center"><span style="font-size:24px;'
        f'font-weight:bold">{n}</span><br>{escape(name)}</td>'
        for n, name in boxes
    )
    total = len(plans) + len(not_planned)
    return (
        f'<h1 style="font-size:22px;margin:0">Morning brief</h1>{line(fleet, strong=True)}'
        f"{line(phrases.day_clock(now, zone) + f', {total} trip' + ('s' if total != 1 else ''))}"
        f'<table style="margin:8px 0"><tbody><tr>{cells}</tr></tbody></table>{line(phrases.SIGNS)}'
    )


def _list(title: str, note: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return heading(title, note) + table(head, rows) if rows else ""


def _departures(plan: Plan) -> tuple[str, str, str, str]:
    return phrases.clock_time(plan.depart_at, plan.depart_zone), plan.trip_id, plan.rig_name, plan.driver


def _heads(plan: Plan) -> str:
    return "; ".join(filter(None, (*headline.headlines(plan), "" if plan.partial else leave_by_line(plan))))


def _short(plan: Plan) -> tuple[str, ...]:
    need = max([s.hanging.singles_n for s in plan.stretches] + [c.singles_asked for c in plan.carry if c.certain])
    aboard = f"{plan.singles_carried} single" + (f", {plan.doubles_carried} double" if plan.doubles_carried else "")
    return plan.rig_name, plan.trip_id, plan.driver, f"chains for {need} tires", aboard, f"{plan.singles_short} single"


def _card(plan: Plan, image: InlineImage | None, upheld: Sequence[str]) -> str:
    """One trip: required actions, where and when, and its road drawn."""
    leaves, trip, rig, driver = _departures(plan)
    head = f"{leaves} &nbsp; {escape(trip)} &nbsp; {escape(rig)} &nbsp; {escape(driver)} &nbsp; {chip(plan.advice)}"
    texts = [*upheld, arrival_line(plan)]
    if on := phrases.worn(plan):
        texts.append(f"{on[0].upper()}{on[1:]}")
    if plan.advice is Advice.READY and not plan.stretches:
        why = "Forecast missing or old for some of the road" if plan.partial else "What is posted may be on this way"
        texts.append(f"{why}: be ready to chain")
    if other := best_departure_line(plan):
        texts.append(other)
    if plan.hours is not None and (plan.stretches or not plan.hours.ok_if_late):
        texts.append(f"Hours: {phrases.hours_line(plan.hours, plan.arrive_zone)}")
        texts += [f"Break: {b}" for b in phrases.break_lines(plan.hours, plan.arrive_zone)]
    parts = [
        f'<h3 style="font-size:14px;margin:16px 0 4px">{head}</h3>',
        *(line(text, strong=True) for text in headline.headlines(plan)),
        *(line(text) for text in texts),
        *(line(text, strong=True) for text in surfaces.ice_lines(plan)),
        *(_stretch(s) for s in plan.stretches),
        *(line(text) for text in surfaces.road_lines(plan)),
        picture(image.src, image.alt, WIDTH_PX) if image else "",
    ]
    return "\n".join(parts)


def _stretch(s: Stretch) -> str:
    place = where(s)
    what = {
        Advice.CHAIN: "stay chained" if s.chained else "plan to chain",
        Advice.READY: "be ready to chain",
        Advice.HOLD: f"HOLD below it, {phrases.why_held(s)}",
    }.get(s.advice, "watch")
    rows = [
        ("until", phrases.held_until(s)),
        (
            "on",
            "chains are on"
            if s.chained
            else f"{phrases.stop_words(s.chain_up)}, {phrases.clock_time(s.chain_up.arrive_at, s.chain_up.zone)}",
        ),
        ("off", f"{phrases.stop_words(s.chain_off)}, {phrases.clock_time(s.chain_off.arrive_at, s.chain_off.zone)}"),
        ("tires", f"{s.hanging.singles_n}: {s.tires_words}"),
        ("speed", f"{phrases.mph(s.speed_mps)} on snow and ice, {phrases.mph(s.bare_speed_mps)} on bare road"),
        ("cost", f"{phrases.minutes(s.hang_s + s.remove_s + s.slow_s)} if chained"),
        ("road", ", ".join(f"{name} {share:.0%}" for name, share in s.surfaces[:3]) + " (share of forecast members)"),
        ("snow", phrases.snow_depth(s)),
        ("also", phrases.may_be_white(s)),
    ]
    title = f"{place} ({', '.join(s.jurisdictions)}): {what}, {phrases.likely(s)}"
    return line(title, strong=True) + facts((name, text) for name, text in rows if text)


def _carry(plans: Sequence[Plan]) -> list[tuple[str, ...]]:
    """One row per rule, with the trucks that it applies to."""
    trucks: dict[tuple[str, str, str], list[str]] = {}
    for p in plans:
        for c in p.carry:
            if c.certain:
                rule = (c.jurisdiction, f"{c.singles_asked} chains", c.practice or c.section)
                trucks.setdefault(rule, []).append(p.rig_name + (" SHORT" if c.singles_short else ""))
    return [(*rule, ", ".join(names)) for rule, names in trucks.items()]


def _cautions(plans: Sequence[Plan]) -> str:
    cautions = list(dict.fromkeys(c for p in plans for c in p.cautions))
    return heading("Cautions") + bullets(cautions) if cautions else ""


def _ages(plans: Sequence[Plan]) -> list[tuple[str, str]]:
    """Each source with its oldest age and owner; each rule text with why it may no longer be the law."""
    oldest: dict[str, tuple[float, bool]] = {}
    for s in (s for p in plans for s in p.sources):
        age_h, stale = oldest.get(s.licence, (0.0, False))
        oldest[s.licence] = (max(age_h, s.age_h), stale or s.stale)
    rows = [
        (f"Forecast: {who}", f"{phrases.age(age_h)} old{', TOO OLD' if stale else ''}")
        for who, (age_h, stale) in oldest.items()
    ]
    if any(not p.sources for p in plans):
        rows.append(("Forecast", "NONE for some trips: be ready to chain"))
    texts = {r.jurisdiction: r for p in plans for r in p.rules}
    rows += [
        (f"Rule text {code}", f"as of {r.as_of.isoformat()}{', OLD: ' + '; '.join(r.aged) if r.aged else ''}")
        for code, r in sorted(texts.items())
    ]
    rows += [("Places", credit) for credit in dict.fromkeys(c for p in plans for c in p.credits)]
    return rows

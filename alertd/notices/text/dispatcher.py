"""Texts for the office: one trip's plan in a few lines, and the morning brief over all trips."""

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime

from alertd.notices import headline, surfaces
from alertd.notices.text import law_text, phrases
from alertd.notices.text.departures import best_departure_line, leave_by_line
from alertd.notices.text.place_text import where
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch

_NONE_UPHELD: Mapping[str, Sequence[str]] = {}
WIDTH = 78  # fits a mail client and a printed page


def dispatcher_text(plan: Plan) -> str:
    """Return one trip for the dispatcher: action, place, time, cost, chain shortage, probability and ages."""
    lines = [f"{plan.trip_id}  {plan.rig_name}  {plan.driver}: {plan.advice.upper()}", *_trip_lines(plan)]
    if plan.singles_short:
        lines.append(f"  SHORT OF CHAINS: {_short(plan)}")
    if plan.route_choice:
        lines += _wrapped(plan.route_choice)
    lines += [w for line in law_text.strip_lines(plan) for w in _wrapped(line)]
    lines += [f"  Caution: {c}" for c in plan.cautions]
    lines.append(f"  {_ages(plan)} {phrases.SIGNS}")
    if plan.sources:
        lines.append(f"  {_credits([plan])}")
    return "\n".join(lines)


def brief_text(
    fleet: str,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now: datetime,
    zone: str,
    upheld: Mapping[str, Sequence[str]] = _NONE_UPHELD,
) -> str:
    """Return the morning brief: required chains, shortages, late arrivals, and what is unknown.

    `not_planned` are (trip id, reason): a trip without a plan is always named. upheld: by trip id, earlier orders that
    newer, incomplete data do not lower.
    """
    arrived = sorted((p for p in plans if p.arrived_at is not None), key=lambda p: p.depart_at)
    under_way = [p for p in plans if p.arrived_at is None]
    acting = sorted((p for p in under_way if surfaces.asks(p)), key=first_action_at)
    rest = sorted((p for p in under_way if not surfaces.asks(p)), key=lambda p: p.depart_at)
    wintry, clear = [p for p in rest if p.advice is Advice.SLOW], [p for p in rest if p.advice is Advice.CLEAR]
    by_advice = [(sum(p.advice is a for p in under_way), a.value) for a in reversed(Advice)]
    counts = ", ".join(f"{n} {name}" for n, name in (*by_advice, (len(arrived), "arrived")) if n)
    trips_n = len(plans) + len(not_planned)
    total = f"{trips_n} trip{'s' if trips_n != 1 else ''}: {counts or 'none planned'}"
    sections = [
        [
            f"MORNING BRIEF  {fleet}",
            phrases.day_clock(now, zone),
            total + (f", {len(not_planned)} NOT PLANNED" if not_planned else ""),
            phrases.SIGNS,
            *([_oldest(plans)] if plans else []),
            *([_credits(plans)] if any(p.sources for p in plans) else []),
        ],
        _section("COULD NOT BE PLANNED - be ready to chain", [f"{trip}: {why}" for trip, why in not_planned]),
        _section(
            "SHORT OF CHAINS - load before departure",
            [f"{p.rig_name}, {p.trip_id}, {p.driver}: {_short(p)}" for p in plans if p.singles_short],
        ),
        _section("IN ORDER OF THE NEXT ACTION", []) if acting else [],
        *(
            [
                _headline(p),
                *(w for h in upheld.get(p.trip_id, ()) for w in _wrapped(h)),
                *_trip_lines(p),
            ]
            for p in acting
        ),
        _section(
            "WINTER ROAD, no chains expected - drive to the surface",
            [line for p in wintry for line in (_headline(p), *headline.headlines(p), *_leave_by(p))],
        ),
        _section(
            "NO WINTER ROAD EXPECTED at their hour (chains stay aboard by carry rules)",
            [line for p in clear for line in (_headline(p), *headline.headlines(p), *_leave_by(p))],
        ),
        _section("ARRIVED", [f"{p.trip_id}  {p.rig_name}  {p.driver}: {arrival_line(p)}" for p in arrived]),
        _section("OTHER WAYS asked for", [f"{p.trip_id}: {p.route_choice}" for p in plans if p.route_choice]),
        _section("CHANGES OF LAW on these roads", law_text.change_lines(plans)),
        _section("CARRY RULES on these roads, any weather", _carry_lines(plans)),
        _section("CAUTIONS", list(dict.fromkeys(c for p in plans for c in p.cautions))),
    ]
    return "\n\n".join("\n".join(s) for s in sections if s) + "\n"


def _section(title: str, lines: Sequence[str]) -> list[str]:
    """Return a titled block, wrapped; empty when a titled list is empty."""
    if not lines:
        return [title] if title.startswith("IN ORDER") else []
    return [title, *(w for line in lines for w in _wrapped(line))]


def _leave_by(plan: Plan) -> list[str]:
    line = "" if plan.partial else leave_by_line(plan)
    return [line] if line else []


def _wrapped(line: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _headline(plan: Plan) -> str:
    leaves = phrases.clock_time(plan.depart_at, plan.depart_zone)
    return f"{leaves}  {plan.trip_id}  {plan.rig_name}  {plan.driver}  {plan.advice.upper()}"


def _trip_lines(plan: Plan) -> list[str]:
    on = phrases.worn(plan)
    worn = _wrapped(f"{on[0].upper()}{on[1:]}") if on else []
    icy = [w for text in surfaces.ice_lines(plan) for w in _wrapped(text)]
    heads = [w for text in headline.headlines(plan) for w in _wrapped(text)]
    lines = [*heads, *_wrapped(arrival_line(plan)), *worn, *icy]
    lines += [line for s in plan.stretches for line in _stretch(s)]
    lines += [w for text in surfaces.road_lines(plan) for w in _wrapped(text)]
    if plan.advice is Advice.READY and not plan.stretches:
        why = "Forecast missing or old for some of the road" if plan.partial else "What is posted may be on this way"
        lines += _wrapped(f"{why}: be ready to chain")
    if other := best_departure_line(plan):
        lines += _wrapped(other)
    if plan.hours is not None and (plan.stretches or not plan.hours.ok_if_late):
        lines += _wrapped(f"Hours: {phrases.hours_line(plan.hours, plan.arrive_zone)}")
        lines += [line for b in phrases.break_lines(plan.hours, plan.arrive_zone) for line in _wrapped(f"Break: {b}")]
    return lines


def _stretch(s: Stretch) -> list[str]:
    place = where(s)
    what = {
        Advice.CHAIN: "stay chained" if s.chained else "plan to chain",
        Advice.READY: "be ready to chain",
        Advice.HOLD: f"HOLD below it, {phrases.why_held(s)}",
    }.get(s.advice, "watch")
    surface = ", ".join(f"{name} {share:.0%}" for name, share in s.surfaces[:3])
    cost = phrases.minutes(s.hang_s + s.remove_s + s.slow_s)
    rows = [
        *(("until", end) for end in (phrases.held_until(s),) if end),
        (
            "on",
            "chains are on"
            if s.chained
            else f"{phrases.stop_words(s.chain_up)}, {phrases.clock_time(s.chain_up.arrive_at, s.chain_up.zone)}",
        ),
        ("off", f"{phrases.stop_words(s.chain_off)}, {phrases.clock_time(s.chain_off.arrive_at, s.chain_off.zone)}"),
        ("tires", f"{s.hanging.singles_n}: {s.tires_words}"),
        ("speed", f"{phrases.mph(s.speed_mps)} on snow and ice, {phrases.mph(s.bare_speed_mps)} on bare road"),
        ("cost", f"{cost} if chained"),
        ("road", f"{surface} (share of forecast members that meet it)"),
    ]
    if depth := phrases.snow_depth(s):
        rows.append(("snow", depth))
    if white := phrases.may_be_white(s):
        rows.append(("also", white))
    out = _wrapped(f"{place} ({', '.join(s.jurisdictions)}): {what}, {phrases.likely(s)}")
    for label, text in rows:
        out += textwrap.wrap(f"{label:6}{text}", WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 12)
    return out


def _carry_lines(plans: Sequence[Plan]) -> list[str]:
    """Return one line per rule, with the trucks that it applies to."""
    trucks: dict[str, list[str]] = {}
    for p in plans:
        for c in p.carry:
            if c.certain:
                rule = f"{c.jurisdiction} asks {c.singles_asked} chains aboard ({c.practice or c.section})"
                trucks.setdefault(rule, []).append(p.rig_name + (" SHORT" if c.singles_short else ""))
    return [f"{rule}: {', '.join(names)}" for rule, names in trucks.items()]


def first_action_at(plan: Plan) -> datetime:
    """Return when a plan first requires action: the arrival at a chain-up place, ice, or the departure."""
    ice = (s.enter_at for s in surfaces.to_slow_for(plan))
    return min((*(s.chain_up.arrive_at for s in plan.stretches), *ice), default=plan.depart_at)


def arrival_line(plan: Plan) -> str:
    """Return the arrival time, its window, and the delay against a dry road; or the actual arrival."""
    if plan.arrived_at is not None:
        return f"Arrived {phrases.clock_time(plan.arrived_at, plan.arrive_zone)}"
    due = headline.arrival(plan)
    seen = phrases.last_position(plan)
    if plan.hold is not None:
        return f"Arrives {due}" + (f"; {seen}" if seen else "")
    first, last = (phrases.clock_time(at, plan.arrive_zone) for at in (plan.arrive_early, plan.arrive_late))
    window = f"{first}-{last}"
    later = plan.cost_s >= 300 and plan.arrivals is None
    slip = f", {phrases.minutes(plan.cost_s)} later than on a dry road" if later else ""
    return f"Arrives {due} ({window}){slip}" + (f"; {seen}" if seen else "")


def _short(plan: Plan) -> str:
    carried = f"{plan.singles_carried} single" + (f" and {plan.doubles_carried} double" if plan.doubles_carried else "")
    need = max([s.hanging.singles_n for s in plan.stretches] + [c.singles_asked for c in plan.carry if c.certain])
    return f"needs chains for {need} tires, carries {carried}: {plan.singles_short} short"


def _ages(plan: Plan) -> str:
    return f"{phrases.forecast_age(plan)}; rules as of {phrases.rule_text_age(plan)}."


def _credits(plans: Sequence[Plan]) -> str:
    """Return the licences of forecasts, each with its oldest age in any plan, and of places."""
    oldest: dict[str, float] = {}
    for source in (s for p in plans for s in p.sources):
        oldest[source.licence] = max(oldest.get(source.licence, source.age_h), source.age_h)
    places = "; ".join(dict.fromkeys(c for p in plans for c in p.credits))
    forecasts = "Forecasts: " + "; ".join(f"{who} ({phrases.age(age_h)} old)" for who, age_h in oldest.items()) + "."
    return f"{forecasts} {places}." if places else forecasts


def _oldest(plans: Sequence[Plan]) -> str:
    oldest = max((s.age_h for p in plans for s in p.sources), default=0.0)
    texts = min((r.as_of for p in plans for r in p.rules), default=None)
    aged = ", may no longer be the law" if any(r.aged for p in plans for r in p.rules) else ""
    rules = f"oldest rules as of {texts.isoformat()}{aged}" if texts else "no rule text on file"
    return f"Oldest forecast {phrases.age(oldest)}; {rules}."

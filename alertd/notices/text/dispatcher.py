"""The office's text of one trip: its plan in a few lines."""

import textwrap
from collections.abc import Sequence

from alertd.i18n import odds
from alertd.notices import headline, surfaces
from alertd.notices.text import days_text, law_text, phrases
from alertd.notices.text.departures import best_departure_line
from alertd.notices.text.place_text import where
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.road.road_class import DRIVERS_WORDS

WIDTH = 78  # fits a mail client and a printed page


def dispatcher_text(plan: Plan, *, asks: bool = True) -> str:
    """Return one trip for the dispatcher: action, place, time, cost, chain shortage, probability and ages.

    asks: names the hours that were not given; a later text of a trip does not ask again.
    """
    lines = [f"{plan.trip_id}  {plan.rig_name}  {plan.driver}: {plan.advice.upper()}", *_trip_lines(plan, asks=asks)]
    if plan.singles_short:
        lines.append(f"  SHORT OF CHAINS: {_short(plan)}")
    if plan.route_choice:
        lines += _wrapped(plan.route_choice)
    lines += [w for line in law_text.strip_lines(plan) for w in _wrapped(line)]
    lines += [w for text in law_text.other_duties(plan) for w in _wrapped(f"Also law in {text}")]
    lines += [f"  Caution: {c}" for c in plan.cautions]
    lines.append(f"  {_ages(plan)} {phrases.SIGNS}")
    if plan.sources:
        lines.append(f"  {_credits([plan])}")
    return "\n".join(lines)


def _wrapped(line: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _trip_lines(plan: Plan, *, asks: bool) -> list[str]:
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
        lines += _wrapped(f"Hours: {phrases.hours_line(plan.hours, plan.arrive_zone, asks=asks)}")
        lines += [line for b in phrases.break_lines(plan.hours, plan.arrive_zone) for line in _wrapped(f"Break: {b}")]
    elif asks and plan.hours is not None and plan.hours.not_given:
        lines += _wrapped(f"Hours not given, so counted from departure only: {', '.join(plan.hours.not_given)}")
    lines += [line for text in days_text.rest_and_outlook_lines(plan) for line in _wrapped(text)]
    if missing := days_text.asks_line(plan):
        lines += _wrapped(phrases.capital(missing) if asks else "Hours not given count as unused")
    return lines + [line for text in days_text.not_placed_lines(plan) for line in _wrapped(phrases.capital(text))]


def _stretch(s: Stretch) -> list[str]:
    place = where(s)
    what = {
        Advice.CHAIN: "stay chained" if s.chained else "plan to chain",
        Advice.READY: "be ready to chain",
        Advice.HOLD: f"HOLD below it, {phrases.why_held(s)}",
    }.get(s.advice, "watch")
    surface = ", ".join(f"{DRIVERS_WORDS.get(name, name)} {odds(share)}" for name, share in s.surfaces[:3])
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
        ("road", f"{surface}"),
    ]
    if depth := phrases.snow_depth(s):
        rows.append(("snow", depth))
    if white := phrases.may_be_white(s):
        rows.append(("also", white))
    out = _wrapped(f"{place} ({', '.join(s.jurisdictions)}): {what}, {phrases.likely(s)}")
    for label, text in rows:
        out += textwrap.wrap(f"{label:6}{text}", WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 12)
    return out


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

"""The explanation of an advice on the terminal: from the values of a source to the plan, line by line."""

import textwrap
from collections.abc import Callable, Iterable
from datetime import timedelta
from typing import Any

from rich.console import Console
from rich.text import Text

from alertd.cli.options import text_width
from alertd.cli.stretch_rows import VERB
from alertd.errors import InputError
from alertd.notices.text import phrases
from alertd.plan.explain.members import ChainChoice
from alertd.plan.explain.model import AirAtPlace, ColumnHour, Explanation, GripAtPlace, PastSpan, SourceValues, Spread
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.serialize import to_plain
from alertd.units import FOOT_M, INCH_MM, MILE_M, to_fahrenheit, to_feet, to_miles, to_mph

FORMAT = "alertd.explained/1"
WIDTH = 110
_LABEL = 10
_WORTH_SHOWING = 0.0005  # a probability that does not round to 0.000
KELVIN_F = 1.8  # degrees Fahrenheit to one kelvin


def position_m(plan: Plan, at_miles: float | None) -> float | None:
    """Miles from the start as metres. Raises InputError off the route."""
    if at_miles is not None and not 0.0 <= at_miles * MILE_M <= plan.route_length_m:
        long = f"is not on this route of {to_miles(plan.route_length_m):.1f} miles"
        raise InputError("--at", "", f"{at_miles:g} {long}", "give miles from its start")
    return None if at_miles is None else at_miles * MILE_M


def explained_json(plan: Plan, places: Iterable[Explanation]) -> dict[str, Any]:
    return {"format": FORMAT, "plan_id": plan.id, "trip_advice": plan.advice.value, "places": to_plain(tuple(places))}


def show_explained(plan: Plan, places: tuple[Explanation, ...], console: Console) -> None:
    """Print each place's chain, its advice last; see `note` for the figures in threes."""
    head = f"{plan.route_name}   {plan.rig_name}   leaves {phrases.day_clock(plan.depart_at, plan.depart_zone)}"
    console.print(Text(head, "bold"))
    note = f"a / b / c: what 10, 50 and 90 % of the {plan.members_n} members stay below. {POSTED_SIGNS_DECIDE}"
    _print_field(console, "", note)
    for place in places:
        _place(plan, place, console)
    if not places:
        _print_field(console, "", f"The plan has no stretch that may need chains; its advice is {VERB[plan.advice]}.")
        _print_field(console, "", "--at MILES explains any place.")


def _place(plan: Plan, x: Explanation, console: Console) -> None:
    early, middle, late = (phrases.clock_time(at, x.zone) for at in x.passing)
    window = f"8 of 10 members from {early[:5]} to {late}; the nearest whole hour stands for each"
    name = "" if x.stretch is None else plan.stretches[x.stretch].place
    console.print()
    console.print(Text(f"{_mile(x.distance_m)} {name}".rstrip() + f", {_feet(x.elevation_m)}", "bold"))
    _print_field(console, "passed", f"{middle} at {x.lat_deg:.4f}, {x.lon_deg:.4f} ({window})")
    for source in x.sources:
        _source(source, x.zone, console)
    if not x.sources:
        _print_field(console, "forecast", "no source answered")
    for i, span in enumerate(x.past):
        _print_field(console, "" if i else "past", _past(span, x.zone))
    _air(x.air, console)
    _column(x.column, x.zone, console)
    _print_field(console, "road", "when passed, share of members: " + _shares(x.surfaces))
    cleared = _shares(x.lanes.serviced) if x.lanes.serviced else "no member has it"
    _print_field(console, "cleared", "the same where ploughs and salt pass, in the members where they do: " + cleared)
    _print_field(console, "untouched", "the same where nobody ploughs or salts, in all: " + _shares(x.lanes.untouched))
    for grip in x.grip:
        _grip(grip, console)
    for level in x.levels:
        on_it = "" if level.stretch_frac is None else f", {level.stretch_frac:.0%} somewhere on the stretch"
        text = f"our estimate that '{level.legal_name}' is posted in {level.jurisdiction}: {level.here_frac:.0%} here"
        if level.posted_by:
            since = f" since {phrases.day_clock(level.posted_since, x.zone)}" if level.posted_since else ""
            text = (
                f"POSTED by {level.posted_by}{since}, or with what is: '{level.legal_name}'; {level.here_frac:.0%} here"
            )
        _print_field(console, "posting", f"{text}{on_it} (law: {level.section or 'no section on file'})")
    _posting(x, console)
    for land in x.no_rules:
        _print_field(
            console, "posting", f"no rules on file for {land}: a winter road there counts as a control that may come"
        )
    _print_field(console, "need", f"chains needed here, by posting, grip, descent or closure: {x.need_frac:.3f} of 1")
    _members(x, console)
    if x.choice is not None:
        _choice(x.choice, console)
    if x.stretch_surfaces:
        _print_field(console, "stretch", "share of members that meet it anywhere on it: " + _shares(x.stretch_surfaces))
    for c in x.compared:
        sign = ">=" if c.reached else "<"
        _print_field(console, "compared", f"{c.what} {c.value:.3f} {sign} {c.threshold} {c.limit:g}")
    if x.barred:
        _print_field(console, "barred", x.barred)
    where = "advice of the stretch" if x.stretch is not None else "no stretch of the plan here; advice of the trip"
    console.print(Text(f"   so: {where}: {VERB[x.advice]}", "bold"))


def _members(x: Explanation, console: Console) -> None:
    """Print every member here; the need of a place is the mean of its column."""
    _print_field(
        console,
        "each",
        "member at its hour of passing: rank of friction | ploughed | surface | friction at hand, needed, on the "
        "steepest grade of the section | posting | descent | need here | need and slip anywhere on the stretch | "
        "lost if only ready",
    )
    for m in x.members:
        _print_field(
            console,
            f"{m.member}",
            f"{m.friction_rank:.2f} | {'no' if m.untouched else 'yes'} | {m.surface} | "
            f"{_known(m.mu, lambda v: f'{v:.3f}')} of {_known(m.needed_mu, lambda v: f'{v:.3f}')} on {m.grade:+.1%} | "
            f"{m.posting_frac:.4f} | {m.descent_frac:.4f} | {m.need_frac:.4f} | "
            f"{m.stretch_need_frac:.4f} {'slips' if m.stretch_slips else 'grips'} | {m.loss_s / 60.0:.2f} min",
        )


def _choice(c: ChainChoice, console: Console) -> None:
    """Print the prices, and the minutes of the trip."""
    p = c.prices
    _print_field(
        console,
        "prices",
        f"chaining ahead {p.ahead_s / 60.0:.2f} min: hang {c.hang_s / 60.0:.2f}, remove {c.remove_s / 60.0:.2f}, "
        f"slower run {c.slower_s / 60.0:.2f}; only ready and caught at the sign {p.sign_s / 60.0:.2f} min more, or "
        f"slipped {p.slip_s / 60.0:.2f} more",
    )
    _print_field(
        console,
        "choice",
        f"need anywhere {c.probability:.4f}, the mean of its column; lost if only ready, the mean of its column, by "
        f"chaining ahead: {c.worth:.4f}{'; showers, which nobody chains ahead for' if c.showers else ''}",
    )
    _print_field(
        console,
        "minutes",
        f"of the trip, later than on a dry road: {c.unchained_s / 60.0:.1f} without chains, {c.chained_s / 60.0:.1f} "
        f"chained, chance {c.chain_probability:.4f}, each run by its own chance a share of {c.share:.4f}: mean "
        f"{c.expected_s / 60.0:.1f}",
    )


def _posting(x: Explanation, console: Console) -> None:
    """Print the control zone's state by the hour in one member, and each level's share of it."""
    p = x.posting
    kind = f"pass with a rise of {_feet(p.rise_m)}" if p.is_pass else "road between passes"
    ends = f"miles {to_miles(p.start_m):.1f} to {to_miles(p.end_m):.1f}"
    _print_field(
        console, "zone", f"{ends}, {kind}; a control of it covers this place in {p.covered_frac:.0%} of members"
    )
    _print_field(
        console,
        "state",
        f"in member {p.member}, worst of the zone: snowfall of 3 h, not cleared, of a day [mm of water] | wind | rates "
        "of posting and lifting per hour | posted, for a zone that posts rarely / usually / often: mean 1 4 1",
    )
    for h in p.hours:
        snow = f"{h.snowfall_mmwe_h:.2f}, {h.uncleared_mmwe:.2f}, {h.day_mmwe:.1f}"
        also = " glaze" * h.glaze + " ice" * h.ice
        states = f"{h.state_rare:.3f} / {h.state_usual:.3f} / {h.state_often:.3f}: {h.state:.3f}"
        known = "" if h.known is None else f"; reported {'posted' if h.known else 'none'}"
        rates = f"{h.on_per_h:.3f}, {h.off_per_h:.3f}"
        closed = f"; closed {h.closed:.3f}" if h.closed >= _WORTH_SHOWING else ""
        _print_field(
            console,
            phrases.clock_time(h.at, x.zone)[:5],
            f"{snow}{also} | {h.wind_mps:.0f} m/s | {rates} | {states}{known}{closed}",
        )
    for v in p.levels:
        how = "the road itself decides" if v.by_road else f"share {v.share_frac:.3f} of the state"
        text = f"{v.ordinary_frac:.2f} in ordinary snow here, odds times {v.odds_factor:.2f}: {how}"
        name = f"'{v.level_id}' in {v.jurisdiction}"
        _print_field(console, "level", f"{name}: {text}; {v.chance_frac:.3f} in this member")
    if x.descent_frac > 0.0:
        _print_field(
            console, "descent", f"share of drivers who chain for it, mean over members: {x.descent_frac:.3f} of 1"
        )


def _source(s: SourceValues, zone: str, console: Console) -> None:
    issued = f"issued {phrases.day_clock(s.issued_at, zone)}" if s.issued_at else "issue time not given"
    age = f"{phrases.age(max(s.age_h, 0.0))} old" + (", THE LAST GOOD ANSWER" if s.served_stale else "")
    _print_field(console, "forecast", f"{s.provider}: {issued}, fetched {phrases.day_clock(s.fetched_at, zone)}, {age}")
    cell = f"cell asked for {s.lat_deg:.4f}, {s.lon_deg:.4f}, {to_miles(s.away_m):.1f} mi from here"
    _print_field(console, "", f"{cell}; its temperature is for {_feet(s.elevation_m)}")
    values = (
        f"air {_known(s.air_temp_c, lambda v: f'{v:.1f} °C ({to_fahrenheit(v):.1f} F)')}",
        f"humidity {_known(s.rh_frac, _percent)}",
        f"wind {_known(s.wind_mps, lambda v: f'{v:.1f} m/s ({to_mph(v):.0f} mph)')}",
        f"cloud {_known(s.cloud_frac, _percent)}",
        f"precipitation {_known(s.precip_mmwe_h, lambda v: f'{v:.2f} mm/h ({v / INCH_MM:.3f} in/h)')}",
        f"its chance {_known(s.precip_prob_frac, _percent)}",
        f"freezing level {_feet(s.freezing_level_m)}",
        f"snow level {_feet(s.snow_level_m)}",
    )
    hour = (
        f"{phrases.clock_time(s.hour_start, zone)[:5]} to {phrases.clock_time(s.hour_start + timedelta(hours=1), zone)}"
    )
    _print_field(console, "", f"hour {hour}, at whose end the road is looked at: {', '.join(values)}")
    for remark in s.remarks:
        _print_field(console, "", f"but {remark}")


_BASIS = {
    "nothing": "no station within reach, no earlier forecast: not known",
    "source": "the forecast source's own past hours",
    "earlier_forecast": "earlier forecast of the source",
}


def _past(span: PastSpan, zone: str) -> str:
    hours = round((span.ends_at - span.begins_at) / timedelta(hours=1))
    when = f"{hours} h from {phrases.day_clock(span.begins_at, zone)}"
    if not span.station:
        issued = f", issued {phrases.day_clock(span.issued_at, zone)} or later" if span.issued_at else ""
        return f"{when}: {_BASIS[span.basis]}{issued}"
    above = f"{_feet(abs(span.higher_m))} {'higher' if span.higher_m >= 0.0 else 'lower'}"
    return f"{when}: station {span.station}, {to_miles(span.away_m):.0f} mi away, {above}, and others by their weight"


def _air(a: AirAtPlace, console: Console) -> None:
    cell = f"air {_f(a.cell_air_temp_c)}, humidity {_pc(a.cell_rh_frac)}, wind {_mph(a.wind_mps)}"
    _print_field(console, "members", f"at the cell's {_feet(a.cell_elevation_m)}: {cell}, cloud {_pc(a.cloud_frac)}")
    _print_field(console, "", f"precipitation {_rate(a.precip_mmwe_h)}")
    for rule, share in a.rules:
        _print_field(console, "moved", f"in {share:.0%} of members by the {rule}")
    lapse = _spread_text(a.lapse_k_per_km, lambda v: f"{v * KELVIN_F * FOOT_M:.1f}", "F colder per 1,000 ft up")
    _print_field(console, "", f"{lapse}, to the road's {_feet(a.road_elevation_m)}")
    _print_field(console, "at road", f"air {_f(a.air_temp_c)}, humidity {_pc(a.rh_frac)}, wet bulb {_f(a.wet_bulb_c)}")
    published = f"Jennings 2018 {_pc(a.jennings_frac)}, Wang 2019 {_pc(a.wang_frac)}"
    fitted = f"{_pc(a.jennings_calibrated_frac)} and {_pc(a.wang_calibrated_frac)}"
    own = f"each member's own {_pc(a.snow_chance_frac)}"
    _print_field(console, "P(snow)", f"if anything falls: {published}; calibrated {fitted}; {own}")
    falls = f"snow {_rate(a.snow_mmwe_h)}, rain {_rate(a.rain_mmwe_h)}, freezing rain {_rate(a.freezing_mmwe_h)}"
    _print_field(console, "falls", falls)


def _column(hours: tuple[ColumnHour, ...], zone: str, console: Console) -> None:
    _print_field(console, "pavement", "at each hour up to passing: the middle member | then surface and stores of all")
    for h in hours:
        one = f"{h.member_class}, {_known(h.member_surface_temp_c, lambda v: f'{to_fahrenheit(v):.1f} F')}"
        stores = zip(
            ("water", "snow", "ice"),
            (h.member_water_mmwe, h.member_snow_mmwe, h.member_ice_mmwe),
            (h.water_mmwe, h.snow_mmwe, h.ice_mmwe),
            strict=True,
        )
        lying = [(name, own, of_all) for name, own, of_all in stores]
        own = ", ".join(f"{name} {_known(value, lambda v: f'{v:.2f}')}" for name, value, _ in lying)
        spread = ", ".join(f"{name} {_spread_text(s, lambda v: f'{v:.2f}')}" for name, _, s in lying)
        _print_field(
            console, phrases.clock_time(h.at, zone)[:5], f"{one}, {own} mm | {_f(h.surface_temp_c)}, {spread} mm"
        )


def _grip(g: GripAtPlace, console: Console) -> None:
    way = f"to climb {g.grade:.1%}" if g.grade > 0 else f"to hold {-g.grade:.1%} down by braking"
    bare, chained = (_spread_text(s, lambda v: f"{v:.2f}") for s in (g.needed_mu, g.chained_needed_mu))
    have = _spread_text(g.mu, lambda v: f"{v:.2f}")
    short = f"short in {g.short_frac:.0%} of members without chains, {g.chained_short_frac:.0%} with them"
    _print_field(console, "grip", f"{_mile(g.distance_m)}, {way}: has {have}, needs {bare}, chained {chained}; {short}")


def _spread_text(s: Spread, write: Callable[[float], str], unit: str = "") -> str:
    if s.known_frac == 0.0:
        return "not known"
    part = f" (known in {s.known_frac:.0%})" if s.known_frac < 1.0 else ""
    return f"{' / '.join(write(v) for v in (s.low, s.median, s.high))} {unit}".rstrip() + part


def _f(s: Spread) -> str:
    return _spread_text(s, lambda v: f"{to_fahrenheit(v):.1f}", "F")


def _pc(s: Spread) -> str:
    return _spread_text(s, lambda v: f"{100.0 * v:.0f}", "%")


def _mph(s: Spread) -> str:
    return _spread_text(s, lambda v: f"{to_mph(v):.0f}", "mph")


def _rate(s: Spread) -> str:
    return _spread_text(s, lambda v: f"{v / INCH_MM:.3f}", "in/h")


def _percent(frac: float) -> str:
    return f"{frac:.0%}"


def _known(value: float, write: Callable[[float], str]) -> str:
    return "not given" if value != value else write(value)


def _feet(height_m: float) -> str:
    return _known(height_m, lambda v: f"{to_feet(v):,.0f} ft")


def _mile(distance_m: float) -> str:
    return f"mile {to_miles(distance_m):.1f}"


def _shares(shares: tuple[tuple[str, float], ...]) -> str:
    return ", ".join(f"{name} {share:.0%}" for name, share in shares)


def _print_field(console: Console, label: str, text: str) -> None:
    for i, line in enumerate(textwrap.wrap(text, text_width(console, WIDTH) - _LABEL - 3)):
        console.print(f"   {label if i == 0 else '':{_LABEL}}{line}", highlight=False, soft_wrap=True)

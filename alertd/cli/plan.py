"""A plan on the terminal: the instructions, the road as a strip, then reasons and ages."""

import textwrap
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.text import Text

from alertd.cli.options import text_width
from alertd.cli.stretch_rows import STYLE, VERB, WIDTH, hung_before, print_field, show_stretch
from alertd.errors import InputError
from alertd.i18n import odds
from alertd.notices import headline, surfaces
from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, View
from alertd.notices.charts.plan_charts import axle_charts, plan_charts
from alertd.notices.text import days_text, departures, law_text, phrases
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, AlongPoint, Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.request import PlanRequest
from alertd.road.road_class import DRIVERS_WORDS
from alertd.route.jurisdictions import Boundaries

_STRIP = 64


_HEIGHTS = "▁▂▃▄▅▆▇█"


_LETTERS = {
    "dry": "·", "moist": "·", "wet": "w", "rime": "f", "slush": "~", "snow": "s", "packed snow": "p", "ice": "i",
    "glaze": "g", "unknown": "?",
}  # fmt: skip


_SLOT_S, _TIME_SLOTS = 1_800.0, 12  # a letter each half hour, a time each six hours


_DEPARTURE_SYMBOLS = {
    "·": "no chains expected by this forecast", "~": "winter road, no chains expected", "-": "be ready",
    "?": "some road not known", "=": "plan to chain", "#": "hold", "^": "as planned", "*": "named above",
}  # fmt: skip


_BY_RISK = " ·~-?=#"


def show_plan(plan: Plan, console: Console) -> None:
    """Print a plan in the reader's units and local times."""
    _header(plan, console)
    _slow(plan, console)
    _road_without_chains("ice", surfaces.ice_lines(plan), console)
    if plan.hold is not None and plan.stretches:
        console.print("\nIf you are sent on all the same:", highlight=False)
    for n, stretch in enumerate(plan.stretches):
        show_stretch(stretch, console, plan, hung_before(plan.stretches[:n], stretch))
    _road_without_chains("road", surfaces.road_lines(plan), console)
    if not plan.stretches and plan.advice is Advice.CLEAR:
        console.print(Text(f"\n {VERB[Advice.CLEAR]} at the truck's hours; carry rules still hold.", "bold"))
    elif not plan.stretches and plan.advice is Advice.READY and not plan.partial:
        console.print(Text(f"\n {VERB[Advice.READY]}: what is posted may be on this way, see below.", "bold"))
    elif not plan.stretches and plan.partial:
        console.print(Text(f"\n {VERB[Advice.READY]}: some of the road is not known at the truck's hours.", "bold"))
    _road_strip(plan, console)
    _days(plan, console)
    _departures(plan, console)
    _border_strip(plan, console)
    _alternatives(plan, console)
    _hours(plan, console)
    _footer(plan, console)


def _slow(plan: Plan, console: Console) -> None:
    """The verb of a trip that asks for no more than to slow down."""
    if surfaces.is_wind_only(plan):
        console.print(Text.assemble("\n", (" SLOW DOWN FOR WIND OR SIGHT ", f"reverse {STYLE[Advice.SLOW]}")))
    elif plan.advice is Advice.SLOW:
        verb = Text(f" {VERB[Advice.SLOW]} ", f"reverse {STYLE[Advice.SLOW]}")
        how_sure = odds(phrases.winter_frac(plan))
        console.print(Text.assemble("\n", verb, f"  winter road {how_sure}; keep chains aboard, look for signs"))


def _road_without_chains(label: str, lines: list[str], console: Console) -> None:
    if lines:
        console.print()
    for text in lines:
        print_field(console, label, text)


def _alternatives(plan: Plan, console: Console) -> None:
    """Which way is better, and what each other one asks."""
    if plan.route_choice:
        console.print()
        print_field(console, "ways", plan.route_choice)
    for other in plan.other_routes:
        if other.reason not in plan.route_choice:
            print_field(console, "", other.reason)


def _hours(plan: Plan, console: Console) -> None:
    """What runs out of the driver's hours, and where."""
    if plan.hours is None:
        return
    console.print()
    note = plan.hours
    print_field(console, "hours", f"{phrases.hours_line(note, plan.arrive_zone)} ({note.law})")
    for line in phrases.break_lines(note, plan.arrive_zone):
        print_field(console, "break", line)
    for reason in note.reasons:
        print_field(console, "", reason)
    if plan.stretches:
        print_field(console, "", f"Two hours more for adverse conditions: {note.adverse_exception}")


def _days(plan: Plan, console: Console) -> None:
    """Rests, the outlook and the choices of a trip of several days, and its delivery."""
    delivery = days_text.delivery_line(plan)
    if plan.days is None:
        if delivery:
            console.print()
            print_field(console, "deliver", delivery)
        return
    if plan.days.stops:
        console.print(Text("\n STOPS", "bold"))
        for line in days_text.stop_lines(plan):
            print_field(console, "", line)
    console.print(Text("\n REST AND BREAKS", "bold"))
    for line in (*days_text.rest_lines(plan), *filter(None, [days_text.if_chained_line(plan)])):
        print_field(console, "", line)
    for line in days_text.not_placed_lines(plan):
        print_field(console, "", line)
    if plan.days.outlook:
        console.print(Text("\n OUTLOOK BEYOND 48 HOURS", "bold"))
        for line in days_text.outlook_lines(plan):
            print_field(console, "", line)
    if delivery:
        console.print()
        print_field(console, "deliver", delivery)
    console.print(Text("\n ANOTHER WAY TO DO IT", "bold"))
    for line in (*days_text.choice_lines(plan), *days_text.other_route_lines(plan)):
        print_field(console, "", line)
    if plan.days.asks:
        print_field(console, "ask", days_text.asks_line(plan))


def _header(plan: Plan, console: Console) -> None:
    names = "   ".join(n for n in (plan.rig_name, plan.driver) if n)
    console.print(Text(f"{plan.route_name}   {phrases.miles(plan.route_length_m)}   {names}", "bold"))
    console.print(f"leaves  {phrases.day_clock(plan.depart_at, plan.depart_zone)}", highlight=False)
    if plan.arrived_at is not None:
        console.print(f"arrived {phrases.clock_time(plan.arrived_at, plan.arrive_zone)}", highlight=False)
        return
    if seen := phrases.last_position(plan):
        console.print(f"{seen}: the rest of the way from there", highlight=False)
    console.print(f"arrives {headline.arrival(plan)}{_window(plan)}", highlight=False)
    if worn := phrases.worn(plan):
        console.print(worn, highlight=False)
    for line in headline.headlines(plan):
        for part in textwrap.wrap(line, text_width(console, WIDTH)):
            console.print(Text(part, "bold red" if plan.advice is Advice.HOLD else "bold"))
    if plan.singles_short:
        console.print(Text(f"SHORT OF CHAINS: {plan.singles_short} single chains missing for this trip", "bold red"))


def _window(plan: Plan) -> str:
    """The window of the arrival and the delay against a dry road; "" where a hold leaves none."""
    if plan.hold is not None:
        return ""
    first, last = (phrases.clock_time(at, plan.arrive_zone) for at in (plan.arrive_early, plan.arrive_late))
    late = f", {phrases.minutes(plan.cost_s)} later than on a dry road" if plan.cost_s >= 300 else ""
    return f" ({first} to {last}){late if plan.arrivals is None else ''}"


def _road_strip(plan: Plan, console: Console) -> None:
    """The road in one look: heights, likeliest pavement at the truck's hour, odds of winter road, chains."""
    points = _thinned(plan.along.points)
    low, high = min(p.elevation_m for p in points), max(p.elevation_m for p in points)
    height = "".join(_HEIGHTS[round((p.elevation_m - low) / max(high - low, 1.0) * 7)] for p in points)
    road = "".join(_LETTERS[p.surface] for p in points)
    chained = "".join(_chain_mark(plan, p.distance_m) for p in points)
    first, last = points[0], points[-1]
    console.print()
    heights = f"{_feet(low)} to {_feet(high)}"
    beside = console.width >= 12 + _STRIP + 2 + len(heights)
    console.print(f"   {'height':9}{height}{f'  {heights}' if beside else ''}", highlight=False)
    if not beside:
        console.print(f"   {'':9}{heights}", highlight=False)
    console.print(f"   {'road':9}{road}", highlight=False)
    if in_ten := _in_ten(plan.along.winter_frac).rstrip():
        console.print(f"   {'odds':9}{in_ten}", highlight=False)
    if chained.strip():
        console.print(f"   {'chains':9}{chained}", highlight=False)
    start, end = (
        phrases.clock_time(first.arrive_at, plan.depart_zone),
        phrases.clock_time(last.arrive_at, plan.arrive_zone),
    )
    console.print(f"   {'time':9}{start}{end:>{_STRIP - len(start)}}", highlight=False)
    seen = [name for name in _LETTERS if name in {p.surface for p in points}]
    key = ", ".join(f"{_LETTERS[name]} {DRIVERS_WORDS.get(name, name)}" for name in seen)
    if in_ten:
        key += "; odds: frost, ice or snow there, in 10"
    if chained.strip():
        key += "; = chained, - be ready"
    print_field(console, "", f"most likely at the truck's hour: {key}")


def _in_ten(winter_frac: tuple[float, ...]) -> str:
    """The highest odds of winter road on each piece of the strip in tenths, 9 from there on, blank below one.

    The likeliest pavement of a place may be bare while winter road is likely somewhere on the way.
    """
    n = len(winter_frac)
    pieces = [winter_frac[i * n // _STRIP : max((i + 1) * n // _STRIP, i * n // _STRIP + 1)] for i in range(_STRIP)]
    return "".join(str(min(round(max(p) * 10.0), 9)) for p in pieces).replace("0", " ")


def _thinned(along: tuple[AlongPoint, ...]) -> list[AlongPoint]:
    return [along[round(i * (len(along) - 1) / (_STRIP - 1))] for i in range(_STRIP)]


def _chain_mark(plan: Plan, distance_m: float) -> str:
    for s in plan.stretches:
        if s.chain_up.distance_m <= distance_m <= s.chain_off.distance_m:
            return "-" if s.advice is Advice.READY else "="
    return " "


def _departures(plan: Plan, console: Console) -> None:
    """Other departures: those worth weighing, then all of them as a strip, a letter each half hour."""
    lines = departures.departure_lines(plan)
    if not lines:
        return
    console.print(Text("\n LEAVING AT ANOTHER TIME", "bold"))
    for line in lines:
        print_field(console, "", line)
    if plan.departures:
        _hours_strip(plan, console)


def _hours_strip(plan: Plan, console: Console) -> None:
    """Each half hour as the strictest of its departures, blank where the forecast does not reach."""
    start_s = plan.departures[0].depart_at.timestamp() // _SLOT_S * _SLOT_S

    def slot(at: datetime) -> int:
        return int((at.timestamp() - start_s) // _SLOT_S)

    slots_n = slot(plan.departures[-1].depart_at) + 1
    asked, markers = [" "] * slots_n, [" "] * slots_n
    for d in plan.departures:
        asked[slot(d.depart_at)] = max(asked[slot(d.depart_at)], _departure_letter(plan, d), key=_BY_RISK.index)
    for at, mark in [*((p.departure.depart_at, "*") for p in plan.picks if not plan.partial), (plan.depart_at, "^")]:
        if 0 <= slot(at) < slots_n:
            markers[slot(at)] = mark
    zone = ZoneInfo(plan.depart_zone)
    begins = [datetime.fromtimestamp(start_s + i * _SLOT_S, zone) for i in range(0, slots_n, _TIME_SLOTS)]
    times = "".join(f"{at:%a %H:%M}".ljust(_TIME_SLOTS) for at in begins)
    rows = {"leaving": "".join(asked), "": "".join(markers), "time": f"{times.rstrip()} {begins[-1]:%Z}"}
    labelled = console.width > 12 + max(map(len, rows.values()))  # a narrow terminal has no room for the labels
    for label, row in rows.items():
        console.print(f"   {label if labelled else '':{9 if labelled else 0}}{row}".rstrip(), highlight=False)
    key = ", ".join(
        f"{letter} {meaning}" for letter, meaning in _DEPARTURE_SYMBOLS.items() if letter in asked or letter in markers
    )
    print_field(console, "", key + (", blank where the forecast does not reach" if " " in asked else ""))


def _departure_letter(plan: Plan, d: Departure) -> str:
    advice = departures.departure_advice(plan, d)
    if advice is Advice.READY and d.unknown_frac > 0.0:
        return "?"
    return {Advice.CLEAR: "·", Advice.SLOW: "~", Advice.READY: "-", Advice.CHAIN: "=", Advice.HOLD: "#"}[advice]


def _feet(height_m: float) -> str:
    return f"{height_m / 0.3048:,.0f} ft"


def _border_strip(plan: Plan, console: Console) -> None:
    """What each land on the way asks aboard and on the tires."""
    lines = law_text.strip_lines(plan)
    if lines:
        console.print(Text("\n AT EACH LINE", "bold"))
    for line in lines:
        print_field(console, "", line)


def _footer(plan: Plan, console: Console) -> None:
    console.print()
    for c in plan.carry:
        if c.certain:
            short = f", {c.singles_short} SHORT" if c.singles_short else ""
            print_field(
                console,
                "carry",
                f"{c.jurisdiction} asks {c.singles_asked} chains aboard{short} ({c.practice or c.section})",
            )
    for caution in plan.cautions:
        print_field(console, "caution", caution)
    for s in plan.sources:
        print_field(console, "forecast", f"{s.provider}, {phrases.age(s.age_h)} old. {s.licence}")
    for credit in plan.credits:
        print_field(console, "places", credit)
    for note in plan.input_notes:
        print_field(console, "inputs", note)
    for r in plan.rules:
        overdue = "; REVIEW OVERDUE" if r.overdue else ""
        print_field(
            console,
            "law",
            f"{r.name}: {r.citation}. Rules as of {r.as_of}, read {r.reviewed_on}, to be read again by "
            f"{r.review_by}{overdue}",
        )
    console.print(Text(POSTED_SIGNS_DECIDE, "bold"))


def write_charts(folder: Path, plan: Plan, request: PlanRequest, boundaries: Boundaries, *, metric: bool) -> None:
    """Write them into a folder, made if it is not there. Raises InputError where that cannot be."""
    captions = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for width_px, suffix in ((DESKTOP_PX, ""), (PHONE_PX, "-phone")):
            view = View(width_px=width_px, metric=metric)
            drawn = plan_charts(plan, request.route, request.weather.corridor, boundaries, view)
            for name, picture in drawn.items():
                (folder / f"{name}{suffix}.svg").write_text(picture.svg(), encoding="utf-8")
            captions = [line for p in drawn.values() for line in (p.title, *p.alt_text, "")]
        for name, picture in axle_charts(plan, request.rig).items():
            (folder / f"{name}.svg").write_text(picture.svg(), encoding="utf-8")
        (folder / "pictures.txt").write_text("\n".join(captions), encoding="utf-8")
    except OSError as exc:
        raise InputError(
            "--pictures", "", f"{folder} cannot be written ({exc.strerror})", "name another folder"
        ) from exc

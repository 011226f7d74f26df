"""A stretch that may need chains on the terminal: where to hang them and take them off, how fast, and why."""

import textwrap
from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.text import Text

from alertd.cli.options import text_width
from alertd.notices.text import phrases
from alertd.notices.text.place_text import where
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice, Stretch
from alertd.units import to_miles

WIDTH: Final = 96

VERB = {
    Advice.CLEAR: "NO WINTER ROAD EXPECTED",
    Advice.SLOW: "WINTER ROAD, NO CHAINS EXPECTED",
    Advice.READY: "BE READY TO CHAIN",
    Advice.CHAIN: "PLAN TO CHAIN",
    Advice.HOLD: "HOLD BELOW IT",
}


STYLE = {
    Advice.CLEAR: "bold", Advice.SLOW: "bold cyan", Advice.READY: "bold yellow", Advice.CHAIN: "bold magenta",
    Advice.HOLD: "bold red",
}  # fmt: skip


def hung_before(earlier: Sequence[Stretch], s: Stretch) -> Stretch | None:
    """The first stretch before it with the same place to hang chains: they stay on from there; None without one."""
    same = [
        e for e in earlier if (e.chain_up.stop_id, e.chain_up.distance_m) == (s.chain_up.stop_id, s.chain_up.distance_m)
    ]
    return same[0] if same and not s.chained else None


def show_stretch(s: Stretch, console: Console, plan: Plan, before: Stretch | None) -> None:
    """A stretch with its reasons; where chains stay on for it from an earlier one, only what is new."""
    place = where(s)
    on_already = before is not None and before.advice.rank >= Advice.CHAIN.rank and s.advice is not Advice.HOLD
    console.print()
    console.print(
        Text.assemble(
            (f" {'CHAINS STAY ON' if on_already else VERB[s.advice]} ", f"reverse {STYLE[s.advice]}"),
            f"  {place} ({', '.join(s.jurisdictions)})   {phrases.likely(s)}",
        )
    )
    short = f"; {s.hanging.singles_short} SHORT of what is aboard" if s.hanging.singles_short else ""
    rows = [
        *(("hold", phrases.why_held(s)) for _ in range(s.advice is Advice.HOLD)),
        *(("until", end) for end in (phrases.held_until(s),) if end and not _held_longer(plan, s)),
        *(_chaining(s, short) if before is None else _kept_on(s, before, short)),
        *(("snow", depth) for depth in (phrases.snow_depth(s),) if depth),
        *(("also", white) for white in (phrases.may_be_white(s),) if white),
        *(("why" if i == 0 else "", reason) for i, reason in enumerate(s.reasons)),
    ]
    for label, text in rows:
        print_field(console, label, text)


def _chaining(s: Stretch, short: str) -> list[tuple[str, str]]:
    """Where to hang chains and take them off, on which tires, how fast, and what that costs."""
    return [
        ("hang", "chains are on" if s.chained else _stop(s.chain_up, with_stay=s.advice is not Advice.READY)),
        ("tires", f"{s.hanging.singles_n}: {s.tires_words}{short}"),
        ("speed", f"{phrases.mph(s.speed_mps)} on snow and ice, {phrases.mph(s.bare_speed_mps)} on bare road"),
        ("", f"({s.speed_because})"),
        ("take off", _stop(s.chain_off, with_stay=s.advice is not Advice.READY)),
        (
            "costs",
            f"{phrases.minutes(s.hang_s)} hanging, {phrases.minutes(s.remove_s)} taking off, "
            f"{phrases.minutes(s.slow_s)} slower running, if chained",
        ),
    ]


def _kept_on(s: Stretch, before: Stretch, short: str) -> list[tuple[str, str]]:
    """What differs from the stretch that the same chains are hung for."""
    rows = [("hang", f"at the place named above, mile {to_miles(s.chain_up.distance_m):.0f}: the same chains")]
    if s.tires_words != before.tires_words:
        rows.append(("tires", f"{s.hanging.singles_n}: {s.tires_words}{short}"))
    if (s.speed_mps, s.bare_speed_mps) != (before.speed_mps, before.bare_speed_mps):
        speeds = f"{phrases.mph(s.speed_mps)} on snow and ice, {phrases.mph(s.bare_speed_mps)} on bare road"
        rows.append(("speed", f"{speeds} ({s.speed_because})"))
    if s.chain_off.distance_m != before.chain_off.distance_m:
        rows.append(("take off", _stop(s.chain_off, with_stay=s.advice is not Advice.READY)))
    return rows


def _held_longer(plan: Plan, s: Stretch) -> bool:
    """Whether the trip is held longer than the stretch: two ends of one hold would contradict each other."""
    if plan.hold is None or s.hold_until is None:
        return False
    return plan.hold.until is None or s.hold_until < plan.hold.until


def _stop(stop: StopChoice, *, with_stay: bool) -> str:
    times = phrases.clock_time(stop.arrive_at, stop.zone)
    if with_stay and stop.leave_at > stop.arrive_at:
        times += f" to {phrases.clock_time(stop.leave_at, stop.zone)}"
    room = f", {stop.spaces} spaces" if stop.spaces is not None else ""
    light = {True: ", lit", False: ", unlit", None: ""}[stop.lit]
    invented = ", INVENTED PLACE" if stop.invented else ""
    return f"{phrases.stop_words(stop)}, {times}{room}{light}{invented}: {stop.reason}"


def print_field(console: Console, label: str, text: str) -> None:
    """Print a text in lines beside its label."""
    for i, line in enumerate(textwrap.wrap(text, text_width(console, WIDTH) - 12)):
        console.print(f"   {label if i == 0 else '':9}{line}", highlight=False)

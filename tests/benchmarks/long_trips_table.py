"""Write the table of long trips: five roads under three described skies, each checked and compared with a naive driver.

    nice python -m tests.benchmarks.long_trips_table [--roads NAME,...] [--skies NAME,...] [--rows FILE] [--guide FILE]

Every row is kept in `--rows` and planned once, so that the work can be done in parts. The table goes into `--guide`,
with "not run" for a row that is not there. A plan that breaks its hours law ends the script with an error.
"""

import argparse
import json
import tempfile
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from alertd.plan.days.place_rests import laws_of, spells_of
from alertd.plan.drive import plan_drive
from alertd.plan.hours.legal import violations
from alertd.plan.make_plan import make_plan
from alertd.plan.model.days import DaysNote, OutlookNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Stretch
from alertd.units import to_miles
from tests.acceptance.test_long_trips import ROADS, SKIES, request_of

PROJECT = Path(__file__).resolve().parents[2]
GUIDE = PROJECT / "shared" / "guide" / "several-days.md"
BEGIN, END = "<!-- long trips: begin -->", "<!-- long trips: end -->"
BREAK_KINDS = ("break", "first part of a break", "second part of a break")
HEAD = "| trip | sky | arrives | sleeps | says of each pass | naive driver |\n|---|---|---|---|---|---|"


def row(name: str, sky: str) -> str:
    """One line of the table. Raises SystemExit for a plan that is not legal."""
    with tempfile.TemporaryDirectory() as folder:
        request = request_of(ROADS[name], sky, Path(folder))
    went, plan = plan_drive(request), make_plan(request)
    spells = spells_of(went.solution, went.remaining.before)
    for law in laws_of(went.solution):
        if over := violations(spells, request.trip.used, law, went.remaining.depart_at):
            raise SystemExit(f"{name}, {sky}: not legal: {over}")
    arrive = when(plan.arrive_at, plan.arrive_zone)
    return f"| {name} | {sky} | {arrive} | {sleeps(plan.days)} | {passes(plan)} | {naive(plan.days)} |"


def when(at: datetime, zone: str) -> str:
    """A time in the zone of its place."""
    return at.astimezone(ZoneInfo(zone)).strftime("%a %H:%M %Z")


def sleeps(days: DaysNote | None) -> str:
    """The rests of a plan: place, mile and times there."""
    if days is None:
        return "no night needed"
    rests = [r for r in days.rests if r.kind not in BREAK_KINDS]
    name = {r.place: "a place to find" if r.room == "unlisted" else r.place for r in rests}
    return "; ".join(
        f"{name[r.place]}, mile {to_miles(r.distance_m):.0f}, {when(r.begins_at, r.zone)} to {when(r.ends_at, r.zone)}"
        + (f", {r.wait_s / 3600.0:g} h of it to wait" if r.wait_s else "")
        for r in rests
    ) or "no night needed"  # fmt: skip


def passes(plan: Plan) -> str:
    """What the plan says of each pass: advice with its odds, or the outlook."""
    near = [(s.start_m, _near(s)) for s in plan.stretches]
    far = [] if plan.days is None else [(x.start_m, _far(x)) for x in plan.days.outlook]
    return "; ".join(text for _, text in sorted((*near, *far))) or "nothing: no road that may need chains"


def _near(s: Stretch) -> str:
    place = s.place or f"mile {to_miles(s.start_m):.0f}"
    return f"{place} {s.advice.value} {s.probability:.0%}, {when(s.enter_at, s.zone)}"


def _far(x: OutlookNote) -> str:
    place = x.place or f"mile {to_miles(x.start_m):.0f}"
    return f"{place} {x.odds}, {when(x.earliest_at, x.zone)} to {when(x.latest_at, x.zone)}"


def naive(days: DaysNote | None) -> str:
    """The naive driver compared with the plan, in time and with the price of risk."""
    found = None if days is None else next((x for x in days.choices if x.kind == "naive"), None)
    if found is None:
        return "the same"
    if not found.legal:
        return "not legal"
    if found.held:
        return "may meet a hold"
    hours = [x / 3600.0 for x in (found.later_s, found.cost_s)]
    return f"arrives {hours[0]:+.1f} h, costs {hours[1]:+.1f} h"


def main() -> None:
    """Plan the rows that are missing, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--roads", default=",".join(ROADS))
    parser.add_argument("--skies", default=",".join(SKIES))
    parser.add_argument("--rows", type=Path, default=Path("long_trips_rows.json"))
    parser.add_argument("--guide", type=Path, default=GUIDE)
    args = parser.parse_args()
    rows = json.loads(args.rows.read_text(encoding="utf-8")) if args.rows.exists() else {}
    for name in args.roads.split(","):
        for sky in args.skies.split(","):
            key = f"{name} {sky}"
            if key not in rows:
                rows[key] = row(name, sky)
                args.rows.write_text(json.dumps(rows, indent=1, ensure_ascii=False), encoding="utf-8")
            print(rows[key], flush=True)
    wanted = [f"{name} {sky}" for name in ROADS for sky in SKIES]
    text = args.guide.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    table = "\n".join((HEAD, *(rows.get(key, f"| {key.replace(' ', ' | ')} | not run | | | |") for key in wanted)))
    args.guide.write_text(f"{before}{BEGIN}\n{table}\n{END}{rest.split(END)[1]}", encoding="utf-8")


if __name__ == "__main__":
    main()

"""Times planning on known corridors: every departure of one trip, and a fleet planned anew. Run by hand.

    python tests/benchmarks/bench_plan.py [--trips 10000] [--routes 60] [--workers 2]

The corridors' road fields are given (see bench_road.py for theirs); everything after them is counted: what each rig
meets, the way over, stretches, hours, reasons, the plan's id. Routes of 200 to 600 km over two passes, 31 members, a
storm that crosses over the day, sections as the demo's roads fold. Trips of one route share its corridor and leave over
24 hours, with any of the 15 shipped rigs.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from statistics import median
from time import perf_counter, process_time
from typing import Any

import numpy as np

from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.departure_picks import pick_departures
from alertd.plan.departures import compare_departures
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.plan.serialize import plan_json
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.testing.factories import at_hour, make_route, make_stop, make_weather

ROOT = Path(__file__).parents[2]
MEMBERS, HOURS = 31, 84
OWN = PlanParams(compare_h=0.0)


def corridor(number: int) -> tuple[Route, Weather]:
    """A road over two passes, with a storm that crosses it between hour 10 and 40."""
    length_m = 200e3 + 100e3 * (number % 5)
    d = np.arange(0.0, length_m + 125.0, 250.0)
    passes = (0.35 * length_m, 0.7 * length_m)
    grade = sum(0.05 * np.sign(p - d) * (np.abs(d - p) < 14e3) for p in passes)
    third = length_m / 3.0
    route = make_route(
        length_m,
        grade=grade,
        stops=[make_stop(str(km), km * 1e3) for km in range(10, int(length_m / 1e3), 30)],
        spans=[("US-MT", 0, third), ("US-ID", third, 2 * third), ("US-WA", 2 * third, length_m)],
    )
    ranks = np.random.default_rng(number).random((MEMBERS, 1, 1))

    def storm(_: Any, at_m: Any, h: Any) -> Any:
        high = np.logical_or.reduce([np.abs(at_m - p) < 12e3 for p in passes])
        share = np.clip(1.2 - np.abs(h - 25.0 - number % 7) / 12.0, 0.0, 1.0)
        return np.where(high & (share > ranks), RoadClass.SNOW, RoadClass.WET)

    weather = make_weather(
        route,
        storm,
        members=MEMBERS,
        hours=HOURS,
        samples_a_column=6,  # as the demo's roads fold: 1199 samples in 204 sections
        clock_z=np.linspace(-2.0, 2.0, MEMBERS),
        friction=(np.arange(MEMBERS) + 0.5) / MEMBERS,
    )
    return route, weather


def departures(*, listed: bool = True) -> None:
    """Time the comparison of all departures; without listed stops, unlisted places are proposed."""
    route, weather = corridor(4)
    if not listed:
        route = replace(route, stops=())
    rig = read_rigs(ROOT / "config/rigs")["tractor-6x4-van-53"]
    rulesets = read_rulesets(ROOT / "config/rules")
    began = perf_counter()
    outlook = hourly_need_for(route, rig, rulesets, weather.corridor, OWN, at_hour(2).timestamp())
    size = f"{route.length_m / 1e3:.0f} km, {len(route.stops)} listed stops, {outlook.sections.count} sections"
    print(f"{size}, {MEMBERS} members")
    print(f"what this rig meets at every hour of {outlook.hours}: {(perf_counter() - began) * 1e3:.0f} ms, once")
    wall, cpu, found = [], [], ()
    for _ in range(9):
        outlook.shared.clear()  # each is the first of its kind
        w, c = perf_counter(), process_time()
        found = compare_departures(outlook, at_hour(16), at_hour(2), HoursUsed(), PlanParams())
        picks = pick_departures(found, at_hour(16), PlanParams())
        wall.append(perf_counter() - w)
        cpu.append(process_time() - c)
    asked = sum(d.advice.rank > 0 for d in found)
    print(
        f"{len(found)} departures compared, {asked} of them asking for anything, {len(picks)} picked: "
        f"median {median(wall) * 1e3:.0f} ms, best {min(wall) * 1e3:.0f} (processor {median(cpu) * 1e3:.0f})"
    )


def fleet_of(job: tuple[int, int]) -> tuple[int, float]:
    """Plan so many trips on one route; trips and seconds."""
    number, trips = job
    route, weather = corridor(number)
    rigs = list(read_rigs(ROOT / "config/rigs").values())
    rulesets = read_rulesets(ROOT / "config/rules")
    began = perf_counter()
    for n in sorted(range(trips), key=lambda n: n % len(rigs)):  # as the planner does: trucks of one rig together
        trip = TripInput(id=f"T-{n}", depart_at=at_hour(4) + timedelta(minutes=1440 * n / trips))
        make_plan(PlanRequest(trip, route, rigs[n % len(rigs)], rulesets, weather, OWN, at_hour(2)))
    return trips, perf_counter() - began


def fleet(trips: int, routes: int, workers: int) -> None:
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(fleet_of, [(0, 1)] * workers))  # imports and caches
        for part in sorted({max(trips // 50, routes), trips // 5, trips}):
            jobs = [(n, part // routes + (n < part % routes)) for n in range(routes)]
            began = perf_counter()
            done = list(pool.map(fleet_of, jobs))
            wall, busy, planned = perf_counter() - began, sum(s for _, s in done), sum(n for n, _ in done)
            each_ms, alone_s = busy / planned * 1e3, busy / workers
            print(f"{planned} trips on {routes} routes, {workers} processes: {each_ms:.1f} ms a trip, {alone_s:.1f} s")
            print(f"  {wall:.1f} s with making the corridors up")


def texts() -> None:
    route, weather = corridor(4)
    rigs, rulesets = list(read_rigs(ROOT / "config/rigs").values()), read_rulesets(ROOT / "config/rules")
    trip = TripInput(id="T", depart_at=at_hour(16))
    plan = make_plan(PlanRequest(trip, route, rigs[0], rulesets, weather, OWN, at_hour(2)))
    began = perf_counter()
    for _ in range(20):
        plan_json(plan)
    json_s = (perf_counter() - began) / 20
    began = perf_counter()
    for _ in range(20):
        plan_notices(plan, None, at_hour(2))
    say_s = (perf_counter() - began) / 20
    size = len(plan_json(plan))
    print(f"JSON {json_s * 1e3:.1f} ms and {size / 1e3:.0f} kB a plan; its notices {say_s * 1e3:.1f} ms")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trips", type=int, default=10_000)
    parser.add_argument("--routes", type=int, default=60)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    departures()
    departures(listed=False)
    texts()
    fleet(asked.trips, asked.routes, asked.workers)


if __name__ == "__main__":
    main()

"""Times planning on a warm corridor: one trip over 600 km, and 100 trips that share it. Run by hand.

Usage: python tests/benchmarks/bench_plan.py
"""

from datetime import timedelta
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np

from alertd.notices.changes import to_say
from alertd.plan.make import TripInput, make_plan
from alertd.plan.params import PlanParams
from alertd.plan.record import plan_json
from alertd.road.state import RoadClass
from alertd.sources.rigfile import read_rigs
from alertd.sources.rulefile import read_rulesets
from alertd.testing.made import at_hour, make_route, make_stop, make_weather

ROOT = Path(__file__).parents[2]
LENGTH_M, MEMBERS, TRIPS = 600e3, 31, 100


def main() -> None:
    d = np.arange(0.0, LENGTH_M + 125.0, 250.0)
    route = make_route(
        LENGTH_M,
        grade=0.05 * np.sin(d / 20e3),
        stops=[make_stop(str(km), km * 1e3) for km in range(10, 600, 30)],
        spans=[("US-MT", 0, 200e3), ("US-ID", 200e3, 400e3), ("US-WA", 400e3, 600e3)],
    )
    ranks = np.random.default_rng(1).random((MEMBERS, 1, 1))
    weather = make_weather(
        route,
        lambda m, d, h: np.where(np.sin(d / 20e3 + h / 6.0) > ranks, RoadClass.SNOW, RoadClass.WET),
        members=MEMBERS,
        hours=72,
        samples_a_column=6,  # as the demo's roads fold: 1199 samples in 204 sections
        clock_z=np.linspace(-2.0, 2.0, MEMBERS),
        friction=(np.arange(MEMBERS) + 0.5) / MEMBERS,
    )
    rigs = list(read_rigs(ROOT / "config/rigs").values())
    rulesets = read_rulesets(ROOT / "config/rules")
    params, now = PlanParams(), at_hour(2)
    plans, each_s = [], []
    for i in range(TRIPS):
        trip = TripInput(id=f"QT-{i}", depart_at=at_hour(4) + timedelta(minutes=10 * i))
        start = perf_counter()
        plans.append(make_plan(trip, route, rigs[i % len(rigs)], rulesets, weather, params, now))
        each_s.append(perf_counter() - start)
    start = perf_counter()
    texts = [plan_json(p) for p in plans]
    json_s = (perf_counter() - start) / TRIPS
    start = perf_counter()
    notices_n = sum(len(to_say(p, None, now)[0]) for p in plans)
    say_s = (perf_counter() - start) / TRIPS
    print(f"{d.size} samples, {MEMBERS} members, {TRIPS} trips sharing one corridor, {len(rigs)} rigs")
    print(
        f"first plan {each_s[0] * 1e3:.0f} ms; then median {median(each_s) * 1e3:.0f}, worst {max(each_s) * 1e3:.0f} ms"
    )
    print(f"{TRIPS} plans {sum(each_s):.2f} s; JSON {json_s * 1e3:.1f} ms and {len(texts[0]) / 1e3:.0f} kB a plan")
    print(f"notices {say_s * 1e3:.1f} ms a plan, {notices_n} in all; stretches a plan {len(plans[0].stretches)}")


if __name__ == "__main__":
    main()

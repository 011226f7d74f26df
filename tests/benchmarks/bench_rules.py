"""Rule evaluations a second, by hand: python tests/benchmarks/bench_rules.py [seconds]

Warm: a fleet whose rigs share layouts, freight and iron differing. Cold: caches emptied before each evaluation.
"""

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from alertd.rules.requirements import _ANSWERS, _cover, _demand, carry_duty, cover, demand_for, demands_by_tire
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs

ROOT = Path(__file__).parents[2]
WINTER_DAY = date(2027, 1, 10)


def rate(work: Callable[[int], object], seconds: float) -> float:
    n, start = 0, time.perf_counter()
    while time.perf_counter() - start < seconds:
        for _ in range(20):
            work(n)
            n += 1
    return n / (time.perf_counter() - start)


def main(seconds: float) -> None:
    on_file = read_rulesets(ROOT / "config/rules")
    rulesets = list(on_file.values())
    corridor = [on_file[code] for code in ("US-ID", "US-MT", "US-WA")]
    rigs = [
        replace(rig, gross_mass_kg=rig.gross_mass_kg - 10.0 * i, singles_carried=i % 9)
        for rig in read_rigs(ROOT / "config/rigs").values()
        for i in range(100)
    ]
    levels = [(s, level) for s in rulesets for level in s.levels]
    print(f"{len(rulesets)} rule sets, {len(levels)} levels, {len(rigs)} rigs")

    def ask(i: int) -> object:
        ruleset, level = levels[i % len(levels)]
        return demand_for(ruleset, level, rigs[i % len(rigs)])

    def trip(i: int) -> object:
        rig = rigs[i % len(rigs)]
        return cover(rig, [demand_for(s, s.levels[-1], rig) for s in corridor])

    def aboard(i: int) -> object:
        return carry_duty(rulesets[i % len(rulesets)], rigs[i % len(rigs)], WINTER_DAY, ())

    def texts(i: int) -> object:
        rig = rigs[i % len(rigs)]
        return demands_by_tire(rig, cover(rig, [demand_for(s, s.levels[-1], rig) for s in corridor]))

    def cold(i: int) -> object:
        _ANSWERS.clear()
        _demand.cache_clear()
        _cover.cache_clear()
        return trip(i)

    # 200 rigs of 200 layouts: each has a rated mass of its own, as a fleet of many owners has.
    fleet = [
        replace(rig, id=str(i), rated_mass_kg=rig.rated_mass_kg + i)
        for i, rig in enumerate(rigs[:: max(1, len(rigs) // 200)][:200])
    ]
    cycle = [(s, level, rig) for rig in fleet for s in rulesets for level in s.levels]

    def many(i: int) -> object:
        return demand_for(*cycle[i % len(cycle)])

    for i in range(len(cycle)):  # warm
        many(i)
    for rig in rigs:
        for ruleset, level in levels:
            demand_for(ruleset, level, rig)
    for i in range(len(rigs)):
        trip(i), aboard(i), texts(i)
    print(f"demand_for, {len(fleet)} rigs x {len(rulesets)} files       {rate(many, seconds):12,.0f} /s")
    print(f"demand_for, warm                   {rate(ask, seconds):12,.0f} /s")
    print(f"3 demand_for + cover, warm         {rate(trip, seconds):12,.0f} /s")
    print(f"3 demand_for + cover, cold         {rate(cold, seconds):12,.0f} /s")
    print(f"carry_duty, warm                   {rate(aboard, seconds):12,.0f} /s")
    print(f"3 demand_for + cover + standing_on {rate(texts, seconds):12,.0f} /s")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 2.0)

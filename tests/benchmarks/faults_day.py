"""A virtual day on which the forecast server fails in every way it can: is anything called clear or eased on it?

    python tests/benchmarks/faults_day.py [--every-min 30]

Four trips that leave the day after are planned throughout. Each fault holds for an hour with a sound one before it, in
which the storm is bad; under the fault what the server still says is mild, so that believing it would be relief. What
is known is judged by the server's own log, not by ours: while it has answered nothing sound for over an hour, or a
question of this cycle was answered badly, no plan may say "clear" and no notice "eased". A row a fault; fired must be
above 0. In the first row nothing fails: there the mild weather is believed, and relief is given.
"""

import argparse
import asyncio
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[2]
START = datetime(2027, 1, 14, 0, 0, tzinfo=UTC)
GOOD_FOR = timedelta(minutes=61)  # how long alertd takes an answer for fresh
HOLDS = timedelta(hours=1)
DEADLINE_S = 8.0  # real ones: a sound answer must be in time on a busy machine too
HEAD = ("fault", "fired", "cycles", "blind", "plans", "clear when blind", "eased when blind", "clear or eased else")


@dataclass(slots=True, kw_only=True)
class Row:
    """What one fault did. blind: cycles in which nothing sound and fresh was known."""

    fault: str
    fired: int = 0
    cycles: int = 0
    blind: int = 0
    plans: int = 0
    clear: int = 0
    eased: int = 0
    relief_else: int = 0

    def cells(self) -> Sequence[object]:
        return (self.fault, self.fired, self.cycles, self.blind, self.plans, self.clear, self.eased, self.relief_else)


def all_faults() -> list[Any]:
    """None first. Foreign units are left out: they are converted by their labels, and nothing is missing then."""
    from alertd.testing.fake_open_meteo import ApiFault, FaultKind

    last = FaultKind.LIMIT_DAY  # after it nobody asks until the next day
    kinds = [kind for kind in FaultKind if kind not in (FaultKind.WRONG_UNITS, last)]
    return [None, *(ApiFault(kind=kind, slow_s=1.5 * DEADLINE_S) for kind in (*kinds, last))]


async def a_day(folder: Path, faults: Sequence[Any], every: timedelta) -> list[Row]:
    """One row a fault, in order."""
    import numpy as np

    from alertd.notices.model import Audience, NoticeKind
    from alertd.plan.model.stretches import Advice
    from alertd.planning.planner import Planner, open_weather_sources
    from alertd.planning.replays.response_recorder import record_response
    from alertd.service.cycle import run_cycle
    from alertd.service.trip_import.save_trip import save_trip
    from alertd.settings.read import read_settings
    from alertd.settings.reference_data import load_reference_data
    from alertd.sources.files.trips import parse_trip
    from alertd.sources.http.client import HttpClient
    from alertd.sources.http.options import HttpOptions
    from alertd.store.store import Store
    from alertd.testing.clock import ManualClock
    from alertd.testing.fake_open_meteo import FakeOpenMeteo
    from alertd.testing.weather.storm import Storm

    async def no_wait(_seconds: float) -> None:
        return None

    clock, rows = ManualClock(START), []
    # Less than 12 K apart, or the mild one would be doubted.
    bad, mild = (Storm(warmer_k=k, wetter=w, front_late_h=-12.0) for k, w in ((-4.0, 2.0), (6.0, 0.0)))
    settings = read_settings(REPO / "fixtures" / "demo" / "alertd.toml")
    with FakeOpenMeteo(now_utc=START, storm=bad) as api, Store(folder / "alertd.db") as store:
        forecast = settings.forecast.with_keys(open_meteo_url=api.base_url)
        settings = replace(
            settings,
            forecast=forecast,
            cache=folder / "http",
            trips=None,
            plan=replace(settings.plan, compare_h=0.0),
            # Relief that may be given is given at once, or no wrong one could be told from one held back.
            notices=replace(settings.notices, ease_after=timedelta(0)),
        )
        for n, rig in enumerate(("quillback-17", "quillback-31", "quillback-23", "quillback-44")):
            leaves = START + timedelta(hours=25 + n)
            given = {
                "id": f"F-{n}",
                "route": "i90-west",
                "rig": rig,
                "depart": leaves.isoformat(),
                "driver": f"Driver {n}",
            }
            save_trip(store, parse_trip(given, "bench"), START)
        async with HttpClient(
            HttpOptions(
                contact="",
                cache_dir=settings.cache,
                now_utc=clock,
                rng=np.random.default_rng(1),
                sleep=no_wait,
                deadline_s=DEADLINE_S,
                on_response=record_response,
            )
        ) as client:
            weather_sources, heights = open_weather_sources(forecast, True, "bench", client)
            planning = Planner(settings, load_reference_data(settings.places), weather_sources, heights)
            last_good, step = START, 0
            per_hold = max(1, HOLDS // every)
            while step < 2 * per_hold * len(faults):
                turn, within = divmod(step, 2 * per_hold)
                held = within >= per_hold
                fault = faults[turn] if held else None
                if within == 0:
                    rows.append(Row(fault=faults[turn].kind.name if faults[turn] else "(none)"))
                row = rows[-1]
                api.now_utc, api.storm = clock(), mild if held else bad
                api.set_fault(fault)
                asked_before, noticed_at = len(api.requests), clock() - timedelta(seconds=1)
                outcome = await run_cycle(planning, store, clock())
                asked = len(api.requests) - asked_before
                if fault is None and asked:
                    last_good = clock()
                blind = clock() - last_good > GOOD_FOR or (fault is not None and asked > 0)
                result = [n for who in Audience for n in store.notices_since(who, noticed_at)]
                clear_n = sum(plan.advice is Advice.CLEAR for plan in outcome.plans)
                eased_n = sum(notice.kind is NoticeKind.EASED for notice in result)
                row.cycles, row.plans = row.cycles + 1, row.plans + len(outcome.plans)
                row.fired += asked if fault else 0
                if blind:
                    row.blind, row.clear, row.eased = row.blind + 1, row.clear + clear_n, row.eased + eased_n
                else:
                    row.relief_else += clear_n + eased_n
                step += 1
                clock.advance(every)
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every-min", type=int, default=30)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = asyncio.run(a_day(Path(folder), all_faults(), timedelta(minutes=asked.every_min)))
    print("  ".join(HEAD))
    for row in rows:
        print("  ".join(f"{value!s:>{len(name)}}" for name, value in zip(HEAD, row.cells(), strict=True)))
    control, *failing = rows
    bad = any(row.clear or row.eased or not row.fired or not row.blind for row in failing)
    return 1 if bad or not control.relief_else else 0


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())

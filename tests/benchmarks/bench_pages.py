"""Time and size of the brief and of each page at 4, 40 and 500 trips: `python tests/benchmarks/bench_pages.py [trips]`.

The demo's plans, made once and copied under other names; two driver's messages a trip; asked in this process, without
a network. Two minutes on one free core.
"""

import asyncio
import json
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_html import brief_page
from alertd.notices.reports.brief_text import text_of
from alertd.notices.sent_state import facts_to_plain
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import canonical, to_plain
from alertd.planning.planner import create_planner
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import parse_trip
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.web.app import make_api

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
ROUNDS = 5


async def measure(sizes: Sequence[int]) -> None:
    """Prints the figures of each size, smallest first; the trips of one size stay for the next."""
    folder = Path(tempfile.mkdtemp(prefix="bench-pages-"))
    with FakeOpenMeteo(now_utc=MORNING) as storm, Store(folder / "alertd.db") as store:
        settings = read_settings(DEMO / "alertd.toml")
        settings = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=storm.base_url),
            plan=replace(settings.plan, compare_h=3.0),
            store=folder / "alertd.db",
            cache=folder / "http",
            archive=None,
        )
        clock = ManualClock(MORNING)
        async with create_planner(settings, clock) as planning:
            outcome = await run_cycle(planning, store, MORNING)
            plans = list(outcome.plans)
            bodies = {t.id: json.loads(t.body) for t in store.trips()}
            for trips_n in sorted(sizes):
                plans += _copies(store, settings, outcome.plans, bodies, range(len(plans), trips_n))
                planning.latest.update(plans, (), (), MORNING)
                print(f"\n{trips_n} trips")
                _brief(plans)
                app = make_api(planning, store, clock, lambda: None)
                transport = httpx.ASGITransport(app=app)
                async with httpx.AsyncClient(transport=transport, base_url="http://localhost", timeout=60) as http:
                    first = plans[-1]
                    driver = planning.links.link_for(first, MORNING)
                    print(f"median and longest of {ROUNDS}, the board made anew each time")
                    pages = ("/board", "/board?q=quillback+17", "/board?look=1", f"/board/trips/{first.trip_id}")
                    for path in (*pages, driver, f"{driver}/law"):
                        await _one(http, clock, path)

        # After a restart plans come from the store until the first cycle has ended.
        async with create_planner(settings, clock) as planning:
            app = make_api(planning, store, clock, lambda: None)
            transport = httpx.ASGITransport(app=app)
            async with httpx.AsyncClient(transport=transport, base_url="http://localhost", timeout=60) as http:
                began = time.perf_counter()
                await http.get("/board")
                print(f"{'first board after a restart':34} {(time.perf_counter() - began) * 1e3:7.0f} ms")


def _copies(
    store: Store, settings: Settings, made: Sequence[Plan], bodies: dict[str, dict[str, Any]], numbers: range
) -> list[Plan]:
    """Store copies of plans as trips of their own, with their notices."""
    out = []
    for n in numbers:
        like = made[n % len(made)]
        plan = replace(like, trip_id=f"B-{n}", id=f"plan_{n}")
        body = bodies[like.trip_id] | {"id": plan.trip_id}
        trip = parse_trip({k: v for k, v in body.items() if v is not None and k != "routes"}, "bench")
        store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=MORNING))
        notices, facts = plan_notices(plan, None, MORNING)
        text = canonical({"plan": to_plain(plan), "said": facts_to_plain(facts)})
        store.record_plan(plan.id, plan.trip_id, MORNING, text, notices, settings.targets)
        out.append(plan)
    return out


def _brief(plans: Sequence[Plan]) -> None:
    began = time.perf_counter()
    brief = compile_brief(
        BriefInput(fleet="Fleet", plans=plans, not_planned=(), now=MORNING, zone="America/Denver", before=None)
    )
    text, page = text_of(brief), brief_page(brief)
    took_ms = (time.perf_counter() - began) * 1e3
    summary = text.split("\nALL TRUCKS\n")[0].split("\nDETAILS\n")[0]
    lines = f"{len(summary.splitlines())} lines of summary of {len(text.splitlines())}"
    print(f"{'brief':34} {took_ms:7.0f} ms {len(page.encode()) / 1e3:18.1f} kB; {lines}")


async def _one(http: httpx.AsyncClient, clock: ManualClock, path: str) -> None:
    took: Sequence[float] = []
    for _ in range(ROUNDS):
        clock.advance(timedelta(seconds=5))
        began = time.perf_counter()
        answer = await http.get(path)
        took = [*took, time.perf_counter() - began]
        answer.raise_for_status()
    took = sorted(took)
    name = "/d/..." + path[39:] if path.startswith("/d/") else path
    print(
        f"{name:34} {took[len(took) // 2] * 1e3:7.0f} ms {took[-1] * 1e3:7.0f} ms {len(answer.content) / 1e3:7.1f} kB"
    )


if __name__ == "__main__":
    asyncio.run(measure([int(n) for n in sys.argv[1:] or ("4", "40", "500")]))

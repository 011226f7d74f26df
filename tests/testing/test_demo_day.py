"""The demo's day to its end, on a clock that is moved: every truck arrives, and chains that are on count."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.notices.notice import Audience, Notice, NoticeKind
from alertd.plan.result import Plan
from alertd.service.cycle import run_cycle
from alertd.service.planner import Planner, planner
from alertd.service.settings import Settings
from alertd.service.speaking import Standing, speak
from alertd.store.store import Store
from alertd.testing.clock import HeldClock
from alertd.testing.standin import Standin
from alertd.testing.trucks import Trucks

BEGINS = datetime(2027, 1, 14, 11, 0, tzinfo=UTC)
LASTS = timedelta(hours=16)
MINUTE = timedelta(minutes=1)
ASKS_TO_HANG = ("PLAN TO CHAIN", "CHAIN UP at", "BE READY TO CHAIN at", "LOOK FOR SIGNS")


@dataclass
class Day:
    """What came of it: the plans of each trip in their order, the notices, and the reports of chains by trip."""

    plans: dict[str, list[Plan]] = field(default_factory=dict)
    notices: dict[str, list[Notice]] = field(default_factory=dict)
    on: dict[str, list[datetime]] = field(default_factory=dict)
    off: dict[str, list[datetime]] = field(default_factory=dict)

    def was_on(self, trip_id: str, at: datetime) -> bool:
        """Whether chains were reported on at a moment, and the daemon had time to hear of it."""
        ons = [t for t in self.on[trip_id] if t + 10 * MINUTE <= at]
        return bool(ons) and not any(ons[-1] <= t <= at for t in self.off[trip_id])


async def lived(settings: Settings, sky: Standin, store: Store, clock: HeldClock) -> Day:
    day, trucks = Day(), Trucks(store)
    async with planner(settings, clock) as planning:
        standing: tuple[Standing, ...] = ()
        routes: dict[str, Any] = {}
        ends = clock() + LASTS
        while clock() < ends:
            sky.now_utc = clock()
            if (clock() - BEGINS) % (10 * MINUTE) == timedelta(0):
                outcome = await run_cycle(planning, store, clock())
                assert outcome.not_planned == ()
                standing = outcome.standing
                for one in standing:
                    plan = one.plan
                    day.plans.setdefault(plan.trip_id, []).append(plan)
                    routes[plan.trip_id] = await planning.route(f"i90-{'east' if plan.trip_id == 'QT-1043' else 'west'}", "")
                if all(plans[-1].arrived_at for plans in day.plans.values()):
                    break
            speak(standing, store, settings.fleet, settings.notices, settings.targets, clock(), settings.languages)
            for trip_id, route in routes.items():
                trucks.move(trip_id, route, clock())
            clock.advance(MINUTE)
    for trip_id in day.plans:
        day.notices[trip_id] = [n for n in store.notices(trip_id) if n.audience is not Audience.FLEET]
        day.on[trip_id] = [e.at for e in store.events(trip_id, "chains_on")]
        day.off[trip_id] = [e.at for e in store.events(trip_id, "chains_off")]
    return day


if __name__ == "__main__":
    import asyncio, sys, tempfile, time

    from alertd.service.settings import read_settings

    DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"

    async def main() -> None:
        folder = Path(tempfile.mkdtemp())
        clock = HeldClock(BEGINS)
        with Standin(now_utc=BEGINS) as sky, Store(folder / "a.db") as store:
            settings = read_settings(DEMO / "alertd.toml")
            settings = replace(settings, forecast=replace(settings.forecast, open_meteo_url=sky.base_url, members=7), plan=replace(settings.plan, compare_h=0.0),
                               store=folder / "a.db", cache=folder / "http", archive=None)
            t = time.time()
            day = await lived(settings, sky, store, clock)
            print("took", time.time() - t, clock())
            for trip, plans in day.plans.items():
                print(trip, "on", day.on[trip], "off", day.off[trip], "arrived", plans[-1].arrived_at, plans[-1].advice)
                for p in plans:
                    f = p.position
                    print("  ", p.made_at.strftime("%H:%M"), p.advice.value, f and f"{f.distance_m/1609:.0f}mi", "arr", p.arrive_at.strftime("%H:%M"),
                          [(s.place, s.advice.value, s.chained, s.chain_up.name, s.chain_up.arrive_at.strftime("%H:%M"), s.chain_off.name, f"{s.probability:.2f}") for s in p.stretches],
                          p.chains and (p.chains.since.strftime("%H:%M"), p.chains.off and p.chains.off.name, p.chains.doubt, p.chains.missing_n))
                for n in day.notices[trip]:
                    print("  >>", n.created_at.strftime("%H:%M"), n.kind.value, n.audience.value, "ON" if day.was_on(trip, n.created_at) else "", n.text[:110].replace("\n", "|"))

    asyncio.run(main())

"""A cycle records each trip soon after it is planned, the most urgent first, whatever plans the roads.

Nothing is timed: planning stops before a later trip until an earlier one is recorded.
"""

import asyncio
import json
import os
import signal
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.plan.serialize import canonical, plan_text
from alertd.planning.corridors import pool as pool_module
from alertd.planning.corridors.plan_road import RoadPlanning
from alertd.planning.corridors.pool import RoadPool
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.service.cycle import run_cycle
from alertd.service.recording.plan_recorder import PlanRecorder
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

WAIT_S = 60.0  # ends a test that would never end


def fleet(morning: datetime, trips_n: int, routes: tuple[str, ...]) -> list[TripRequest]:
    """Saved in another order than that of their departures."""
    return [
        TripRequest(
            id=f"T-{n}",
            route=routes[n % len(routes)],
            rig=("quillback-17", "quillback-31")[n // 2 % 2],
            depart=(morning + timedelta(minutes=75 + 20 * n)).isoformat(),
        )
        for n in reversed(range(trips_n))
    ]


@pytest.fixture
def world(make_settings: Callable[..., Settings], morning: datetime, tmp_path: Path) -> Callable[..., Any]:
    """Opens a planner and a store of these trips; each name has a store of its own."""

    @asynccontextmanager
    async def opened(trips: list[TripRequest], name: str = "here") -> AsyncIterator[tuple[Planner, Store]]:
        with FakeOpenMeteo(now_utc=morning) as api:
            settings = make_settings(forecasts=api.base_url, trips=None, store=tmp_path / f"{name}.db")
            assert settings.archive is not None
            with Store(settings.store) as store:
                for trip in trips:
                    store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=morning))
                writer = ReplayWriter(archive=Archive(settings.archive))
                async with create_planner(settings, ManualClock(morning), writer) as planner:
                    yield planner, store

    return opened


def plan_ids(store: Store, trips: list[TripRequest]) -> dict[str, str]:
    found = {trip.id: store.latest_plan(trip.id) for trip in trips}
    return {trip_id: plan.id for trip_id, plan in found.items() if plan is not None}


async def test_the_first_trip_is_recorded_before_the_last_is_planned(
    world: Callable[..., Any], morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = fleet(morning, 8, ("i90-west", "i90-east"))
    steps: list[tuple[str, str]] = []
    recorded = threading.Event()
    plan_trip, compute, record = RoadPlanning.plan_trip, RoadPlanning.compute_road, PlanRecorder.record

    def planned(self: RoadPlanning, trip: TripRequest) -> None:
        if trip.id == "T-7":
            assert recorded.wait(WAIT_S)
        plan_trip(self, trip)
        steps.append(("planned", trip.id))

    def computed(self: RoadPlanning) -> None:
        compute(self)
        steps.append(("road", self.job.trips[0].route))

    def kept(self: PlanRecorder, group: Any) -> Any:
        done = record(self, group)
        steps.extend(("recorded", trip.id) for trip, _ in group)
        recorded.set()
        return done

    monkeypatch.setattr(RoadPlanning, "plan_trip", planned)
    monkeypatch.setattr(RoadPlanning, "compute_road", computed)
    monkeypatch.setattr(PlanRecorder, "record", kept)
    async with world(asked) as (planner, store):
        outcome = await run_cycle(planner, store, morning)
        assert planner.settings.archive is not None
        assert sorted(plan_ids(store, asked).values()) == Archive(planner.settings.archive).plans()
        shown, stored = planner.latest.plan(store, "T-0"), store.latest_plan("T-0")
        assert shown is not None
        assert stored is not None
        # At rest without its other departures, and whole on the page of the trip.
        assert planner.latest.plans["T-0"].departures == ()
        assert plan_text(shown) == canonical(json.loads(stored.body)["plan"])
        assert json.loads(stored.body)["plan"]["departures"]
    assert outcome.not_planned == ()
    assert sorted(of for what, of in steps if what == "road") == ["i90-east", "i90-west"]  # each once
    order = [of for what, of in steps if what == "recorded"]
    assert order[0] in ("T-0", "T-1")  # the one whose road is ready first
    assert steps.index(("recorded", order[0])) < steps.index(("planned", "T-7"))
    # On every road in the order of departure: blocks of one, three and so on.
    for road in (0, 1):
        here = [of for what, of in steps if what == "planned" and int(of[2:]) % 2 == road]
        assert here[0] == f"T-{road}"
    assert sorted(order) == sorted(trip.id for trip in asked)


async def test_a_process_answers_in_groups_and_its_death_loses_none(
    world: Callable[..., Any], morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process is killed once the first trip is recorded; the others are planned by the next, and it is not."""
    asked = fleet(morning, 4, ("i90-west",))
    recorded, record, ask = asyncio.Event(), PlanRecorder.record, pool_module._Child.ask
    loop, groups, killed = asyncio.get_running_loop(), list[list[str]](), list[int]()

    def kept(self: PlanRecorder, group: Any) -> Any:
        done = record(self, group)
        groups.append([trip.id for trip, _ in group])
        loop.call_soon_threadsafe(recorded.set)
        return done

    async def gated(self: Any, frames: Any) -> Any:
        async for frame in ask(self, frames):
            yield frame
            if not killed:
                await asyncio.wait_for(recorded.wait(), WAIT_S)
                killed.append(self.process.pid)
                os.kill(self.process.pid, signal.SIGKILL)
                await self.process.wait()
                raise pool_module._Ended(-signal.SIGKILL)

    async with world(asked) as (planner, store):
        await run_cycle(planner, store, morning)
        here = plan_ids(store, asked)
    monkeypatch.setattr(PlanRecorder, "record", kept)
    monkeypatch.setattr(pool_module._Child, "ask", gated)
    async with world(asked, "there") as (planner, store), RoadPool(2) as pool:
        planner.use(pool)
        outcome = await run_cycle(planner, store, morning)
        there = plan_ids(store, asked)
    assert outcome.not_planned == ()
    assert groups[0] == ["T-0"]
    assert sorted(of for group in groups for of in group) == [f"T-{n}" for n in range(4)]
    assert len(killed) == 1
    assert there == here

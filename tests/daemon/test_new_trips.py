"""A posted trip is planned at once, also while a cycle waits for its sources or computes."""

import asyncio
import random
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import pytest

from alertd.daemon.jobs import Daemon
from alertd.delivery.worker import DeliveryWorker
from alertd.planning.corridors.job import PlannedTrips, RouteJob
from alertd.planning.planner import Planner, create_planner
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.options import offline
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo


@dataclass
class Running:
    """A daemon that has done its first cycle, and whose next one does not end before `go`."""

    daemon: Daemon
    planner: Planner
    store: Store
    clock: ManualClock
    computing: asyncio.Event
    go: asyncio.Event

    def post(self, trip_id: str, depart_at: datetime) -> None:
        trip = TripRequest(id=trip_id, route="i90-west", rig="quillback-17", depart=depart_at.isoformat())
        self.store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=self.clock()))

    def sent(self, trip_id: str) -> list[str]:
        return sorted(n.id for n in self.store.notices(trip_id))


@pytest.fixture
async def running(make_settings: Callable[..., Settings], morning: datetime) -> AsyncIterator[Running]:
    clock = ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = make_settings(forecasts=api.base_url, trips=None, archive=None)
        with Store(settings.store) as store:
            async with create_planner(settings, clock) as planner:
                worker = DeliveryWorker(store.outbox, {}, owner="test", rng=random.Random(1))
                daemon = Daemon(planner, store, worker, clock)
                found = Running(daemon, planner, store, clock, asyncio.Event(), asyncio.Event())
                found.post("T-known", morning + timedelta(hours=2))
                await daemon.plan_new()
                assert store.latest_plan("T-known") is None  # the first cycle is about to plan all
                await daemon.cycle()
                whole = planner.plan_in_groups

                async def plan_in_groups(job: RouteJob) -> AsyncGenerator[PlannedTrips, None]:
                    if not job.urgent:
                        found.computing.set()
                        await found.go.wait()
                    async for group in whole(job):
                        yield group

                planner.plan_in_groups = plan_in_groups  # type: ignore[method-assign]
                planner._at_once = asyncio.Semaphore(1)  # as if all other places waited for a slow source
                yield found


async def test_a_posted_trip_does_not_wait_for_a_cycle(running: Running, morning: datetime) -> None:
    daemon, store = running.daemon, running.store
    running.clock.advance(timedelta(minutes=1))
    running.planner.kept.retain(())
    cycle = asyncio.create_task(daemon.cycle())
    await running.computing.wait()
    running.post("T-posted", morning + timedelta(hours=3))
    running.clock.advance(timedelta(minutes=1))
    await asyncio.wait_for(daemon.plan_new(), 60.0)
    assert not cycle.done()
    planned, sent = store.latest_plan("T-posted"), running.sent("T-posted")
    assert planned is not None
    assert sent
    running.go.set()
    await cycle
    # The cycle did not know it; its end takes nothing away.
    assert set(running.planner.latest.plans) == {"T-known", "T-posted"}
    assert set(daemon._active) == {"T-known", "T-posted"}
    # A second request finds nothing new, and the next cycle plans it like any other and sends nothing twice.
    await daemon.plan_new()
    again = store.latest_plan("T-posted")
    assert again is not None
    assert again.id == planned.id
    running.clock.advance(timedelta(minutes=1))
    await daemon.cycle()
    assert running.sent("T-posted") == sent
    assert set(daemon._active) == {"T-known", "T-posted"}


async def test_the_log_tells_of_plans_without_a_forecast(
    make_settings: Callable[..., Settings], morning: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    clock = ManualClock(morning)
    settings = make_settings(trips=None, archive=None)
    with Store(settings.store) as store:
        async with create_planner(settings, clock, connection=offline()) as planner:
            worker = DeliveryWorker(store.outbox, {}, owner="test", rng=random.Random(1))
            daemon = Daemon(planner, store, worker, clock)
            found = Running(daemon, planner, store, clock, asyncio.Event(), asyncio.Event())
            found.post("T-1", morning + timedelta(hours=2))
            await daemon.cycle()
    assert "1 of 1 plans use old or missing data; their cautions name it" in caplog.text

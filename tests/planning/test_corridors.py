"""Roads planned in other processes: the same bytes, and nothing lost with a process."""

import asyncio
import os
import pickle
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from alertd.errors import InputError
from alertd.plan.serialize import plan_text
from alertd.planning.corridors import pool as pool_module
from alertd.planning.corridors.job import NotPlanned, RouteJob
from alertd.planning.corridors.plan_road import Ground
from alertd.planning.corridors.pool import RoadPool, usable_cores
from alertd.planning.corridors.transfer import (
    MAX_ROUTES,
    RouteCache,
    ground_from_bytes,
    ground_to_bytes,
    job_from_bytes,
    job_to_bytes,
)
from alertd.planning.corridors.value_bytes import read_value, value_to_bytes
from alertd.planning.planner import Planner
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo


def trips(morning: datetime) -> list[TripRequest]:
    """Four on two roads; one rig is not known, so that an outcome without a plan comes back too."""
    rigs = ("quillback-17", "quillback-31", "quillback-17", "nobody-1")
    return [
        TripRequest(
            id=f"T-{n}",
            route=("i90-west", "i90-east")[n % 2],
            rig=rigs[n],
            depart=(morning + timedelta(minutes=75 + 30 * n)).isoformat(),
        )
        for n in range(4)
    ]


def texts(outcomes: list[Any]) -> list[str]:
    return [f"not planned: {o.reason}" if isinstance(o, NotPlanned) else plan_text(o) for o in outcomes]


@pytest.fixture
def in_storm(make_settings: Callable[..., Settings], open_planner: Callable, morning: datetime) -> Callable[..., Any]:
    """Calls a function with a planner of the demo's storm, opened as a context."""

    async def run(use: Callable[[Planner], Any]) -> Any:
        with FakeOpenMeteo(now_utc=morning) as api:
            async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planner:
                return await use(planner)

    return run


async def test_two_processes_make_the_same_plans_though_one_dies(
    in_storm: Callable, morning: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    async def both(planner: Planner) -> tuple[list[str], list[str]]:
        here = texts(await planner.plan(trips(morning), morning))
        roads = set(planner.latest._hours)
        planner.latest._hours.clear()
        async with RoadPool(2) as pool:
            await pool.begin(planner.ground, 4)
            planner.runner, first = pool, pool.pids
            os.kill(first[0], signal.SIGKILL)
            there = texts(await planner.plan(trips(morning), morning))
            assert len(pool.pids) == 2
            assert first[0] not in pool.pids
            assert first[1] in pool.pids
            # A process keeps what it computed of a road: the next plans are the same too.
            assert texts(await planner.plan(trips(morning), morning)) == there
        assert set(planner.latest._hours) == roads
        assert len(roads) == 2
        return here, there

    here, there = await in_storm(both)
    assert here == there
    assert [text.startswith('{"') for text in here] == [True, True, True, False]
    assert '"nobody-1" is not known' in there[3]
    assert [r.getMessage() for r in caplog.records if "(signal 9); attempt 1" in r.getMessage()]


@pytest.mark.slow
async def test_a_road_that_kills_its_processes_is_not_planned(
    in_storm: Callable, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = pool_module._Child.ask

    async def ask(self: Any, frames: list[bytes]) -> Any:
        if b"i90-east" in frames[-1]:
            self.process.send_signal(signal.SIGKILL)
        async for frame in whole(self, frames):
            yield frame

    monkeypatch.setattr(pool_module._Child, "ask", ask)

    async def planned(planner: Planner) -> list[Any]:
        async with RoadPool(2) as pool:
            planner.runner = pool
            return await planner.plan(trips(morning), morning)

    outcomes = await in_storm(planned)
    assert [isinstance(o, NotPlanned) for o in outcomes] == [False, True, False, True]
    assert "its planning process ended 2 times (signal 9)" in outcomes[1].reason


async def test_processes_that_cannot_start_leave_the_planning_here(
    in_storm: Callable, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool_module, "_PACKAGE", pool_module.Path("/nowhere"))
    monkeypatch.setattr(pool_module, "_MODULE", "alertd.no_such_module")

    async def planned(planner: Planner) -> list[Any]:
        async with RoadPool(2) as pool:
            planner.runner = pool
            return await planner.plan(trips(morning)[:1], morning)

    (outcome,) = await in_storm(planned)
    assert not isinstance(outcome, NotPlanned)


@pytest.mark.slow
async def test_a_process_above_its_memory_is_replaced(
    in_storm: Callable, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool_module, "MOST_CHILD_MB", 1.0)

    async def planned(planner: Planner) -> tuple[Any, Any]:
        async with RoadPool(2) as pool:
            await pool.begin(planner.ground, 4)
            planner.runner, before = pool, pool.pids
            await planner.plan(trips(morning)[:2], morning)
            return set(before), set(pool.pids)

    before, after = await in_storm(planned)
    assert len(after) == 2
    assert not before & after


@pytest.mark.slow
async def test_a_cancelled_cycle_leaves_no_answer_behind(in_storm: Callable, morning: datetime) -> None:
    async def planned(planner: Planner) -> tuple[list[str], list[str]]:
        async with RoadPool(2) as pool:
            planner.runner = pool
            task = asyncio.create_task(planner.plan(trips(morning)[:1], morning))
            while not pool._waiting and not any(child.roads for child in pool._all):
                await asyncio.sleep(0.01)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            there = texts(await planner.plan(trips(morning)[:2], morning))
        planner.runner = None
        return texts(await planner.plan(trips(morning)[:2], morning)), there

    here, there = await in_storm(planned)
    assert here == there


async def test_roads_at_once_grow_with_automatic_processes(
    in_storm: Callable, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Started:
        async def end(self) -> None: ...

    async def start(_: RoadPool) -> Started:
        return Started()

    monkeypatch.setattr(pool_module, "usable_cores", lambda: 6)
    monkeypatch.setattr(RoadPool, "_start", start)

    async def limits(planner: Planner) -> list[int]:
        async with RoadPool(few_trips=1) as pool:
            planner.use(pool)
            found = [planner._at_once._value]
            unreadable = [trip.model_copy(update={"route": "no-such-road"}) for trip in trips(morning)]
            assert [type(o) for o in await planner.plan(unreadable, morning)] == 4 * [NotPlanned]
            return [*found, planner._at_once._value]

    assert await in_storm(limits) == [4, 12]


async def test_few_trips_start_no_process(in_storm: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool_module, "usable_cores", lambda: 2)

    async def begun(planner: Planner) -> list[bool]:
        out = []
        for processes, trips_n in ((0, 24), (1, 1000), (0, 25)):
            async with RoadPool(processes) as pool:
                await pool.begin(planner.ground, trips_n)
                out.append(pool.running)
        return out

    assert await in_storm(begun) == [False, False, True]
    assert usable_cores() >= 1


@pytest.mark.parametrize(
    ("cpu", "memory", "processes"),
    [("max 100000", "max", 4), ("200000 100000", "max", 2), ("max 100000", "2000000000", 2), ("50000 100000", "9", 1)],
)
def test_limits_of_a_container_bound_the_processes(
    cpu: str, memory: str, processes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """cpu.max is quota and period in microseconds, memory.max bytes: Linux, Documentation/admin-guide/cgroup-v2."""
    monkeypatch.setattr(pool_module.os, "sched_getaffinity", lambda pid: set(range(4)))
    monkeypatch.setattr(pool_module, "_cgroup", {"cpu.max": cpu, "memory.max": memory}.__getitem__)
    assert usable_cores() == processes


async def test_a_job_survives_the_way_to_another_process(in_storm: Callable, morning: datetime) -> None:
    async def sent(planner: Planner) -> None:
        route = await planner.route("i90-west", "test")
        job = await planner.prepare(route, trips(morning)[:1], morning)
        cache = RouteCache()
        data = job_to_bytes(job, planner.reference.rigs)
        read = [job_from_bytes(data, cache)[0] for _ in range(2)]
        assert read[0].answers.route is read[1].answers.route
        assert read[0].responses == ()
        assert job.responses != ()
        ground = ground_from_bytes(ground_to_bytes(planner.ground), 1)
        assert isinstance(ground, Ground)
        assert ground.reference.rigs == {}
        assert MAX_ROUTES > 1
        assert isinstance(read[0], RouteJob)

    await in_storm(sent)


async def test_a_job_takes_the_rigs_of_its_trips_along(in_storm: Callable, morning: datetime) -> None:
    async def sent(planner: Planner) -> None:
        job = await planner.prepare(await planner.route("i90-west", "test"), trips(morning)[:1], morning)
        known = planner.reference.rigs
        assert len(known) > 1
        read, rigs = job_from_bytes(job_to_bytes(job, known), RouteCache())
        assert rigs == {read.trips[0].rig: known[job.trips[0].rig]}
        lost = replace(job, trips=[job.trips[0].model_copy(update={"rig": "no-such-rig"})])
        assert job_from_bytes(job_to_bytes(lost, known), RouteCache())[1] == known  # the error lists them

    await in_storm(sent)


class _Forged:
    def __reduce__(self) -> Any:
        return os.system, ("true",)


@pytest.mark.parametrize(
    "data", [pickle.dumps(_Forged()), b"", b"text", pickle.dumps(Planner), pickle.dumps(read_value)]
)
def test_bytes_that_name_no_value_are_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_value(data)
    assert read_value(value_to_bytes((1, "a"))) == (1, "a")

"""Roads planned by workers of a PostgreSQL store: the same bytes, and nothing lost or doubled with a worker."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.plan.serialize import plan_text
from alertd.planning.corridors import shared_work
from alertd.planning.corridors.job import NotPlanned
from alertd.planning.corridors.shared_work import SharedWork, share_work
from alertd.planning.corridors.worker import RoadWorker
from alertd.planning.cycles import road_parts
from alertd.planning.planner import Planner
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.store.url import PostgresUrl, parse_store_url
from alertd.store.work.queue import MOST_RESCUES, OpenQueue, WorkQueue
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.postgres import PostgresCluster

pytest.importorskip("procrastinate", reason="the library of the work queue is not installed")
REPO = Path(__file__).resolve().parents[2]


@pytest.fixture
def place(postgres: PostgresCluster) -> PostgresUrl:
    found = parse_store_url(postgres.new_store_url())
    assert isinstance(found, PostgresUrl)
    return found


@asynccontextmanager
async def worker_of(place: PostgresUrl, worker: type[RoadWorker] = RoadWorker) -> AsyncIterator[RoadWorker]:
    """A worker in this process."""
    stop = asyncio.Event()
    async with OpenQueue(place) as queue:
        assert await queue.wait_until_ready(stop)
        working = worker(queue)
        task = asyncio.create_task(queue.serve(working.work, stop))
        try:
            yield working
        finally:
            stop.set()
            await task


@pytest.fixture
def in_storm(make_settings: Callable[..., Settings], open_planner: Callable, morning: datetime) -> Callable[..., Any]:
    async def run(use: Callable[[Planner], Any]) -> Any:
        with FakeOpenMeteo(now_utc=morning) as api:
            async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planner:
                return await use(planner)

    return run


def trips(morning: datetime, n: int = 2) -> list[TripRequest]:
    return [
        TripRequest(
            id=f"T-{i}",
            route="i90-west",
            rig="quillback-17",
            depart=(morning + timedelta(minutes=75 + 30 * i)).isoformat(),
        )
        for i in range(n)
    ]


def texts(outcomes: list[Any]) -> list[str]:
    return [f"not planned: {o.reason}" if isinstance(o, NotPlanned) else plan_text(o) for o in outcomes]


async def test_workers_make_the_same_plans_of_a_split_road(
    in_storm: Callable, place: PostgresUrl, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two parts of one road: its field is computed once, and each part gets it from the store."""
    monkeypatch.setattr(road_parts, "MOST_TOGETHER", 1)

    async def both(planner: Planner) -> tuple[list[str], list[str], int, int]:
        here = texts(await planner.plan(trips(morning), morning))
        async with share_work(place) as shared, worker_of(place) as worker:
            planner.use(shared)
            there = texts(await planner.plan(trips(morning), morning))
            left = await _parts(shared)
        assert left == {"ground": 1, "field": 1}
        return here, there, worker.planned_n, shared.helped_n

    here, there, by_worker, by_leader = await in_storm(both)
    assert here == there
    assert not there[0].startswith("not planned")
    assert (by_worker, by_leader) == (3, 0)


async def _parts(shared: SharedWork) -> dict[str, int]:
    rows = await shared._queue._rows("SELECT split_part(key, ':', 1) AS kind, count(*) AS n FROM parts GROUP BY 1")
    return {row["kind"]: row["n"] for row in rows}


async def test_without_workers_the_leader_plans(
    in_storm: Callable, place: PostgresUrl, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shared_work, "HELP_AFTER_S", 0.1)
    monkeypatch.setattr(shared_work, "CHECK_EVERY_S", 0.1)

    async def planned(planner: Planner) -> tuple[list[str], int]:
        async with share_work(place) as shared:
            planner.use(shared)
            return texts(await planner.plan(trips(morning, 1), morning)), shared.helped_n

    made, by_leader = await in_storm(planned)
    assert made[0].startswith('{"')
    assert by_leader == 1


async def _dead_job(queue: WorkQueue, lock: str) -> int:
    """A job in work whose worker sends no heartbeat any more, as after kill -9."""
    job_id = await queue.defer(lock, f"{lock}@1", {"road": lock})
    assert job_id is not None
    await queue._execute(
        "WITH dead AS (INSERT INTO procrastinate_workers (last_heartbeat) VALUES (now() - interval '1 hour')"
        " RETURNING id) UPDATE procrastinate_jobs SET status = 'doing', worker_id = dead.id FROM dead"
        " WHERE procrastinate_jobs.id = %(id)s",
        id=job_id,
    )
    return job_id


async def test_rescue_queues_the_jobs_of_dead_workers_again(place: PostgresUrl) -> None:
    async with OpenQueue(place) as queue:
        await queue.prepare()
        job_id = await _dead_job(queue, "road-1")
        assert await queue.withdraw(job_id) is False or await queue.open_jobs([job_id])
        for _ in range(MOST_RESCUES):
            rescued = await queue.rescue()
            assert (rescued.again, rescued.given_up) == ((job_id,), ())
            assert (await queue.rescue()).again == ()
            await queue._execute(
                "UPDATE procrastinate_jobs SET status = 'doing', worker_id = NULL WHERE id = %(id)s", id=job_id
            )
        rescued = await queue.rescue()
        assert (rescued.again, rescued.given_up) == ((), (job_id,))
        assert await queue.open_jobs([job_id]) == set()
        assert await queue.defer("road-1", "road-1@2", {"road": "road-1"}) is not None


async def test_one_generation_of_a_road_waits_once(place: PostgresUrl) -> None:
    async with OpenQueue(place) as queue:
        await queue.prepare()
        assert await queue.defer("road-1", "road-1@08:00", {}) is not None
        assert await queue.defer("road-1", "road-1@08:00", {}) is None
        assert await queue.defer("road-1", "road-1@08:30", {}) is not None
        await queue.put("job:1", b"a")
        await queue.clear()
        assert await queue.get("job:1") is None
        assert await queue.defer("road-1", "road-1@08:00", {}) is not None


async def test_an_answer_without_its_question_is_dropped(place: PostgresUrl) -> None:
    async with OpenQueue(place) as queue:
        await queue.prepare()
        await queue.prepare()
        await queue.put("job:1", b"asked")
        for _ in range(2):  # a job that ran twice answers once
            await queue.answer("job:1", "answer:1", b"planned")
        await queue.answer("job:2", "answer:2", b"planned")
        assert await queue.existing(["answer:1", "answer:2", "job:1"]) == {"answer:1"}


async def test_another_version_of_the_library_begins_anew(place: PostgresUrl) -> None:
    async with OpenQueue(place) as queue:
        await queue.prepare()
        await queue.put("job:1", b"asked")
        await queue._execute("UPDATE library SET version = '0'")
        stop = asyncio.Event()
        stop.set()
        assert await queue.wait_until_ready(stop) is False
        await queue.prepare()
        assert await queue.get("job:1") is None
        assert await queue.wait_until_ready(asyncio.Event()) is True


async def test_a_worker_of_another_version_plans_nothing(
    in_storm: Callable, place: PostgresUrl, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Older(RoadWorker):
        async def work(self, args: Any) -> None:
            await super().work({**args, "version": "0.0.1"})

    async def planned(planner: Planner) -> tuple[list[str], int, int]:
        async with share_work(place) as shared, worker_of(place, Older) as worker:
            planner.use(shared)
            made = texts(await planner.plan(trips(morning, 1), morning))
            return made, worker.planned_n, shared.helped_n

    made, by_worker, by_leader = await in_storm(planned)
    assert made[0].startswith('{"')
    assert (by_worker, by_leader) == (0, 1)

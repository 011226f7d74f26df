"""`alertd work` beside a cycle on PostgreSQL: a worker that is killed loses nothing and sends nothing twice."""

import asyncio
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.errors import ConfigError
from alertd.planning.corridors.shared_work import SharedWork, share_work
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.store.url import PostgresUrl, parse_store_url
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.postgres import PASSWORD, PostgresCluster

pytest.importorskip("procrastinate", reason="the library of the work queue is not installed")
REPO = Path(__file__).resolve().parents[2]


@pytest.fixture
def start_worker(tmp_path: Path, demo: Path) -> Iterator[Callable[[str], subprocess.Popen[str]]]:
    """Starts `alertd work` for a store's URL."""
    started: list[subprocess.Popen[str]] = []

    def start(url: str) -> subprocess.Popen[str]:
        folder = tmp_path / f"worker-{len(started)}"
        shutil.copytree(demo, folder, ignore=shutil.ignore_patterns("var"))
        text = (demo / "alertd.toml").read_text(encoding="utf-8").replace("../../config", str(REPO / "config"))
        config = folder / "alertd.toml"
        config.write_text(text.replace('store = "var/alertd.db"', f'store = "{url}"'), encoding="utf-8")
        command = [sys.executable, "-W", "error", "-m", "alertd", "work", "--config", str(config)]
        process = subprocess.Popen(command, cwd=REPO, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        if process.stderr is not None:
            process.stderr.close()


def save(store: Store, morning: datetime) -> None:
    for n in range(6):
        trip = TripRequest(
            id=f"T-{n}",
            route=("i90-west", "i90-east")[n % 2],
            rig=("quillback-17", "quillback-31")[n // 2 % 2],
            depart=(morning + timedelta(minutes=75 + 20 * n)).isoformat(),
        )
        store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=morning))


def recorded(store: Store) -> dict[str, str]:
    """Every notice by id, and every plan by its own."""
    trips = [f"T-{n}" for n in range(6)]
    plans = [store.latest_plan(trip) for trip in trips]
    return {n.id: n.body for trip in trips for n in store.notices(trip)} | {p.id: p.body for p in plans if p}


async def in_work(shared: SharedWork) -> int | None:
    rows = await shared._queue._rows("SELECT id FROM procrastinate_jobs WHERE status = 'doing'")
    return rows[0]["id"] if rows else None


@pytest.mark.slow
async def test_a_killed_worker_loses_nothing_and_doubles_nothing(
    make_settings: Callable[..., Settings],
    open_planner: Callable[..., Any],
    postgres: PostgresCluster,
    start_worker: Callable[[str], subprocess.Popen[str]],
    morning: datetime,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """kill -9 with a road in work. The plans and notices are those of a cycle in one process, each once."""
    caplog.set_level("INFO")
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = replace(make_settings(forecasts=api.base_url, trips=None), processes=1)
        with Store(tmp_path / "alone.db") as store:
            save(store, morning)
            async with open_planner(settings, ManualClock(morning)) as planner:
                await run_cycle(planner, store, morning)
            alone = recorded(store)
        url = postgres.new_store_url()
        place = parse_store_url(url)
        assert isinstance(place, PostgresUrl)
        with Store(place) as store:
            save(store, morning)
            async with open_planner(settings, ManualClock(morning)) as planner, share_work(place) as shared:
                planner.use(shared)
                first = start_worker(url)
                cycle = asyncio.create_task(run_cycle(planner, store, morning))
                while (job := await in_work(shared)) is None:
                    await asyncio.sleep(0.02)
                first.send_signal(signal.SIGKILL)
                second = start_worker(url)
                outcome = await asyncio.wait_for(cycle, 120.0)
                second.send_signal(signal.SIGTERM)
                assert await asyncio.to_thread(second.wait, 30.0) == 0
                again = await run_cycle(planner, store, morning)
            shared_out = recorded(store)
            waiting = store.outbox.claim_due(morning + timedelta(days=1), limit=1000, lease_s=1.0, owner="test")
    assert outcome.not_planned == ()
    assert again.new_notices == ()
    assert shared_out == alone
    assert 0 < len(waiting) == len({(n.notice_id, n.target) for n in waiting})
    assert [r for r in caplog.records if f"job {job}: its worker died" in r.getMessage()]
    lines = second.communicate()[1]
    assert "worker stopped" in lines
    assert PASSWORD not in lines


def test_a_worker_needs_a_store_that_can_be_shared(
    start_worker: Callable[[str], subprocess.Popen[str]], tmp_path: Path
) -> None:
    process = start_worker("var/alertd.db")
    _, lines = process.communicate(timeout=30.0)
    assert process.returncode == 1
    assert "daemon.store: is a file; workers need a PostgreSQL store" in lines


def test_settings_refuse_workers_on_a_file(demo: Path, tmp_path: Path) -> None:
    text = (demo / "alertd.toml").read_text(encoding="utf-8").replace("[daemon]", "[daemon]\nworkers = true")
    (tmp_path / "alertd.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"daemon\.workers: needs a PostgreSQL store"):
        read_settings(tmp_path / "alertd.toml")

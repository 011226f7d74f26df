"""The work of a cycle of a small fleet, counted and not timed, and the order in which it plans and records.

`ALLOWED` holds the counts as committed. A change that needs more work fails here, however fast the machine is; one that
needs much less should lower them.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from alertd.notices.model import Notice
from alertd.plan import serialize
from alertd.plan.chain_up import departure_road, route_outcome
from alertd.planning.corridors import groups
from alertd.planning.planner import create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.service.cycle import run_cycle, turn_of
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

ROOM = 1.05
# Each road is recorded in two groups here: its most urgent trip, then the other three. A group costs nine statements.
# "contents" are those given to the archive: files that both roads have in common, such as rigs, count once.
ALLOWED = {
    "first": {"timings": 179, "searches": 100, "texts": 472, "statements": 54, "contents": 87, "bytes": 763_166},
    # What was sent at first is what the plans chose: they stand, and nothing is computed, encoded or written.
    "five minutes later": {"timings": 0, "searches": 0, "texts": 0, "statements": 18, "contents": 0, "bytes": 0},
    "an hour later": {
        "timings": 179,
        "searches": 107,
        "texts": 472,
        "statements": 34,
        "contents": 87,
        "bytes": 234_356,
    },
}


class Work:
    """Counts while a cycle runs."""

    def __init__(self, patch: pytest.MonkeyPatch, store: Store, archive: Path) -> None:
        self.counts: dict[str, int] = {}
        self._archive, self._store = archive, store

        def count(name: str, whole: Callable[..., Any], amount: Callable[..., int]) -> Callable[..., Any]:
            def counted(*args: Any, **options: Any) -> Any:
                self.counts[name] = self.counts.get(name, 0) + amount(*args)
                return whole(*args, **options)

            return counted

        # Departures whose way over the road is timed.
        timing = count("timings", departure_road.unchained_timing, lambda _need, departs, *_: departs.size)
        patch.setattr(departure_road, "unchained_timing", timing)
        patch.setattr(route_outcome, "cheapest_plan", count("searches", route_outcome.cheapest_plan, lambda *_: 1))
        patch.setattr(serialize, "_field_text", count("texts", serialize._field_text, lambda *_: 1))  # of plans
        patch.setattr(Archive, "put", count("contents", Archive.put, lambda *_: 1))
        engine = store._database._backend.engine
        event.listen(engine, "before_cursor_execute", lambda *_: self._add("statements", 1))

    def _add(self, name: str, n: int) -> None:
        self.counts[name] = self.counts.get(name, 0) + n

    def take(self) -> dict[str, int]:
        """The counts since the last call; `bytes` is what the store and the archive hold."""
        held = sum(f.stat().st_size for f in [self._store.place, *self._archive.rglob("*")] if f.is_file())  # type: ignore[list-item, union-attr]
        found, self.counts = {**self.counts, "bytes": held - self.counts.get("held", 0)}, {"held": held}
        return {name: found.get(name, 0) for name in ALLOWED["first"]}


@pytest.fixture
def fleet(make_settings: Callable[..., Settings], tmp_path: Path, demo: Path) -> Callable[[str], Settings]:
    """The demo's settings with a rig file for each of eight trucks of two kinds, and no trips file."""

    def settings(forecasts: str) -> Settings:
        made = make_settings(forecasts=forecasts, trips=None)
        rigs = tmp_path / "rigs"
        rigs.mkdir()
        for n in range(8):
            text = (demo / "rigs" / ("quillback-17.toml", "quillback-31.toml")[n % 2]).read_text(encoding="utf-8")
            (rigs / f"truck-{n}.toml").write_text(text.replace("Quillback", f"Truck {n} of"), encoding="utf-8")
        return replace(made, places=replace(made.places, rigs=rigs))

    return settings


@pytest.fixture
def open_fleet() -> Callable[..., Any]:
    """A planner with an archive, as the daemon opens it."""

    def opened(settings: Settings, clock: ManualClock) -> Any:
        assert settings.archive is not None
        return create_planner(settings, clock, ReplayWriter(archive=Archive(settings.archive)))

    return opened


def trips(morning: datetime, numbers: range = range(8)) -> list[TripRequest]:
    """Half on each road; departures on the quarter and, for two of them, between."""
    return [
        TripRequest(
            id=f"T-{n}",
            route=("i90-west", "i90-east")[n // 2 % 2],
            rig=f"truck-{n}",
            depart=(morning + timedelta(minutes=75 + 15 * (n // 4) + 7 * (n == 5))).isoformat(),
        )
        for n in numbers
    ]


def save(store: Store, asked: list[TripRequest], now: datetime) -> None:
    for trip in asked:
        store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=now))


async def test_a_cycle_does_no_more_work_than_committed(
    fleet: Callable[[str], Settings],
    morning: datetime,
    monkeypatch: pytest.MonkeyPatch,
    open_fleet: Callable[..., Any],
) -> None:
    monkeypatch.setattr(groups, "MOST_UNRECORDED_S", 1e9)  # a slow machine makes more groups, and so statements
    with FakeOpenMeteo(now_utc=morning) as api:
        settings, clock = fleet(api.base_url), ManualClock(morning)
        assert settings.archive is not None
        with Store(settings.store) as store:
            save(store, trips(morning), morning)
            work = Work(monkeypatch, store, settings.archive)
            async with open_fleet(settings, clock) as planner:
                found = {}
                for name in ALLOWED:
                    work.take()
                    outcome = await run_cycle(planner, store, clock())
                    made_at = morning if name == "five minutes later" else clock()
                    assert [plan.made_at for plan in outcome.plans] == 8 * [made_at]
                    found[name] = work.take()
                    clock.advance(timedelta(minutes=5 if name == "first" else 55))
    for name, allowed in ALLOWED.items():
        for what, most in allowed.items():
            assert found[name][what] <= most * ROOM, (name, what, found[name][what])


async def test_new_trips_are_planned_and_recorded_first(
    fleet: Callable[[str], Settings], morning: datetime, open_fleet: Callable[..., Any]
) -> None:
    recorded: list[str] = []

    def on_new(notice: Notice) -> None:
        if notice.trip_id not in recorded:
            recorded.append(notice.trip_id)

    with FakeOpenMeteo(now_utc=morning) as api:
        settings, clock = fleet(api.base_url), ManualClock(morning)
        with Store(settings.store) as store:
            known, posted = trips(morning)[:7], trips(morning)[7]
            save(store, known, morning)
            async with open_fleet(settings, clock) as planner:
                steps: list[tuple[str, set[str]]] = []
                whole = planner.plan_in_groups

                async def plan_in_groups(job: Any) -> Any:
                    steps.append(("planned", {trip.id for trip in job.trips}))
                    async for group in whole(job):
                        yield group

                planner.plan_in_groups = plan_in_groups
                store.on_new = on_new
                await run_cycle(planner, store, clock())
                assert set(recorded) == {trip.id for trip in known}
                clock.advance(timedelta(hours=1))  # all plans are made again
                steps.clear()
                recorded.clear()
                save(store, [posted], clock())
                await run_cycle(planner, store, clock())
    assert steps[0] == ("planned", {posted.id})
    assert len(steps) == 3
    assert posted.id not in set.union(*(ids for _, ids in steps[1:]))
    assert recorded[0] == posted.id


def test_turn_is_the_next_moment_that_matters(morning: datetime) -> None:
    early, late = trips(morning)[0], trips(morning)[4]
    assert turn_of(late, None, morning) > turn_of(early, None, morning)

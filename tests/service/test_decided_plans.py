"""Plans decided by the process that made them: recorded as one process records them, and never from an old state."""

import sqlite3
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.errors import InputError
from alertd.notices.sent_state import facts_to_plain
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.planning.corridors import answer
from alertd.planning.corridors.job import PlannedRoad
from alertd.planning.corridors.pool import RoadPool
from alertd.planning.corridors.value_bytes import read_value, value_to_bytes
from alertd.planning.decisions.decided import DecidedPlan, Deciding, decided
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay_archive import ReplayWriter, read_archived
from alertd.service.cycle import run_cycle
from alertd.service.recording import plan_recorder
from alertd.service.recording.plan_recorder import PlanRecorder
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import Storm


def trips(morning: datetime) -> list[TripRequest]:
    """Two trips of one driver on a road, one with a second road to compare, and one with an unknown rig."""
    rows: list[dict[str, Any]] = [
        {"id": "T-0", "driver": "Odalys Fenwright"},
        {"id": "T-1", "driver": "Odalys Fenwright"},
        {"id": "T-3", "routes": ["i90-west", "i90-east"]},
        {"id": "T-4", "rig": "nobody-1"},
    ]
    depart = [(morning + timedelta(minutes=75 + 40 * n)).isoformat() for n in range(len(rows))]
    common = {"route": "i90-west", "rig": "quillback-17"}
    return [TripRequest(**(common | row | {"depart": at})) for row, at in zip(rows, depart, strict=True)]


@pytest.fixture
def world(make_settings: Callable[..., Settings], morning: datetime, tmp_path: Path) -> Callable[..., Any]:
    """Opens a planner and a store of these trips; each name has a store and an archive of its own."""

    @asynccontextmanager
    async def opened(name: str) -> AsyncIterator[tuple[Planner, Store, ManualClock, FakeOpenMeteo]]:
        with FakeOpenMeteo(now_utc=morning) as api:
            folder, clock = tmp_path / name, ManualClock(morning)
            folder.mkdir()
            settings = make_settings(forecasts=api.base_url, trips=None, store=folder / "alertd.db")
            settings = replace(settings, plan=replace(settings.plan, compare_h=0.5), public_url="https://fleet.example")
            writer = ReplayWriter(archive=Archive(folder / "archive"))
            with Store(settings.store) as store:
                for trip in trips(morning):
                    store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=morning))
                async with create_planner(settings, clock, writer) as planner:
                    yield planner, store, clock, api

    return opened


def rows(store: Store) -> list[tuple[Any, ...]]:
    """All plans and notices of the store, byte for byte."""
    with sqlite3.connect(str(store.place)) as file:
        found = file.execute("SELECT id, trip_id, made_at, body FROM plans ORDER BY id").fetchall()
        return found + file.execute("SELECT * FROM notices ORDER BY id").fetchall()


async def cycles(planner: Planner, store: Store, clock: ManualClock, api: FakeOpenMeteo) -> list[Any]:
    """Everything that three cycles leave behind: the first, a new forecast, and what was sent counted in."""
    found: list[Any] = []
    for minutes in (0, 61, 5):
        clock.advance(timedelta(minutes=minutes))
        if minutes == 61:
            api.now_utc, api.storm = clock(), Storm(wetter=1.3)
        outcome = await run_cycle(planner, store, clock())
        kept = planner.kept._kept
        found.append(sorted(outcome.new_notices))
        found.append([(one.held.id, one.facts, one.held.upheld) for one in outcome.active])
        found.append([(miss.trip.id, miss.reason) for miss in outcome.not_planned])
        found.append({trip_id: (kept[trip_id].standing, kept[trip_id].note) for trip_id in sorted(kept)})
        found.append(dict(planner.latest.changes))
    archive = planner._writer.archive  # type: ignore[union-attr]
    found.append({plan_id: read_archived(archive, plan_id) for plan_id in archive.plans()})
    found[-1] = {plan_id: (of.plan, of.alertd) for plan_id, of in found[-1].items()}
    return found


async def test_two_processes_record_what_one_records(
    world: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    here_by_trip: dict[str, int] = defaultdict(int)
    decide = plan_recorder.decide

    def counted(plan: Plan, *rest: Any) -> Any:
        here_by_trip[plan.trip_id] += 1
        return decide(plan, *rest)

    # The token of a link has a key of each store's own.
    monkeypatch.setattr("alertd.planning.signed_links.SignedLinks.token", lambda self, *_: "token")
    async with world("here") as (planner, store, clock, api):
        here = await cycles(planner, store, clock, api), rows(store)
    monkeypatch.setattr(plan_recorder, "decide", counted)
    async with world("there") as (planner, store, clock, api), RoadPool(2, few_trips=1) as pool:
        planner.use(pool)
        there = await cycles(planner, store, clock, api), rows(store)
    for ours, theirs in zip(here[0], there[0], strict=True):
        assert ours == theirs
    assert here[1] == there[1]
    assert any("fleet.example" in str(row) for row in here[1])
    # Two roads are compared here; a second message to one driver may change what was decided about his next trip.
    assert set(here_by_trip) <= {"T-1", "T-3"}


@asynccontextmanager
async def one_plan(world: Callable[..., Any], morning: datetime) -> AsyncIterator[tuple[Any, ...]]:
    """A planner, its store, a trip, and the plan of it with what it was made of."""
    async with world("one") as (planner, store, _, _):
        trip = trips(morning)[0]
        job = await planner.prepare(await planner.route(trip.route, "test"), [trip], morning)
        made = await planner.plan_trips(job)
        yield planner, store, trip, made.outcomes[trip.id], made.trip_inputs[trip.id]


def recorder_of(planner: Planner, store: Store, trip: TripRequest, now_utc: datetime, **state: Any) -> PlanRecorder:
    notified = defaultdict(list, state.pop("notified", {}))
    sent = state.pop("sent", {})
    reports = {trip.id: ()}
    return PlanRecorder(
        planner=planner, store=store, now_utc=now_utc, reports=reports, sent=sent, notified_at=notified, **state
    )


async def test_a_decision_of_an_old_state_is_made_again(
    world: Callable[..., Any], morning: datetime, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Another message reached the driver, something was sent, the clock is in doubt, or another plan is shown."""
    decide, here = plan_recorder.decide, list[str]()
    again = plan_recorder.decide_again
    monkeypatch.setattr(plan_recorder, "decide", lambda *given: here.append(given[0].id) or decide(*given))
    monkeypatch.setattr(plan_recorder, "decide_again", lambda *given: here.append(given[1].id) or again(*given))
    async with one_plan(world, morning) as (planner, store, trip, plan, inputs):

        def decided_from(recorder: PlanRecorder) -> DecidedPlan:
            bases = Deciding(bases={trip.id: recorder.basis_of(trip)}, longest=None, archived=False)
            sent = read_value(value_to_bytes(decided(trip, plan, inputs, bases)))
            assert isinstance(sent, DecidedPlan)
            return sent

        def recorded(name: str, outcome: Any, **state: Any) -> list[tuple[Any, ...]]:
            with Store(tmp_path / f"{name}.db") as own:
                own.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=morning))
                (active,) = recorder_of(planner, own, trip, morning, **state).record([(trip, outcome)])
                return [*rows(own), active.facts]

        before = decided_from(recorder_of(planner, store, trip, morning))
        first = recorded("first", plan)
        here.clear()
        assert recorded("same", before) == first
        assert here == []  # the decision was used
        full = {trip.driver: 4 * [morning - timedelta(minutes=10)]}
        recorder_of(planner, store, trip, morning).record([(trip, plan)])
        sent = store.sent_states([trip.id])
        changed: dict[str, dict[str, Any]] = {
            "notified": {"notified": full},
            "sent": {"sent": sent},
            "doubt": {"may_ease": lambda: False},
        }
        for name, state in changed.items():
            here.clear()
            assert recorded(name, before, **state) == recorded(f"{name} whole", plan, **state)
            assert here == [plan.id, plan.id], name
        assert recorded("again", before, notified=full) != first
        assert recorded("once", before, sent=sent) != first
        planner.latest.update([replace(plan, id="plan_other")], (), (), morning)
        here.clear()
        recorded("shown", before)
        assert here == [plan.id]


async def test_a_plan_that_cannot_be_decided_comes_back_whole(
    world: Callable[..., Any], morning: datetime, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with one_plan(world, morning) as (planner, store, trip, plan, inputs):
        basis = recorder_of(planner, store, trip, morning).basis_of(trip)
        job = await planner.prepare(await planner.route(trip.route, "test"), [trip], morning)
        job = replace(job, deciding=Deciding(bases={trip.id: basis}, longest=None, archived=True))
        group = PlannedRoad(outcomes={trip.id: plan}, hours=None, trip_inputs={trip.id: inputs})
        whole = answer._decided(group, job)
        assert isinstance(whole.outcomes[trip.id], DecidedPlan)
        assert whole.outcomes[trip.id].unpack() == replace(plan, departures=())
        monkeypatch.setattr(answer, "decided", lambda *_: 1 / 0)
        failed = answer._decided(group, job)
        assert failed.outcomes == {trip.id: plan}
        assert failed.packs == whole.packs
        assert "not decided where it was planned (ZeroDivisionError)" in caplog.text
        # On missing data people see what was sent before; the plan itself comes back as it was made.
        facts = plan_recorder.decide(plan, basis, None).facts
        graver = [replace(fact, advice=Advice.HOLD) for fact in facts]
        sent = {"said": facts_to_plain(graver), "delivery": None}
        partial, before = replace(plan, partial=True), replace(basis, before=sent)
        raised = decided(trip, partial, inputs, Deciding(bases={trip.id: before}, longest=None, archived=True))
        assert isinstance(raised, DecidedPlan)
        assert raised.decision.held.upheld
        assert raised.unpack() == replace(partial, departures=())
        forged = replace(whole.outcomes[trip.id], rest=value_to_bytes(trip))
        with pytest.raises(InputError, match="holds no plan"):
            forged.unpack()

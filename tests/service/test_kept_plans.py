"""Which plans a cycle keeps: those of which only the age would change, and no others."""

import json
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest

from alertd.notices.sent_state import facts_from_plain, facts_to_plain
from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import plan_json
from alertd.planning.cycles.held_plan import HeldPlan
from alertd.planning.cycles.kept_plans import KeptPlans, digest_of
from alertd.planning.decisions.decide import Asked, Basis, asked_of, quiet_note
from alertd.planning.decisions.quiet import Quiet
from alertd.planning.latest_plans import LatestPlans
from alertd.planning.planner import Planner, create_planner
from alertd.records.positions import save_position
from alertd.service.cycle import run_cycle
from alertd.service.recording import plan_recorder
from alertd.service.recording.plan_recorder import PlanRecorder, SentStates
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse
from alertd.sources.requests.positions import parse_position
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import Storm


@dataclass
class Fleet:
    """One trip, and cycles a minute apart."""

    planner: Planner
    store: Store
    clock: ManualClock
    trip: TripRequest

    def save(self, **changes: Any) -> None:
        body = self.trip.model_copy(update=changes).model_dump_json()
        self.store.put_trip(StoredTrip(id=self.trip.id, body=body, created_at=self.clock()), replace=True)

    async def cycle(self, minutes: float = 1.0) -> Plan:
        self.clock.advance(timedelta(minutes=minutes))
        (plan,) = (await run_cycle(self.planner, self.store, self.clock())).plans
        return plan

    async def is_new(self, minutes: float = 1.0) -> bool:
        return (await self.cycle(minutes)).made_at == self.clock()


@pytest.fixture
async def fleet(make_settings: Callable[..., Settings], morning: datetime) -> AsyncIterator[Fleet]:
    clock = ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = make_settings(forecasts=api.base_url, trips=None, archive=None)
        settings = replace(settings, plan=replace(settings.plan, compare_h=0.5))
        with Store(settings.store) as store:
            async with create_planner(settings, clock) as planner:
                departs = (morning + timedelta(hours=6)).isoformat()
                trip = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart=departs)
                found = Fleet(planner, store, clock, trip)
                found.save()
                await found.cycle()
                await found.cycle()  # what was sent is new to the plan
                yield found


async def test_an_unchanged_plan_is_kept_and_not_written_again(fleet: Fleet) -> None:
    before = fleet.store.latest_plan("T-1")
    assert not await fleet.is_new()
    assert before is not None
    after = fleet.store.latest_plan("T-1")
    assert after is not None
    assert after.id == before.id
    assert fleet.planner.latest.plans["T-1"].id == before.id


async def test_a_new_plan_is_shown_as_soon_as_it_is_recorded(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two plans of each trip until the end of a cycle would take twice the memory."""
    shown: list[str] = []
    update = LatestPlans.update

    def noted(self: LatestPlans, *args: Any, **named: Any) -> None:
        shown.append(self.plans["T-1"].id)
        update(self, *args, **named)

    monkeypatch.setattr(LatestPlans, "update", noted)
    old = fleet.planner.latest.plans["T-1"]
    new = await fleet.cycle(50)  # of another hour
    assert old.id != new.id
    assert shown == [new.id]


async def test_a_changed_trip_is_planned_again(fleet: Fleet, morning: datetime) -> None:
    fleet.save(depart=(morning + timedelta(hours=7)).isoformat())
    assert await fleet.is_new()


async def test_a_place_sent_that_the_plan_chose_changes_nothing(fleet: Fleet) -> None:
    """The plan keeps to places sent to its driver: only one that it would not choose itself makes it another."""
    (kept,) = fleet.planner.kept._kept.values()
    sent_facts = facts_from_plain(fleet.store.sent_states()["T-1"]["said"])
    chosen, other = {fact.stop_id for fact in sent_facts if fact.stop_id}, "a-stop-of-yesterday"
    assert chosen
    assert chosen <= kept.standing.stop_ids
    now = fleet.clock() + timedelta(minutes=1)

    def stands(*stop_ids: str) -> bool:
        sent = [TruckReport(at=now, what=Report.SENT_PLACE, stop_id=stop_id) for stop_id in stop_ids]
        return "T-1" in fleet.planner.kept.standing([kept.trip], kept.road, {"T-1": sent}, now)

    assert stands()
    assert stands(*chosen)
    assert not stands(*chosen, other)
    begun = [*kept.reports, TruckReport(at=now, what=Report.CHAINS_ON)]
    assert not fleet.planner.kept.standing([kept.trip], kept.road, {"T-1": begun}, now)


async def test_another_hour_or_old_age_ends_a_kept_plan(fleet: Fleet) -> None:
    assert not await fleet.is_new(10)  # 10:42
    assert await fleet.is_new(18)  # 11:00, of another hour
    assert not await fleet.is_new(29)
    assert await fleet.is_new(29)  # 11:58: older than the time between two cycles


async def test_another_forecast_ends_a_kept_plan(fleet: Fleet) -> None:
    (kept,) = fleet.planner.kept._kept.values()
    fleet.planner.kept._kept["T-1"] = replace(kept, road=replace(kept.road, answers=b"of another forecast"))
    assert await fleet.is_new()


async def test_what_is_to_be_sent_rests_on_a_new_plan(fleet: Fleet) -> None:
    (kept,) = fleet.planner.kept._kept.values()
    fleet.clock.advance(timedelta(minutes=1))

    def recorder(sent: SentStates) -> PlanRecorder:
        return PlanRecorder(
            planner=fleet.planner,
            store=fleet.store,
            now_utc=fleet.clock(),
            reports={"T-1": ()},
            sent=sent,
            notified_at=defaultdict(list),
        )

    same = recorder(fleet.store.sent_states())
    (shown,) = same.record([(kept.trip, kept.held.plan)])
    assert (shown.plan.id, same.again, same.new_notices) == (kept.held.plan.id, [], [])
    nothing_sent = recorder({})
    assert nothing_sent.record([(kept.trip, kept.held.plan)]) == ()
    assert (nothing_sent.again, nothing_sent.new_notices) == ([kept.trip], [])


def test_answers_that_are_missing_or_old_have_no_digest(morning: datetime) -> None:
    good = SourceResponse(url="http://a", refresh=False, body=b"{}", fetched_at=morning)
    assert digest_of([]) is None
    assert digest_of([good, replace(good, stale_because="not reached")]) is None
    later = replace(good, fetched_at=morning + timedelta(minutes=5))
    assert digest_of([good]) == digest_of([later])
    assert digest_of([good]) != digest_of([replace(good, body=b"[]")])
    assert digest_of([good]) != digest_of([replace(good, url="http://b")])
    other = replace(good, url="http://b")
    assert digest_of([good, other]) == digest_of([other, good])


def test_forgotten_trips_are_not_kept() -> None:
    kept = KeptPlans(timedelta(minutes=30), 6.0)
    kept.retain({"T-1"})
    assert kept.standing([], None, {}, datetime.now().astimezone()) == {}


@pytest.mark.parametrize("pending", [False, True])
async def test_a_quiet_plan_is_not_unpacked(fleet: Fleet, monkeypatch: pytest.MonkeyPatch, pending: bool) -> None:
    """All that the plan asks for has reached the driver, or waits until hours later, shortly before the departure."""
    unpacked: list[str] = []
    whole = HeldPlan.unpack
    monkeypatch.setattr(HeldPlan, "unpack", lambda held: unpacked.append(held.id) or whole(held))
    (kept,) = fleet.planner.kept._kept.values()
    assert kept.held is not None
    fleet.clock.advance(timedelta(minutes=1))
    first = fleet.clock()

    def recorder(sent: SentStates, now_utc: datetime) -> PlanRecorder:
        return PlanRecorder(
            planner=fleet.planner,
            store=fleet.store,
            now_utc=now_utc,
            reports={"T-1": ()},
            sent=sent,
            notified_at=defaultdict(list),
        )

    def asked(sent: SentStates, now_utc: datetime) -> Asked:
        return asked_of(whole(kept.held), recorder(sent, now_utc).basis_of(kept.trip))

    new = asked({}, first)
    assert any(fact.pending for fact in new.facts)
    said = facts_to_plain([replace(fact, pending=fact.pending and pending) for fact in new.facts])
    sent = {"T-1": {"said": said, "delivery": new.delivery}}
    (shown,) = recorder(sent, first).record([(kept.trip, kept.held)])
    assert unpacked == [kept.plan_id]
    (again,) = recorder(sent, first).record([(kept.trip, kept.held)])
    assert unpacked == [kept.plan_id]
    assert shown.held is again.held is kept.held
    assert shown.facts == again.facts
    note, until = (
        fleet.planner.kept.note_of(kept.held),
        fleet.planner.kept.stands_until(again.plan),
    )
    assert isinstance(note, Quiet)
    assert until is not None
    assert first < until < kept.standing.until
    assert note.until == until
    for n in range(9):  # what the note says holds at each moment between
        now = first + (until - first) * n / 8
        later = asked(sent, now)
        assert (later.notices, later.events, later.facts) == ((), (), note.facts)
    assert not note.still(sent["T-1"], replace(note.policy, may_ease=not note.policy.may_ease), first)
    assert not note.still({"said": [], "delivery": new.delivery}, note.policy, first)


async def test_a_message_that_waits_for_its_hour_is_looked_at(fleet: Fleet) -> None:
    """The departure is near, so the driver gets the message as soon as quiet hours end or the limit allows it."""
    (kept,) = fleet.planner.kept._kept.values()
    assert kept.held is not None
    plan, now, sent = kept.held.plan, fleet.clock(), fleet.store.sent_states()
    recorder = PlanRecorder(
        planner=fleet.planner,
        store=fleet.store,
        now_utc=now,
        reports={"T-1": ()},
        sent=sent,
        notified_at=defaultdict(list, {"T-1": 4 * [now]}),
    )
    basis, until = recorder.basis_of(kept.trip), kept.standing.last_moment(fleet.planner.kept.longest)
    near = replace(basis, policy=replace(basis.policy, before_rolling=timedelta(hours=12)))
    asked = asked_of(plan, near)
    assert asked.is_nothing(near.before)
    assert any(fact.pending for fact in asked.facts)
    assert quiet_note(plan, asked, basis, until) is not None
    assert quiet_note(plan, asked, near, until) is None


async def test_a_message_held_by_quiet_hours_is_quiet_until_they_end(fleet: Fleet) -> None:
    """It is looked at again when they end, and not in each cycle before."""
    (kept,) = fleet.planner.kept._kept.values()
    assert kept.held is not None
    plan, now = kept.held.plan, fleet.clock()
    recorder = PlanRecorder(
        planner=fleet.planner,
        store=fleet.store,
        now_utc=now,
        reports={"T-1": ()},
        sent={},
        notified_at=defaultdict(list),
    )
    basis, ends = recorder.basis_of(kept.trip), now + timedelta(minutes=10)
    local = ends.astimezone(ZoneInfo(plan.depart_zone)).time()
    policy = replace(basis.policy, before_rolling=timedelta(hours=12), quiet_from=time(0), quiet_to=local)
    night = replace(basis, policy=policy)
    asked = asked_of(plan, night)
    assert any(fact.pending for fact in asked.facts)
    note = quiet_note(plan, asked, night, kept.standing.last_moment(fleet.planner.kept.longest))
    assert note is not None
    assert note.until == ends - timedelta.resolution
    sent = {"said": asked.said, "delivery": asked.delivery}
    assert note.still(sent, policy, note.until)
    assert not note.still(sent, policy, ends)
    for at in (now, now + timedelta(minutes=5), note.until):
        assert asked_of(plan, replace(night, before=sent, now_utc=at)).is_nothing(sent)
    assert asked_of(plan, replace(night, before=sent, now_utc=ends)).notices


async def test_a_trip_with_news_to_send_is_planned_with_the_rest(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not after them: a road is then computed once, and its message waits for no other road."""
    calls: list[int] = []
    plan_in_turn = fleet.planner.plan_in_turn

    def counted(trips: Any, *args: Any) -> Any:
        calls.append(len(trips))
        return plan_in_turn(trips, *args)

    monkeypatch.setattr(fleet.planner, "plan_in_turn", counted)
    assert not await fleet.is_new()
    settings = fleet.planner.settings
    due = replace(settings.notices, before_rolling=timedelta(hours=12), quiet_from=time(0), quiet_to=time(0))
    fleet.planner.settings = replace(settings, notices=due)
    before_n = len(fleet.store.notices("T-1"))
    assert await fleet.is_new()
    assert calls == [1, 1]
    assert len(fleet.store.notices("T-1")) > before_n


def trips_leaving(at: Iterable[datetime]) -> list[TripRequest]:
    """Trips on two roads, with two rigs, that leave at these times."""
    return [
        TripRequest(
            id=f"T-{n}",
            route=("i90-west", "i90-east")[n % 2],
            rig=("quillback-17", "quillback-31")[n // 2 % 2],
            depart=depart.isoformat(),
        )
        for n, depart in enumerate(at)
    ]


@pytest.mark.parametrize("storm", [Storm(wetter=1.6), Storm(warmer_k=2.0)])
async def test_nothing_is_asked_before_a_note_ends(
    make_settings: Callable[..., Settings], morning: datetime, storm: Storm
) -> None:
    """Once what a new plan asks for is sent: at any moment, whether messages are left or not."""
    hour = morning.replace(minute=0)
    trips = trips_leaving(hour + timedelta(minutes=65 + 25 * n) for n in range(6))
    with FakeOpenMeteo(now_utc=hour, storm=storm) as api:
        settings = make_settings(forecasts=api.base_url, trips=None, archive=None)
        settings = replace(settings, plan=replace(settings.plan, compare_h=0.5))
        async with create_planner(settings, ManualClock(hour)) as planner:
            plans = [cast(Plan, plan) for plan in await planner.plan(trips, hour)]
    noted_n = 0
    for plan in plans:
        for quiet_to in (settings.notices.quiet_to, time(2, 25), time(1, 0)):
            policy = replace(settings.notices, quiet_to=quiet_to)
            basis = Basis(
                now_utc=hour, policy=policy, languages=settings.languages, before=None, notified=(), compared=None
            )
            asked = asked_of(plan, basis)
            note = quiet_note(plan, asked, basis, hour + timedelta(minutes=59))
            sent = {"said": asked.said, "delivery": asked.delivery}
            noted_n += note is not None
            for n in range(9 if note is not None else 0):
                at = hour + (note.until - hour) * n / 8  # type: ignore[union-attr]
                for notified in ((), 4 * (hour,)):
                    later = asked_of(plan, replace(basis, now_utc=at, before=sent, notified=notified))
                    assert later.is_nothing(sent), (plan.trip_id, at, quiet_to)
    assert noted_n >= len(plans)


def but_its_age(plan: Plan) -> Any:
    value = json.loads(plan_json(replace(plan, id="", made_at=plan.depart_at)))
    for source in value["sources"]:
        del source["age_h"]
    return value


@pytest.mark.parametrize("storm", [Storm(wetter=1.6), Storm(warmer_k=4.0)])
async def test_a_plan_under_way_changes_by_its_age_only(
    make_settings: Callable[..., Settings], morning: datetime, storm: Storm
) -> None:
    """Of trucks that never reported, within each of two hours of the clock."""
    hour = morning.replace(minute=0)
    trips = trips_leaving(hour - timedelta(minutes=17 * n + 1) for n in range(4))
    clock = ManualClock(hour)
    with FakeOpenMeteo(now_utc=hour, storm=storm) as api:
        async with create_planner(make_settings(forecasts=api.base_url, trips=None, archive=None), clock) as planner:
            for _ in range(2):
                first = [but_its_age(cast(Plan, plan)) for plan in await planner.plan(trips, clock())]
                for minutes in (1, 28, 30):
                    clock.advance(timedelta(minutes=minutes))
                    assert [but_its_age(cast(Plan, plan)) for plan in await planner.plan(trips, clock())] == first
                clock.advance(timedelta(minutes=1))


async def test_a_plan_is_kept_under_way_until_the_truck_reports(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """One made before the departure ends with it. What to send is decided in each cycle."""
    asked: list[datetime] = []

    def noted(plan: Plan, basis: Basis) -> Asked:
        asked.append(basis.now_utc)
        return asked_of(plan, basis)

    monkeypatch.setattr(plan_recorder, "asked_of", noted)
    departs = fleet.clock() + timedelta(minutes=10)
    fleet.save(depart=departs.isoformat())
    for _ in range(4):
        await fleet.cycle(1)
    assert not await fleet.is_new(1)
    assert await fleet.is_new(6)  # it left a minute ago
    for _ in range(2):
        await fleet.cycle(1)  # what was sent is new to the plan
    asked.clear()
    for _ in range(3):
        assert not await fleet.is_new(1)
        assert asked[-1] == fleet.clock()
    route = await fleet.planner.route("i90-west", "test")
    seen = {"at": fleet.clock().isoformat(), "lat": float(route.lat_deg[40]), "lon": float(route.lon_deg[40])}
    assert save_position(fleet.store, "T-1", parse_position(seen, "test"))
    assert await fleet.is_new(1)

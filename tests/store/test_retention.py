"""What has had its days goes, in small bites; what is still to be delivered keeps all that it needs."""

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from alertd.notices.model import Audience, Notice
from alertd.store import retention
from alertd.store.retention import Thinning
from alertd.store.rows import PlanRecord, Slot, StoredAnswer, StoredEvent, StoredTrip
from alertd.store.store import Store

DAY = timedelta(days=1)
HOOK = {Audience.FLEET: ["hook", "spool"]}


@pytest.fixture(autouse=True)
def small_bites(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "BATCH_ROWS", 2)


def event(n: int, kind: str, at: datetime, trip_id: str = "trip-1") -> StoredEvent:
    return StoredEvent(id=f"e{n}", trip_id=trip_id, kind=kind, at=at, body="{}")


def settle(store: Store, now: datetime, how: str) -> None:
    for row in store.outbox.claim_due(now, 99, 60, "me"):
        {"done": store.outbox.mark_done, "parked": store.outbox.mark_parked, "expired": store.outbox.mark_expired}[how](
            row.id, now, ""
        )


def test_reports_go_by_their_kind_and_age(store: Store, noon: datetime) -> None:
    for n in range(5):
        store.put_event(event(n, "position", noon + n * DAY))
    store.put_event(event(10, "chains_on", noon))
    store.put_event(event(11, "closure", noon, ""))
    assert store.pruning.events(noon + 3 * DAY, kinds=["position"]) == 3
    assert [e.id for e in store.events("trip-1", "position")] == ["e3", "e4"]
    assert store.pruning.events(noon + DAY, but=["position", "closure"]) == 1
    assert store.pruning.events_by_id(["e11", "e99"]) == 1
    assert store.events("", "closure") == []


@pytest.mark.parametrize("how", ["done", "expired"])
def test_settled_notices_go_with_plans_except_each_trips_newest(
    how: str, store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    for n in range(4):
        text = [make_notice(f"said {n}", plan_id=f"plan-{n}")]
        store.record_plan(f"plan-{n}", "trip-1", noon + n * DAY, "{}", text, HOOK)
        settle(store, noon + n * DAY, how)
    assert store.pruning.notices(noon + 99 * DAY) == 0  # no confirmed clock has found them yet
    for seen_at in (noon, noon + 3 * DAY):  # the first counts
        store.pruning.see_notices(seen_at)
    assert store.pruning.notices(noon) == 0
    assert store.pruning.plans(noon + 9 * DAY) == 0  # each is what a kept notice was said from, or the newest
    assert store.pruning.notices(noon + 2 * DAY) == 4  # all were found at noon
    assert store.notices("trip-1") == []
    assert store.pruning.plans(noon + 2 * DAY) == 2
    assert store.pruning.plans(noon + 99 * DAY) == 1
    latest = store.latest_plan("trip-1")
    assert latest is not None
    assert latest.id == "plan-3"


def test_what_waits_or_is_parked_keeps_its_notice_plan_and_trip(
    store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    waits = make_notice("waits", plan_id="plan-1", life_h=24 * 90)
    store.record_plan("plan-1", "trip-1", noon, "{}", [waits], HOOK)
    settle(store, noon, "parked")
    store.pruning.see_notices(noon)
    store.record_plan("plan-2", "trip-1", noon + DAY, "{}", [], {})
    assert store.pruning.notices(noon + 80 * DAY) + store.pruning.plans(noon + 80 * DAY) == 0
    assert store.pruning.trips(["trip-1", "trip-2", "no such trip"]) == 1  # trip-2, of which nothing is left
    [hook, spool] = store.outbox.list_dead_letters()
    assert store.outbox.retry_now([hook.id, spool.id], noon + 80 * DAY) == 2
    [to_hook, _] = store.outbox.claim_due(noon + 80 * DAY, 9, 60, "me")
    assert to_hook.body == waits.body.encode()
    store.outbox.mark_done(to_hook.id, noon)
    assert store.pruning.notices(noon + 99 * DAY) == 0  # one target is still to get it
    store.outbox.mark_parked(spool.id, noon, "given up")
    assert store.pruning.notices(noon + 89 * DAY) == 0
    assert store.pruning.notices(noon + 91 * DAY) == 1  # of no use to anybody since day 90
    assert store.pruning.plans(noon + 91 * DAY) == 1


def test_a_trip_goes_last_with_its_last_plan(store: Store, noon: datetime) -> None:
    for n in range(5):
        store.put_trip(StoredTrip(id=f"old-{n}", body="{}", created_at=noon))
        store.record_plan(f"plan-{n}", f"old-{n}", noon, "{}", [], {})
    store.put_event(event(1, "chains_on", noon, "old-4"))
    assert store.pruning.trips([f"old-{n}" for n in range(5)]) == 4
    assert [t.id for t in store.trips()] == ["old-4", "trip-1", "trip-2"]
    store.pruning.events(noon + DAY)
    assert store.pruning.trips(["old-4"]) == 1
    assert store.latest_plan("old-4") is None


def test_slots_settled_and_answers_go_by_their_age(
    store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    slot = Slot(kind="brief", fleet="north", local_date="2026-01-05")
    store.record_notices([make_notice("brief", trip_id="")], {}, noon, slot=slot)
    for key in ("done", "waits"):
        store.due.put("poll", key, noon)
    store.due.settle(store.due.claim(noon, 1, 60, "me")[0], "ran")
    store.answers.put(StoredAnswer(route="r", key="k", request_hash="", status=200, body="", created_at=noon))
    assert (store.pruning.slots(noon), store.pruning.answers(noon)) == (0, 0)
    assert store.pruning.slots(noon + DAY) == 2
    assert [d.key for d in store.due.waiting("poll")] == ["waits"]
    assert not store.slot_filled(slot)
    assert store.pruning.answers(noon + DAY) == 1


def test_old_plans_are_thinned_to_the_newest_of_each_span(
    store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    hour = timedelta(hours=1)
    said = {8: (make_notice("said", plan_id="plan-08"),)}
    hours = range(30)  # from noon until 17:00 of the next day
    made = [
        PlanRecord(id=f"plan-{n:02}", trip_id="trip-1", made_at=noon + n * hour, kept="{}", notices=said.get(n, ()))
        for n in hours
    ]
    store.record_plans(made, HOOK)
    whole = [f"plan-{n:02}" for n in range(24, 30)]
    now, rule = noon + 28 * hour, Thinning(every=6 * hour, moments=[("trip-1", noon + 13.5 * hour)])
    # The spans of six hours end at 18:00, 24:00, 06:00 and 12:00; the last one is not over at 16:00.
    assert store.pruning.thin_plans(noon, now, now, rule).removed_n == 24 - 4 - 1
    left = ["plan-05", "plan-08", "plan-13", "plan-17", "plan-23", *whole]
    assert [row[0] for row in store.plans_made(noon, noon + 99 * hour)] == left
    assert store.pruning.thin_plans(noon, now, now, rule).removed_n == 0
    assert store.latest_plan("trip-1").id == "plan-29"  # type: ignore[union-attr]
    gone = store.pruning.thinned_plan("plan-11")
    assert gone is not None
    assert (gone.trip_id, gone.made_at, gone.thinned_at) == ("trip-1", noon + 11 * hour, now)
    assert store.pruning.thinned_plan("plan-08") is None
    assert store.pruning.thinned_plans(noon + 99 * hour) == 24 - 4 - 1


def test_an_empty_store_has_nothing_to_thin(store: Store, noon: datetime) -> None:
    rule = Thinning(every=timedelta(hours=6))
    assert store.pruning.thin_plans(noon - timedelta(days=14), noon, noon, rule).removed_n == 0

"""Events have numbers in the order of their commits; attempts and deletions are recorded beside them."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from alertd.notices.model import Audience, Notice
from alertd.store.log.event_log import EventFilter
from alertd.store.store import Store

HOOK = {Audience.FLEET: ["hook"]}
Make = Callable[..., Notice]


def typed(notice: Notice, type_: str, **data: object) -> Notice:
    return replace(notice, body=json.dumps({"type": type_, "data": data}, separators=(",", ":")))


def fill(store: Store, noon: datetime, make_notice: Make, n: int) -> list[str]:
    made = [typed(make_notice(f"said {i}"), "trip.plan" if i % 2 else "trip.message") for i in range(n)]
    return list(store.record_notices(made, HOOK, noon))


def test_a_reader_pages_through_all_events_once(store: Store, noon: datetime, make_notice: Make) -> None:
    ids = fill(store, noon, make_notice, 5)
    seen, after, more = [], 0, True
    while more:
        page = store.event_log.page(after, 2)
        seen += [e.notice.id for e in page.events]
        after, more = page.next_after, page.more
    assert seen == ids
    assert store.event_log.page(after, 2).events == ()
    assert not page.missed


def test_a_repeated_notice_gets_no_second_number(store: Store, noon: datetime, make_notice: Make) -> None:
    fill(store, noon, make_notice, 2)
    fill(store, noon, make_notice, 3)
    assert len(store.event_log.page(0, 9).events) == 3


def test_filters_continue_past_events_they_leave_out(store: Store, noon: datetime, make_notice: Make) -> None:
    fill(store, noon, make_notice, 5)
    plans = store.event_log.page(0, 9, EventFilter(types=["trip.plan"]))
    assert [e.type for e in plans.events] == ["trip.plan", "trip.plan"]
    assert plans.next_after == plans.newest == store.event_log.newest()
    assert store.event_log.page(0, 9, EventFilter(audience=Audience.DRIVER)).events == ()
    assert store.event_log.page(0, 9, EventFilter(trip_id="trip-2")).events == ()


def test_a_message_for_the_digest_alone_is_no_event(store: Store, noon: datetime, make_notice: Make) -> None:
    store.record_notices([typed(make_notice("later"), "trip.message", digest=True)], HOOK, noon)
    assert store.event_log.page(0, 9).events == ()


def test_each_attempt_is_kept_with_its_time_and_outcome(store: Store, noon: datetime, make_notice: Make) -> None:
    (id_,) = fill(store, noon, make_notice, 1)
    (row,) = store.outbox.claim_due(noon, 9, 60, "me")
    minute = timedelta(minutes=1)
    store.outbox.mark_retry(row.id, noon, noon + minute, "answered 500")
    store.outbox.mark_all_done({row.id: noon + minute})
    assert store.outbox.redeliver([row.id], noon + 2 * minute) == 1
    (again,) = store.outbox.claim_due(noon + 2 * minute, 9, 60, "me")
    assert (again.body, again.notice_id) == (row.body, id_)
    store.outbox.mark_parked(again.id, noon + 3 * minute, "answered 410")
    store.outbox.mark_parked(again.id, noon + 4 * minute, "a late answer of another attempt")
    found = store.attempts.of_notice(id_)[row.id]
    assert [(a.at - noon, a.outcome, a.note) for a in found] == [
        (0 * minute, "failed", "answered 500"),
        (minute, "done", ""),
        (2 * minute, "requeued", ""),
        (3 * minute, "parked", "answered 410"),
    ]


def test_retention_deletes_events_and_says_what_is_missed(store: Store, noon: datetime, make_notice: Make) -> None:
    fill(store, noon, make_notice, 3)
    for row in store.outbox.claim_due(noon, 9, 60, "me"):
        store.outbox.mark_done(row.id, noon)
    for row in store.outbox.claim_due(noon, 9, 60, "me"):
        store.outbox.mark_done(row.id, noon)
    for row in store.outbox.claim_due(noon, 9, 60, "me"):
        store.outbox.mark_done(row.id, noon)
    store.pruning.see_notices(noon)
    assert store.pruning.notices(noon + timedelta(days=1)) == 3
    page = store.event_log.page(1, 9)
    assert (page.events, page.missed) == ((), True)
    assert page.next_after == 3
    assert not store.event_log.page(3, 9).missed
    store.record_notices([typed(make_notice("news"), "trip.plan")], HOOK, noon)
    assert [e.seq for e in store.event_log.page(3, 9).events] == [4]

"""Claims: each delivery to one owner at a time, in order within a trip and target."""

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.notices.model import Audience, Notice
from alertd.store.outbox import OVERTAKEN
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.store.url import PostgresUrl
from alertd.store.work.claims import FRONT_ROWS

FLEET = {Audience.FLEET: ["hook"]}
_EXAMPLES = itertools.count()


@pytest.fixture
def say(store: Store, noon: datetime, make_notice: Callable[..., Notice]) -> Callable[..., Notice]:
    def one(text: str, *, at: datetime = noon, targets: list[str] | None = None, **kwargs: object) -> Notice:
        notice = make_notice(text, **kwargs)
        store.record_notices([notice], {Audience.FLEET: targets or ["hook"]}, at)
        return notice

    return one


def _ids(claimed: list) -> list[str]:
    return [outgoing.notice_id for outgoing in claimed]


def test_the_next_notice_of_a_trip_waits_for_the_one_before(store: Store, noon: datetime, say) -> None:
    first, second, other = say("first"), say("second"), say("other", trip_id="trip-2")
    claimed = store.outbox.claim_due(noon, 10, 60, "me")
    assert _ids(claimed) == [first.id, other.id]
    assert store.outbox.claim_due(noon, 10, 60, "me") == []
    store.outbox.mark_done(claimed[0].id, noon)
    assert _ids(store.outbox.claim_due(noon, 10, 60, "me")) == [second.id]


def test_order_is_kept_for_each_target_by_itself(store: Store, noon: datetime, say) -> None:
    say("first", targets=["a", "b"])
    second = say("second", targets=["a", "b"])
    to_a = store.outbox.claim_due(noon, 10, 60, "me", target="a")
    store.outbox.mark_done(to_a[0].id, noon)
    claimed = store.outbox.claim_due(noon, 10, 60, "me")
    assert [(row.notice_id == second.id, row.target) for row in claimed] == [(False, "b"), (True, "a")]


def test_a_parked_notice_no_longer_holds_back_the_next(store: Store, noon: datetime, say) -> None:
    say("first")
    second = say("second")
    [first] = store.outbox.claim_due(noon, 10, 60, "me")
    store.outbox.mark_parked(first.id, noon, "given up")
    assert _ids(store.outbox.claim_due(noon, 10, 60, "me")) == [second.id]


def test_expired_notice_in_a_long_pause_does_not_block_the_next(store: Store, noon: datetime, say) -> None:
    say("first", life_h=1)
    [first] = store.outbox.claim_due(noon, 10, 60, "me")
    later = noon + timedelta(hours=2)
    say("second", at=noon)
    store.outbox.mark_retry(first.id, noon, noon + timedelta(hours=5), "500")
    assert [row.text for row in store.outbox.claim_due(later, 10, 60, "me")] == ["second", "first"]


def test_newer_news_ends_the_pause_of_what_it_stands_behind(store: Store, noon: datetime, say) -> None:
    say("first")
    [first] = store.outbox.claim_due(noon, 10, 60, "me")
    store.outbox.mark_retry(first.id, noon, noon + timedelta(hours=2), "500")
    soon = noon + timedelta(minutes=1)
    assert store.outbox.claim_due(soon, 10, 60, "me") == []
    say("second", at=soon)
    assert [row.text for row in store.outbox.claim_due(soon, 10, 60, "me")] == ["first"]


def test_a_claim_ends_with_its_lease(store: Store, noon: datetime, say) -> None:
    notice = say("first")
    assert [row.attempt for row in store.outbox.claim_due(noon, 1, 60, "dead")] == [1]
    assert store.outbox.claim_due(noon + timedelta(seconds=59), 1, 60, "heir") == []
    [again] = store.outbox.claim_due(noon + timedelta(seconds=60), 1, 60, "heir")
    assert (again.notice_id, again.attempt, again.body) == (notice.id, 2, notice.body.encode())


def test_the_next_daemon_frees_what_a_dead_one_held(store: Store, noon: datetime, say) -> None:
    say("first")
    store.outbox.claim_due(noon, 1, 3600, "dead")
    assert store.outbox.release_claims() == 1
    assert len(store.outbox.claim_due(noon, 1, 60, "heir")) == 1


def test_a_late_verdict_does_not_undo_a_delivery(store: Store, noon: datetime, say) -> None:
    notice = say("first")
    [claimed] = store.outbox.claim_due(noon, 1, 60, "me")
    store.outbox.mark_done(claimed.id, noon)
    store.outbox.mark_retry(claimed.id, noon, noon, "late")
    store.outbox.mark_parked(claimed.id, noon, "late")
    store.outbox.mark_expired(claimed.id, noon, "late")
    assert [row.state for row in store.outbox.of_notice(notice.id)] == ["done"]


def test_parked_ones_are_listed_and_can_be_put_back(store: Store, noon: datetime, say) -> None:
    say("first")
    [claimed] = store.outbox.claim_due(noon, 1, 60, "me")
    store.outbox.mark_parked(claimed.id, noon, "410")
    [parked] = store.outbox.list_dead_letters()
    assert (parked.id, parked.note, parked.attempts, parked.settled_at) == (claimed.id, "410", 1, noon)
    assert store.outbox.retry_now([parked.id], noon) == 1
    assert store.outbox.retry_now([parked.id], noon) == 0
    assert [row.attempt for row in store.outbox.claim_due(noon, 1, 60, "me")] == [1]


def test_parked_ones_of_a_target_and_time_are_put_back_together(store: Store, noon: datetime, say) -> None:
    say("a", trip_id="", targets=["hook", "other"])
    later = store.outbox.claim_due(noon, 10, 60, "me")
    for row in later:
        store.outbox.mark_parked(row.id, noon, "410")
    assert store.outbox.list_dead_letters(since=noon + timedelta(seconds=1)) == []
    assert store.outbox.list_dead_letters(until=noon) == []
    assert [row.target for row in store.outbox.list_dead_letters(since=noon)] == ["hook", "other"]
    others = store.outbox.list_dead_letters(target="other", since=noon)
    assert store.outbox.retry_now([row.id for row in others], noon) == 1
    assert store.outbox.due_channels(noon) == ("other",)
    assert [row.target for row in store.outbox.list_dead_letters()] == ["hook"]


def test_health_counts_states_and_the_age_of_the_oldest(store: Store, noon: datetime, say) -> None:
    for text in ("done", "parked", "expired", "waits"):
        say(text, trip_id="")
    rows = {row.text: row for row in store.outbox.claim_due(noon, 10, 60, "me")}
    store.outbox.mark_done(rows["done"].id, noon)
    store.outbox.mark_parked(rows["parked"].id, noon, "x")
    store.outbox.mark_expired(rows["expired"].id, noon, "x")
    health = store.outbox.health(noon + timedelta(minutes=2))
    assert (health.waiting_n, health.parked_n, health.expired_n, health.done_n) == (1, 1, 1, 1)
    assert health.oldest_waiting_age_s == 120.0


def test_waking_a_target_makes_all_of_it_due(store: Store, noon: datetime, say) -> None:
    say("a", trip_id="")
    say("b", trip_id="", targets=["other"])
    for row in store.outbox.claim_due(noon, 10, 60, "me"):
        store.outbox.mark_retry(row.id, noon, noon + timedelta(hours=1), "500")
    assert store.outbox.make_due_now("hook", noon) == 1
    assert store.outbox.due_channels(noon) == ("hook",)


def test_workers_at_the_same_time_never_claim_the_same_row(store: Store, noon: datetime, say) -> None:
    for number in range(60):
        say(f"notice {number}", trip_id="")

    def work(name: str) -> list[int]:
        taken: list[int] = []
        while claimed := store.outbox.claim_due(noon, 3, 60, name):
            taken += [row.id for row in claimed]
        return taken

    with ThreadPoolExecutor(4) as pool:
        taken = [row_id for ids in pool.map(work, "abcd") for row_id in ids]
    assert sorted(taken) == sorted(set(taken))
    assert len(taken) == 60


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.sampled_from(["say", "done", "retry", "park", "tick"]), min_size=5, max_size=25))
def test_done_notices_of_a_trip_are_in_the_order_of_decision(store: Store, make_notice, noon, steps) -> None:
    """Property: whatever happens to the tries, ids are settled in rising order within a trip and target."""
    trip = f"trip of example {next(_EXAMPLES)}"
    store.put_trip(StoredTrip(id=trip, body="{}", created_at=noon))
    now, settled, sent_n = noon, [], 0
    for step in [*steps, *["tick", "done"] * len(steps)]:
        now += timedelta(minutes=6) if step == "tick" else timedelta(0)
        if step == "say":
            sent_n += 1
            store.record_notices([make_notice(f"{sent_n}", trip_id=trip, life_h=1000)], FLEET, now)
            continue
        if step == "tick":
            continue
        for row in store.outbox.claim_due(now, 5, 60, "me"):
            if step == "done":
                store.outbox.mark_done(row.id, now)
                settled.append(row.id)
            elif step == "retry":
                store.outbox.mark_retry(row.id, now, now + timedelta(minutes=5), "x")
            else:
                store.outbox.mark_parked(row.id, now, "x")
                settled.append(row.id)
    assert settled == sorted(settled)
    assert len(settled) == sent_n


def test_parallel_claims_keep_each_targets_order_and_count(store: Store, noon: datetime, say) -> None:
    first = say("first", targets=["a", "b"])
    say("second", targets=["a", "b"])
    others = [say(f"other {n}", targets=["a"], trip_id="") for n in range(3)]
    claimed = store.outbox.claim_many(noon, {"a": 2, "b": 9, "c": 1}, 60, "me")
    assert {target: _ids(rows) for target, rows in claimed.items()} == {"a": [first.id, others[0].id], "b": [first.id]}
    assert [row.attempt for row in claimed["a"]] == [1, 1]
    again = store.outbox.claim_many(noon, {"a": 9, "b": 9}, 60, "me")
    assert {target: _ids(rows) for target, rows in again.items()} == {"a": [others[1].id, others[2].id]}
    assert store.outbox.claim_many(noon, {}, 60, "me") == {}


def test_many_marked_at_once_are_done_each_at_its_time(store: Store, noon: datetime, say) -> None:
    sent = [say(f"{n}", trip_id="") for n in range(3)]
    claimed = store.outbox.claim_many(noon, {"hook": 9}, 60, "me")["hook"]
    at = {row.id: noon + timedelta(seconds=row.id) for row in claimed}
    store.outbox.mark_all_done(at)
    rows = [row for notice in sent for row in store.outbox.of_notice(notice.id)]
    assert [(row.state, row.settled_at) for row in rows] == [("done", at[row.id]) for row in rows]


def test_each_target_is_counted_by_state_with_its_newest_success(store: Store, noon: datetime, say) -> None:
    for n in range(6):
        say(f"{n}", trip_id="", at=noon - timedelta(minutes=n))
    say("elsewhere", trip_id="", targets=["other"])
    done, parked, expired, *_ = store.outbox.claim_many(noon, {"hook": 4}, 60, "me")["hook"]
    store.outbox.mark_all_done({done.id: noon + timedelta(seconds=9)})
    store.outbox.mark_parked(parked.id, noon, "given up")
    store.outbox.mark_expired(expired.id, noon, "too late")
    hook, other = store.outbox.counts_by_channel()
    assert (hook.target, hook.waiting_n, hook.parked_n, hook.expired_n, hook.done_n) == ("hook", 3, 1, 1, 1)
    assert hook.last_done_at == noon + timedelta(seconds=9)
    assert (other.target, other.waiting_n, other.last_done_at) == ("other", 1, None)
    assert hook.oldest_waiting_at is not None
    assert store.outbox.waiting_channels() == {"hook", "other"}
    assert [row.note for row in store.outbox.list_expired(5)] == ["too late"]


def test_pauses_longer_than_any_pause_end(store: Store, noon: datetime, say) -> None:
    say("far", at=noon + timedelta(days=30))
    say("near", at=noon + timedelta(hours=20), trip_id="trip-2")
    assert store.outbox.wake_future(noon, timedelta(days=2)) == 1
    assert store.outbox.wake_future(noon, timedelta(days=2)) == 0
    assert [o.text for o in store.outbox.claim_due(noon, 9, 60, "me")] == ["far"]


def test_expired_ones_are_left_while_the_clock_is_in_doubt(store: Store, noon: datetime, say) -> None:
    say("short", life_h=1)
    say("long", life_h=9, trip_id="trip-2")
    later = noon + timedelta(hours=2)
    claimed = store.outbox.claim_many(later, {"hook": 9}, 60, "me", expired_too=False)
    assert [o.text for o in claimed["hook"]] == ["long"]
    assert [o.text for o in store.outbox.claim_many(later, {"hook": 9}, 60, "me")["hook"]] == ["short"]


def test_what_a_doubted_clock_overtakes_is_parked(store: Store, noon: datetime, say) -> None:
    older, newer, other = say("older"), say("newer"), say("other", trip_id="")
    later = noon + timedelta(hours=13)  # when all of them look expired
    first, apart = store.outbox.claim_many(noon, {"hook": 9}, 60, "me")["hook"]
    store.outbox.mark_retry(first.id, noon, later, "answers 503")
    (last,) = store.outbox.of_notice(newer.id)
    store.outbox.mark_all_done({last.id: later, apart.id: later}, (), True)
    states = {n.id: [(d.state, d.note) for d in store.outbox.of_notice(n.id)] for n in (older, newer, other)}
    assert states == {older.id: [("parked", OVERTAKEN)], newer.id: [("done", "")], other.id: [("done", "")]}
    assert store.outbox.superseded([first.id]) == {first.id}
    assert store.outbox.retry_now([first.id], later)  # a person may still have it sent


def test_what_waits_behind_a_long_line_of_one_trip_is_claimed(store: Store, noon: datetime, make_notice) -> None:
    """The line of trip-1 is longer than the front that is searched first; its oldest notice is in work."""
    for trip_id, number in (("trip-1", FRONT_ROWS + 5), ("trip-2", 2)):
        notices = [make_notice(f"{trip_id} {n:03}", trip_id=trip_id) for n in range(number)]
        store.record_notices(notices, {Audience.FLEET: ["hook", "mail"]}, noon)
    first = store.outbox.claim_many(noon, {"hook": 1}, 60, "me")["hook"]
    assert [one.text for one in first] == ["trip-1 000"]
    behind = store.outbox.claim_many(noon, {"hook": 3, "mail": 1}, 60, "me")
    assert {name: [one.text for one in found] for name, found in behind.items()} == {
        "hook": ["trip-2 000"],
        "mail": ["trip-1 000"],
    }
    store.outbox.mark_all_done({one.id: noon for one in (*first, *behind["hook"])})
    rest = store.outbox.claim_many(noon, {"hook": 3}, 60, "me")["hook"]
    assert [one.text for one in rest] == ["trip-1 001", "trip-2 001"]


def test_a_claim_joins_no_two_lists_of_all_that_waits(store: Store, noon: datetime) -> None:
    """Before a burst a server's statistics show that nothing waits: a join of 4,000 with 4,000 took 17 s."""
    if not isinstance(store.place, PostgresUrl):
        pytest.skip("SQLite searches for the older one of each delivery by index")
    bound = {"now_utc": noon, "targets": ["hook"], "at_most": 4}
    with store._database.read() as connection:
        for query in store.outbox._all_claimable:
            made = query.compile(connection.engine).construct_expanded_state(bound)
            lines = connection.exec_driver_sql(f"EXPLAIN {made.statement}", made.parameters).scalars().all()
            assert any("deliveries_thread on deliveries older" in line for line in lines), lines
            assert not any("Anti Join" in line for line in lines), lines

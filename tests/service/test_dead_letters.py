"""Given up on, but not lost: listed, sent again, reopened, and told to the office over another way out."""

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from jsonschema import Draft202012Validator

from alertd.delivery.circuit_breaker import Alarm
from alertd.errors import InputError
from alertd.notices.channel_state import ChannelState
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.service.channel_alarms import notify_channel_alarms
from alertd.service.dead_letters import list_dead_letters, reopen, resend_after_outage, resend_ids, resend_where
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import at_hour

NOON = at_hour(12)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "alertd.sqlite") as opened:
        opened.put_trip(StoredTrip(id="trip-1", body="{}", created_at=NOON))
        yield opened


@pytest.fixture
def park(store: Store) -> Callable[..., int]:
    """Record a notice and park it; returns its delivery's id."""

    def one(
        text: str, why: str = "hook: answered 410", *, to: str = "hook", life_h: float = 12, done: bool = False
    ) -> int:
        notice = Notice(
            id=notice_id(NoticeKind.WORSE, Audience.FLEET, text),
            kind=NoticeKind.WORSE,
            audience=Audience.FLEET,
            trip_id="trip-1",
            plan_id="",
            created_at=NOON,
            expires_at=NOON + timedelta(hours=life_h),
            text=text,
            body="{}",
        )
        store.record_notices([notice], {Audience.FLEET: [to]}, NOON)
        [row] = store.outbox.of_notice(notice.id)
        if done:
            store.outbox.mark_done(row.id, NOON)
        else:
            store.outbox.mark_parked(row.id, NOON, why)
        return row.id

    return one


def _states(store: Store, ids: list[int]) -> list[str]:
    waiting = {row.id for rows in store.outbox.claim_many(NOON, {"hook": 9}, 60, "me").values() for row in rows}
    parked = {row.id for row in store.outbox.list_dead_letters()}
    return ["waiting" if one in waiting else "parked" if one in parked else "else" for one in ids]


def test_the_list_says_what_may_be_sent_again(store: Store, park) -> None:
    usable, stale, newer = park("one"), park("two", life_h=1), park("three", to="other")
    rows = {row.delivery.id: row for row in list_dead_letters(store, NOON + timedelta(hours=2))}
    assert [(rows[i].usable, rows[i].superseded) for i in (usable, stale, newer)] == [
        (True, False),
        (False, False),
        (True, False),
    ]


def test_superseded_notice_is_left_unless_a_person_names_it(store: Store, park) -> None:
    old = park("carry chains")
    park("plan to chain", done=True)
    done = resend_where(store, NOON)
    assert (done.requeued, done.superseded) == ((), (old,))
    assert [row.superseded for row in list_dead_letters(store, NOON)] == [True]
    assert resend_ids(store, [old], NOON).requeued == (old,)
    assert _states(store, [old]) == ["waiting"]


def test_resend_by_target_and_by_time(store: Store, park) -> None:
    hook, other = park("one"), park("two", to="other")
    assert resend_where(store, NOON, target="other").requeued == (other,)
    assert resend_where(store, NOON, since=NOON + timedelta(seconds=1)).requeued == ()
    assert resend_where(store, NOON, since=NOON).requeued == (hook,)


def test_what_is_of_no_more_use_is_never_sent_again(store: Store, park) -> None:
    stale = park("one", life_h=1)
    assert resend_ids(store, [stale], NOON + timedelta(hours=2)).expired == (stale,)
    assert _states(store, [stale]) == ["parked"]


def test_a_number_that_is_not_parked_is_a_mistake(store: Store, park) -> None:
    with pytest.raises(InputError, match="77: is not parked"):
        resend_ids(store, [park("one"), 77], NOON)


def test_recovered_target_gets_only_what_was_parked_for_it(store: Store, park) -> None:
    refused = park("one", "hook: answered 422, 4 times, while the target takes others")
    tired = park("two", "tried for a day, 60 times; the last: hook: ConnectError")
    assert resend_after_outage(store, "hook", NOON).requeued == (tired,)
    assert _states(store, [refused, tired]) == ["parked", "waiting"]


def test_a_person_reopens_a_disabled_channel_by_its_name(store: Store) -> None:
    store.channels.keep(ChannelState(target="hook", state="disabled", since=NOON, why="nothing but failures"))
    later = NOON + timedelta(days=6)
    assert reopen(store, "hook", ["hook"], later)
    assert not reopen(store, "hook", ["hook"], later)
    assert store.channels.by_name()["hook"].state == "up"
    with pytest.raises(InputError, match="no channel of the settings"):
        reopen(store, "hock", ["hook"], later)


TARGETS = {Audience.DRIVER: ("texts",), Audience.DISPATCHER: ("office", "hook"), Audience.FLEET: ("hook",)}


def _summary(store: Store, ids: tuple[str, ...]) -> dict[str, list[str]]:
    return {one: [row.target for row in store.outbox.of_notice(one)] for one in ids}


def test_the_office_hears_of_a_failing_way_out_over_another(store: Store) -> None:
    settings = SimpleNamespace(targets=TARGETS)
    alarms = [Alarm(target="hook", kind="failing", text="target hook: 3 tries failed; the last: answered 500")]
    ids = notify_channel_alarms(store, settings, alarms, NOON)
    assert list(_summary(store, ids).values()) == [["office"]]
    assert notify_channel_alarms(store, settings, alarms, NOON + timedelta(minutes=20)) == ()  # once an hour
    assert len(notify_channel_alarms(store, settings, alarms, NOON + timedelta(hours=1))) == 1
    driver = [
        Alarm(target="texts", kind="parked", text="notice ntc_1 to texts is parked: answered 550", trip_id=trip)
        for trip in ("T-2", "T-1", "T-2")
    ]
    [one] = notify_channel_alarms(store, settings, driver, NOON)
    assert _summary(store, (one,)) == {one: ["office", "hook"]}
    [row] = [r for r in store.outbox.claim_many(NOON, {"office": 9}, 60, "me")["office"] if r.notice_id == one]
    assert "So it is with 3 notices. Trips: T-1, T-2." in row.text
    assert "alertd parked" in row.text
    other = [Alarm(target="texts", kind="parked", text="notice ntc_9 to texts is parked", trip_id="T-3")]
    assert len(notify_channel_alarms(store, settings, other, NOON)) == 1  # another trip is news within the hour


def test_office_with_one_way_only_alerts_the_fleets_systems(store: Store) -> None:
    alarm = [Alarm(target="office", kind="disabled", text="target office: is disabled")]
    only = SimpleNamespace(targets={**TARGETS, Audience.DISPATCHER: ("office",)})
    ids = notify_channel_alarms(store, only, alarm, NOON)
    assert list(_summary(store, ids).values()) == [["hook"]]
    nobody = SimpleNamespace(targets={audience: ("office",) for audience in Audience})
    assert notify_channel_alarms(store, nobody, alarm, NOON) == ()


def test_a_body_of_such_a_notice_is_of_the_published_form(store: Store) -> None:
    schema = strict_event_schema()
    alarms = [Alarm(target="texts", kind="fault", text="x")]
    notify_channel_alarms(store, SimpleNamespace(targets=TARGETS), alarms, NOON)
    [row] = store.outbox.claim_many(NOON, {"office": 9}, 60, "me")["office"]
    Draft202012Validator(schema).validate(json.loads(row.body))


async def test_health_shows_the_kept_failures(open_client) -> None:
    client = await open_client()
    name = client.settings.channel_names[0]
    failing = ChannelState(target=name, state="failing", since=client.clock(), why="answered 500", failures=4)
    client.store.channels.keep(failing)
    (shown,) = [c for c in (await client.get("/v1/health")).json()["channels"] if c["target"] == name]
    assert (shown["failures_in_a_row"], shown["failing_s"], shown["problem"]) == (4, 0.0, "answered 500")

"""A system that was down fetches what it missed, and asks for an event again."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any, get_args

import pytest

from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.service.tokens import new_token
from alertd.settings.shipped import event_schema
from alertd.store.rows import StoredTrip
from alertd.web.api import event_log

Open = Callable[..., Any]


def put(client: Any, n: int, *, life: timedelta = timedelta(hours=12), targets: tuple[str, ...] = ("tms",)) -> Notice:
    now = client.clock()
    client.store.put_trip(StoredTrip(id="T-1", body="{}", created_at=now))
    body = {"type": "trip.message", "data": {"notice_id": f"ntc_{n}", "text": f"text {n} – ñ"}}
    notice = Notice(
        id=f"ntc_{n}",
        kind=NoticeKind.PLAN,
        audience=Audience.FLEET,
        trip_id="T-1",
        plan_id="",
        created_at=now,
        expires_at=now + life,
        text=f"text {n}",
        body=json.dumps(body, ensure_ascii=False, separators=(",", ":")),
    )
    client.store.record_notices([notice], {Audience.FLEET: targets}, now)
    return notice


@pytest.fixture
def only_webhook(make_settings: Callable[..., Any]) -> str:
    (name,) = (c.name for c in make_settings().channels if c.spec.section == "webhook")
    return str(name)


async def test_pages_carry_the_bodies_byte_for_byte(open_client: Open) -> None:
    client = await open_client()
    sent = [put(client, n) for n in range(3)]
    first = await client.get("/v1/events", params={"limit": 2})
    assert first.json()["more"]
    for notice in sent[:2]:
        assert f'"body":{notice.body}}}'.encode() in first.content
    rest = (await client.get("/v1/events", params={"after": first.json()["next_after"]})).json()
    assert [e["id"] for e in rest["events"]] == ["ntc_2"]
    assert (rest["more"], rest["missed"], rest["next_after"]) == (False, False, rest["newest"])
    assert rest["events"][0]["expires_at"] == "2027-01-14T22:30:00Z"


async def test_filters_and_a_number_of_another_store(open_client: Open) -> None:
    client = await open_client()
    put(client, 1)
    none = await client.get("/v1/events", params=[("type", "trip.plan"), ("type", "fleet.brief")])
    assert none.json()["events"] == []
    assert (await client.get("/v1/events", params={"audience": "driver"})).json()["events"] == []
    assert len((await client.get("/v1/events", params={"trip_id": "T-1"})).json()["events"]) == 1
    ahead = await client.get("/v1/events", params={"after": 99})
    assert (ahead.status_code, ahead.json()["field"]) == (422, "after")
    assert "begin again with after=0" in ahead.json()["mend"]


async def test_stream_continues_from_the_last_event_id(open_client: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames after the HTML Living Standard, section 9.2.6: id, event and data, one blank line after each."""
    monkeypatch.setattr(event_log, "STREAM_POLLS", 2)
    monkeypatch.setattr(event_log, "POLL_EVERY_S", 0.0)
    client = await open_client()
    for n in range(3):
        put(client, n)
    headers = {"accept": "text/event-stream", "last-event-id": "1"}
    answer = await client.get("/v1/events", headers=headers)
    assert answer.headers["content-type"].startswith("text/event-stream")
    frames = [dict(line.split(": ", 1) for line in f.split("\n")) for f in answer.text.split("\n\n") if f[:3] == "id:"]
    assert [(f["id"], f["event"]) for f in frames] == [("2", "trip.message"), ("3", "trip.message")]
    assert json.loads(frames[0]["data"])["body"]["data"]["text"] == "text 1 – ñ"
    wrong = await client.get("/v1/events", headers={**headers, "last-event-id": "x"})
    assert (wrong.status_code, wrong.json()["field"]) == (422, "Last-Event-ID")


async def test_an_event_shows_each_attempt(open_client: Open) -> None:
    client = await open_client()
    put(client, 1)
    now = client.clock()
    (row,) = client.store.outbox.claim_due(now, 9, 60, "me")
    client.store.outbox.mark_retry(row.id, now, now, "answered 500: down for repairs")
    client.store.outbox.mark_done(row.id, now)
    (delivery,) = (await client.get("/v1/events/ntc_1")).json()["deliveries"]
    assert [(a["outcome"], a["note"]) for a in delivery["attempts"]] == [
        ("failed", "answered 500: down for repairs"),
        ("done", ""),
    ]
    assert (await client.get("/v1/events/ntc_9")).status_code == 404


async def test_redelivery_queues_the_same_bytes_again(open_client: Open, only_webhook: str) -> None:
    client = await open_client()
    notice = put(client, 1, targets=(only_webhook, "texts"))
    for row in client.store.outbox.claim_due(client.clock(), 9, 60, "me"):
        client.store.outbox.mark_done(row.id, client.clock())
    answer = await client.post("/v1/events/ntc_1/redeliver")
    assert (answer.status_code, answer.json()["queued"]) == (202, 1)
    again = client.store.outbox.claim_due(client.clock(), 9, 60, "me")
    assert [(row.target, row.body.decode()) for row in again] == [(only_webhook, notice.body)]
    refused = await client.post("/v1/events/ntc_1/redeliver", params={"target": "texts"})
    assert (refused.status_code, refused.json()["field"]) == (422, "target")


async def test_an_expired_event_is_not_sent_late(open_client: Open, only_webhook: str) -> None:
    client = await open_client()
    put(client, 1, life=timedelta(minutes=5), targets=(only_webhook,))
    client.clock.advance(timedelta(minutes=10))
    refused = await client.post("/v1/events/ntc_1/redeliver")
    assert (refused.status_code, refused.json()["title"]) == (409, "expired")


async def test_redelivery_needs_the_scope_admin(open_client: Open) -> None:
    client = await open_client()
    put(client, 1)
    read = new_token(client.store, "r", ["read"], client.clock(), None)[1]
    headers = {"authorization": f"Bearer {read}"}
    assert (await client.get("/v1/events/ntc_1", headers=headers)).status_code == 200
    assert (await client.post("/v1/events/ntc_1/redeliver", headers=headers)).status_code == 403


def test_every_type_of_the_schema_can_be_selected() -> None:
    named = event_schema()["$defs"].values()
    types = {d["properties"]["type"]["const"] for d in named if "format" in d.get("properties", {})}
    assert set(get_args(event_log.EventType)) == types

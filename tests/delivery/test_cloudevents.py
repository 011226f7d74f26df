"""CloudEvents 1.0.2: every event passes the strict check, and what the specification forbids does not."""

import json
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.delivery.channels.webhook import Endpoint, WebhookChannel
from alertd.delivery.cloudevents import CONTENT_TYPE, faults, source_of, wrap
from alertd.errors import DeliveryError
from alertd.testing.webhook_receiver import WebhookReceiver

BODY = '{"type":"trip.plan","format":"alertd.event/1","data":{"place":"Col de l’Iseran ❄"}}'.encode()
SOUND = {"specversion": "1.0", "id": "ntc_1", "source": "urn:alertd:fleet:x", "type": "alertd.trip.plan"}
TIMES = st.integers(1_600_000_000, 3_800_000_000).map(lambda s: datetime.fromtimestamp(s, UTC))


def test_the_event_of_a_notice_word_for_word(make_out) -> None:
    event = wrap(make_out(id=41, body=BODY), source_of("Example fleet & sons"))
    assert json.loads(event) == {
        "specversion": "1.0",
        "id": "ntc_0123456789abcdef0123456789abcdef",
        "source": "urn:alertd:fleet:Example%20fleet%20%26%20sons",
        "type": "alertd.trip.plan",
        "subject": "trip-1",
        "time": "2026-01-05T12:00:00.000Z",
        "expirytime": "2026-01-06T00:00:00.000Z",
        "sequence": "000000000041",
        "datacontenttype": "application/json",
        "dataschema": "urn:alertd:webhook-event:1",
        "data": json.loads(BODY),
    }
    assert BODY in event  # byte for byte


@settings(max_examples=10 * settings().max_examples, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    id_=st.integers(1, 999_999_999_998),
    notice_id=st.from_regex(r"ntc_[0-9a-f]{32}", fullmatch=True),
    trip_id=st.from_regex(r"[A-Za-z0-9._-]{0,64}", fullmatch=True),
    fleet=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60),
    created_at=TIMES,
    life_s=st.floats(60, 1e6),
    data=st.recursive(st.none() | st.booleans() | st.integers() | st.text(), lambda x: st.lists(x), max_leaves=5),
)
def test_every_event_passes_and_keeps_its_parts(
    make_out, id_, notice_id, trip_id, fleet, created_at, life_s, data
) -> None:
    body = json.dumps({"type": "trip.message", "data": data}).encode()
    expires_at = created_at + timedelta(seconds=life_s)
    out = make_out(
        id=id_, notice_id=notice_id, trip_id=trip_id, created_at=created_at, expires_at=expires_at, body=body
    )
    event = wrap(out, source_of(fleet))
    assert faults(event) == []
    assert wrap(make_out(**{**_fields(out), "attempt": 9}), source_of(fleet)) == event  # the same on every try
    read = json.loads(event)
    assert (read["id"], read["data"]) == (notice_id, json.loads(body))
    later = json.loads(wrap(make_out(**{**_fields(out), "id": id_ + 1}), source_of(fleet)))
    assert later["sequence"] > read["sequence"]


def _fields(out) -> dict:
    return {name: getattr(out, name) for name in type(out).__slots__}


@pytest.mark.parametrize(
    "change",
    [
        {"specversion": "9.9"},
        {"specversion": 1},
        {"id": ""},
        {"id": None},
        {"source": "has a blank"},
        {"type": "line\nbreak"},
        {"subject": "\x7f"},
        {"time": "2026-01-05T12:00:00"},
        {"time": "yesterday"},
        {"time": "2026-13-05T12:00:00Z"},
        {"expirytime": 5},
        {"dataschema": "not-absolute"},
        {"datacontenttype": "json"},
        {"tripId": "x"},
        {"trip_id": "x"},
        {"a" * 21: "x"},
        {"nested": {"a": 1}},
        {"listed": [1]},
        {"ratio": 0.5},
        {"big": 2**31},
        {"data": {}, "data_base64": "e30="},
    ],
)
def test_what_the_specification_forbids_is_found(change) -> None:
    assert faults(json.dumps({**SOUND, **change}).encode()) != []


@pytest.mark.parametrize("missing", ["specversion", "id", "source", "type"])
def test_the_four_required_attributes(missing: str) -> None:
    assert faults(json.dumps({k: v for k, v in SOUND.items() if k != missing}).encode()) == [f"{missing} is missing"]


@pytest.mark.parametrize("change", [{}, {"count": 7}, {"urgent": True}, {"data_base64": "e30="}, {"data": None}])
def test_what_it_allows_passes(change) -> None:
    assert faults(json.dumps({**SOUND, **change}).encode()) == []


@pytest.mark.parametrize("event", [b"[]", b"{", b"\xff"])
def test_what_is_no_json_object_is_found(event: bytes) -> None:
    assert len(faults(event)) == 1


def test_a_library_that_is_not_ours_reads_the_event(make_out) -> None:
    http = pytest.importorskip("cloudevents.v1.http", reason="the cloudevents library is not installed")
    read = http.from_json(wrap(make_out(id=7, body=BODY), source_of("Example")))
    assert (read["id"], read["sequence"], read.data) == (make_out().notice_id, "000000000007", json.loads(BODY))


def test_a_stored_body_without_a_type_is_not_sent(make_out) -> None:
    with pytest.raises(DeliveryError, match="names no type") as caught:
        wrap(make_out(body=b"{}"), "urn:x:y")
    assert caught.value.permanent


async def test_endpoint_can_get_a_signed_event_under_the_same_id(make_out, secret: str) -> None:
    loopback = (ip_network("127.0.0.0/8"),)
    with WebhookReceiver(secret) as receiver:
        endpoint = Endpoint(
            name="hook", url=receiver.url, secrets=(secret,), allow_networks=loopback, source="urn:x:y", token="t0ken"
        )
        async with WebhookChannel(endpoint) as channel:
            await channel.send(make_out(body=BODY), datetime.now(UTC).timestamp())
        assert receiver.refused == []
        [got] = receiver.received
    assert json.loads(got.body)["id"] == got.id
    assert CONTENT_TYPE.startswith("application/cloudevents+json")

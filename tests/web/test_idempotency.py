"""Idempotency-Key on POST, after the IETF draft draft-ietf-httpapi-idempotency-key-header."""

import asyncio
import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from alertd.service.retention import apply_retention
from alertd.service.tokens import new_token

Open = Callable[..., Any]
TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
KEY = {"idempotency-key": '"8e03978e-40d5-43dd-bc93-6894a57f9324"'}  # the draft's own example


async def test_same_request_again_gets_the_same_answer_bytes(open_client: Open) -> None:
    client = await open_client()
    first, again = [await client.post("/v1/trips", json=TRIP, headers=KEY) for _ in range(2)]
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.content == again.content
    assert again.headers["content-type"] == "application/json"
    assert (await client.post("/v1/trips", json=TRIP)).status_code == 200  # without the key it is known by its id


async def test_same_key_with_another_body_is_422_with_no_change(open_client: Open) -> None:
    client = await open_client()
    await client.post("/v1/trips", json=TRIP, headers=KEY)
    other = await client.post("/v1/trips", json=TRIP | {"id": "T-2"}, headers=KEY)
    assert (other.status_code, other.headers["content-type"]) == (422, "application/problem+json")
    assert [t.id for t in client.store.trips()] == ["T-1"]


async def test_a_request_whose_first_is_still_under_way_is_409(
    open_client: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = await open_client()
    begun, go_on = threading.Event(), threading.Event()
    real = client.store.put_trip

    def held(*args: Any, **more: Any) -> Any:
        begun.set()
        assert go_on.wait(10.0)
        return real(*args, **more)

    monkeypatch.setattr(client.store, "put_trip", held)
    first = asyncio.create_task(client.post("/v1/trips", json=TRIP, headers=KEY))
    assert await asyncio.to_thread(begun.wait, 10.0)
    assert (await client.post("/v1/trips", json=TRIP, headers=KEY)).status_code == 409
    go_on.set()
    assert (await first).status_code == 201
    assert (await client.post("/v1/trips", json=TRIP, headers=KEY)).status_code == 201


async def test_a_refusal_is_the_answer_too_and_faults_are_not(open_client: Open) -> None:
    client = await open_client()
    sent = {"at": "2027-01-14T03:20:00-07:00", "lat": 47.0, "lon": -114.5}
    first = await client.post("/v1/trips/T-1/positions", json=sent, headers=KEY)
    await client.post("/v1/trips", json=TRIP)
    again = await client.post("/v1/trips/T-1/positions", json=sent, headers=KEY)
    assert (first.status_code, again.status_code) == (404, 404)
    assert (first.content, again.headers["content-type"]) == (again.content, "application/problem+json")
    client.app.state.authenticator._store = None  # every request now meets a fault of ours
    assert (await client.post("/v1/trips", json=TRIP, headers={"idempotency-key": "b"})).status_code == 500
    client.app.state.authenticator._store = client.store
    assert (await client.post("/v1/trips", json=TRIP, headers={"idempotency-key": "b"})).status_code == 200


async def test_key_belongs_to_its_caller_and_nothing_leaks_before_auth(open_client: Open) -> None:
    client = await open_client()
    a, b = [new_token(client.store, name, ["trips"], client.clock(), None)[1] for name in "ab"]
    sent = [
        await client.post("/v1/trips", json=TRIP, headers=KEY | {"authorization": f"Bearer {token}"})
        for token in (a, b, a)
    ]
    assert [s.status_code for s in sent] == [201, 200, 201]
    assert (await client.post("/v1/trips", json=TRIP, headers=KEY)).status_code == 401


@pytest.mark.parametrize("key", ["", '""', "a b", "é".encode("latin-1"), "x" * 201, 'a"b'])
async def test_a_key_that_is_none_is_400(open_client: Open, key: str | bytes) -> None:
    client = await open_client()
    answer = await client.post("/v1/trips", json=TRIP, headers={"idempotency-key": key})
    assert (answer.status_code, client.store.trips()) == (400, [])


async def test_an_answer_is_kept_for_two_days(open_client: Open) -> None:
    client = await open_client()
    await client.post("/v1/trips", json=TRIP, headers=KEY)
    keep = client.settings.keep
    apply_retention(client.store, keep, client.clock() + timedelta(hours=48))
    assert (await client.post("/v1/trips", json=TRIP, headers=KEY)).status_code == 201
    apply_retention(client.store, keep, client.clock() + timedelta(hours=49))
    assert (await client.post("/v1/trips", json=TRIP, headers=KEY)).status_code == 200

"""What every request and answer carries, and that a body, a client or a fault of ours can cost only so much."""

import asyncio
import gzip
import logging
from collections.abc import AsyncIterator, Callable
from typing import Any

import httpx
import pytest
from starlette.types import Receive, Scope, Send

from alertd.web.middleware import LINES_PER_MIN, RequestGuardMiddleware, request_id

Open = Callable[..., Any]
JSON = {"content-type": "application/json"}
# OWASP HTTP Headers Cheat Sheet, for an interface that no page is made of.
WANTED = {
    "x-content-type-options": "nosniff",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


async def test_every_route_has_the_headers_and_refusals_are_problems(
    open_client: Open,
) -> None:
    client = await open_client()
    paths = (await client.get("/openapi.json")).json()["paths"]
    asked = [(m.upper(), p.replace("{", "").replace("}", "")) for p, methods in paths.items() for m in methods]
    asked += [("GET", "/nowhere"), ("PUT", "/v1/trips"), ("GET", "/openapi.json"), ("GET", "/v1/trips/"), ("BREW", "/")]
    for method, path in asked:
        answer = await client.request(method, path)
        assert {name: answer.headers.get(name) for name in WANTED} == WANTED, (method, path)
        assert answer.headers["x-request-id"]
        assert answer.status_code < 400 or answer.headers["content-type"] == "application/problem+json", (method, path)
        assert answer.status_code not in (301, 302, 307, 308)  # a redirect would repeat a Host that anybody may send


async def test_request_keeps_its_id_unless_it_could_harm_a_log(open_client: Open) -> None:
    client = await open_client()
    kept = await client.get("/healthz", headers={"x-request-id": "tms-1.A_b"})
    assert kept.headers["x-request-id"] == "tms-1.A_b"
    for bad in ("a b", "x" * 65, "a\tb", ""):
        made = (await client.get("/healthz", headers={"x-request-id": bad})).headers["x-request-id"]
        assert made != bad
        assert len(made) == 32


async def test_internal_error_is_500_with_the_id_in_the_log(
    open_client: Open, caplog: pytest.LogCaptureFixture
) -> None:
    client = await open_client()
    client.app.state.authenticator._store = None
    answer = await client.get("/v1/trips", headers={"x-request-id": "tms-7"})
    assert (answer.status_code, answer.headers["content-type"]) == (500, "application/problem+json")
    assert "NoneType" not in answer.text
    assert "request tms-7 failed" in caplog.text
    assert "NoneType" in caplog.text


async def test_log_names_the_route_and_caller_and_never_the_path(
    open_client: Open, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "alertd")
    client = await open_client()
    await client.get("/v1/trips/secret-17/plan", headers={"x-request-id": "one"})
    await client.get("/secret-17%0aforged", headers={"x-request-id": "two"})
    await client.get("/healthz", headers={"x-request-id": "three"})
    lines = [r.getMessage() for r in caplog.records if r.name == "alertd.web.middleware"]
    assert lines == [
        "request one: GET /v1/trips/{trip_id}/plan by open: 404",
        "request two: GET no route by nobody: 404",
    ]


async def test_a_flood_of_bad_requests_is_none_of_lines(open_client: Open, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "alertd")
    client = await open_client()
    for n in range(LINES_PER_MIN + 40):
        await client.get(f"/d/{n}")
    lines = [r.getMessage() for r in caplog.records if r.name.startswith("alertd.web.")]
    assert len(lines) == LINES_PER_MIN + 1
    assert lines[-1] == "requests refused without a line of their own: 1 answered 404"  # the others a minute later


async def test_body_is_cut_at_its_limit_for_any_stated_length(open_client: Open) -> None:
    client = await open_client()
    sent = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal sent
        while True:
            sent += 8192
            yield b" " * 8192

    for headers in (JSON, JSON | {"content-length": "10"}):
        sent = 0
        answer = await client.post("/v1/trips", content=endless(), headers=headers)
        assert (answer.status_code, answer.headers["connection"]) == (413, "close")
        assert sent <= 64 * 1024 + 2 * 8192
    announced = await client.post("/v1/trips", content=endless(), headers=JSON | {"content-length": "9" * 30})
    assert announced.status_code == 413


async def test_a_compressed_body_is_refused_unread(open_client: Open) -> None:
    client = await open_client()
    packed = gzip.compress(b" " * 10_000_000)
    assert len(packed) < 64 * 1024
    answer = await client.post("/v1/trips", content=packed, headers=JSON | {"content-encoding": "gzip"})
    assert answer.status_code == 415


async def asked_of(app: Any, **more: Any) -> httpx.Response:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://localhost") as client:
        return await client.request("POST", "/", **more)


async def test_who_sends_too_slowly_is_408_and_what_takes_too_long_503() -> None:
    async def reads(scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive()).get("more_body"):
            pass
        await asyncio.Event().wait()

    async def trickle() -> AsyncIterator[bytes]:
        while True:
            yield b"x"
            await asyncio.sleep(0.01)

    guard = RequestGuardMiddleware(reads, within_s=0.1)
    assert (await asked_of(guard, content=trickle())).status_code == 408
    assert (await asked_of(guard, content=b"whole")).status_code == 503


async def test_id_is_available_to_log_lines_during_a_request() -> None:
    seen = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        seen.append(request_id.get())
        await send({"type": "http.response.start", "status": 204, "headers": [(b"cache-control", b"max-age=9")]})
        await send({"type": "http.response.body"})

    answer = await asked_of(RequestGuardMiddleware(app), headers={"x-request-id": "tms-9"})
    assert (seen, request_id.get()) == (["tms-9"], "")
    assert answer.headers["cache-control"] == "max-age=9"  # what an answer says itself stays

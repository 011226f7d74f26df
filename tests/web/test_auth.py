"""Who is let in to which route, how often, and what everybody else is answered."""

from collections.abc import Callable
from typing import Any

import pytest

from alertd.service.tokens import new_token
from alertd.settings.model import HttpLimits
from alertd.web.auth import Authorizer

Open = Callable[..., Any]
TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


@pytest.mark.parametrize(
    ("method", "path", "scope"),
    [
        ("GET", "/v1/trips", "read"),
        ("GET", "/v1/trips/T-9", "read"),
        ("GET", "/v1/trips/T-9/plan", "read"),
        ("GET", "/v1/trips/T-9/notices", "read"),
        ("GET", "/v1/trips/T-9/events", "read"),
        ("GET", "/v1/notices/n", "read"),
        ("GET", "/v1/plans/p", "read"),
        ("GET", "/v1/events", "read"),
        ("GET", "/v1/events/e", "read"),
        ("GET", "/v1/routes", "read"),
        ("GET", "/v1/closures", "read"),
        ("GET", "/v1/posted", "read"),
        ("GET", "/v1/health", "read"),
        ("GET", "/v1/alerts.atom", "read"),
        ("GET", "/v1/alerts/a.xml", "read"),
        ("POST", "/v1/trips", "trips"),
        ("DELETE", "/v1/trips/T-9", "trips"),
        ("PUT", "/v1/trips/T-9", "trips"),
        ("POST", "/v1/batches/trips", "trips"),
        ("POST", "/v1/routes?name=a", "trips"),
        ("POST", "/v1/trips/T-9/positions", "reports"),
        ("POST", "/v1/trips/T-9/events", "reports"),
        ("POST", "/v1/batches/positions", "reports"),
        ("POST", "/v1/closures", "posted"),
        ("DELETE", "/v1/closures/c", "posted"),
        ("POST", "/v1/posted", "posted"),
        ("DELETE", "/v1/posted/p", "posted"),
    ],
)
async def test_each_route_wants_its_scope(open_client: Open, method: str, path: str, scope: str) -> None:
    client = await open_client()
    now = client.clock()
    right = new_token(client.store, "right", [scope], now, None)[1]
    others = [s for s in ("read", "trips", "reports", "posted") if s != scope]
    wrong = new_token(client.store, "wrong", others, now, None)[1]
    assert (await client.request(method, path)).status_code == 401
    refused = await client.request(method, path, headers=bearer(wrong))
    assert (refused.status_code, refused.headers["content-type"]) == (403, "application/problem+json")
    assert scope in refused.json()["detail"]
    assert (await client.request(method, path, headers=bearer(right))).status_code not in (401, 403)


async def test_every_v1_route_is_listed_above_or_guarded_anyway(open_client: Open) -> None:
    client = await open_client(http_token="long-random-token")
    paths = (await client.get("/openapi.json")).json()["paths"]
    assert len(paths) > 15
    for path, methods in paths.items():
        for method in methods if path.startswith("/v1") else ():
            answer = await client.request(method.upper(), path.replace("{", "").replace("}", ""))
            assert answer.status_code in (401, 429), (method, path)


async def test_each_token_has_its_own_sixty_requests_a_minute(open_client: Open) -> None:
    client = await open_client()
    tokens = [new_token(client.store, name, ["read"], client.clock(), None)[1] for name in "ab"]
    statuses = [(await client.get("/v1/trips", headers=bearer(tokens[0]))).status_code for _ in range(61)]
    assert statuses == [200] * 60 + [429]
    refused = await client.get("/v1/trips", headers=bearer(tokens[0]))
    assert 1 <= int(refused.headers["retry-after"]) <= 60  # RFC 9110 section 10.2.3: whole seconds
    assert refused.headers["content-type"] == "application/problem+json"
    assert (await client.get("/v1/trips", headers=bearer(tokens[1]))).status_code == 200


async def test_eleventh_wrong_token_must_wait_and_a_right_one_passes(
    open_client: Open,
) -> None:
    client = await open_client()
    token = new_token(client.store, "a", ["read"], client.clock(), None)[1]
    statuses = [(await client.get("/v1/trips", headers=bearer(f"guess{n}"))).status_code for n in range(11)]
    assert statuses == [401] * 10 + [429]
    assert int((await client.get("/v1/trips")).headers["retry-after"]) >= 1
    assert (await client.get("/v1/trips", headers=bearer(token))).status_code == 200
    elsewhere = await open_client(client_host="192.0.2.7")
    assert (await elsewhere.get("/v1/trips")).status_code == 401


async def test_limits_come_from_the_settings_and_end_with_their_minute(open_client: Open) -> None:
    client = await open_client()
    token = new_token(client.store, "a", ["read"], client.clock(), None)[1]
    now_s = 1000.0
    authorizer = Authorizer(client.app.state.authenticator, HttpLimits(requests_per_min=2), lambda: now_s)
    caller = authorizer.authenticator.caller(token)
    assert caller is not None
    authorizer._rate_limit(caller, now_s)
    authorizer._rate_limit(caller, now_s + 30.0)
    with pytest.raises(Exception, match="send the next one in 1 s"):
        authorizer._rate_limit(caller, now_s + 59.5)
    authorizer._rate_limit(caller, now_s + 60.0)


async def test_loopback_without_any_token_is_open_and_unlimited(open_client: Open) -> None:
    client = await open_client()
    assert {(await client.get("/v1/trips")).status_code for _ in range(70)} == {200}


async def test_another_address_without_any_token_lets_nobody_in(open_client: Open) -> None:
    client = await open_client(http_host="0.0.0.0")
    assert (await client.get("/v1/trips")).status_code == 401
    assert (await client.get("/healthz")).status_code == 200

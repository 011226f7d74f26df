"""Targets, tokens and answers given: what is kept of each, on both kinds of store."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alertd.errors import StoreError
from alertd.store.records import EndpointState, StoredAnswer, StoredToken
from alertd.store.store import Store

MINUTE = timedelta(minutes=1)


def test_a_target_counts_its_failures_in_a_row_and_keeps_when_it_last_took_one(store: Store, noon: datetime) -> None:
    endpoints = store.endpoints
    assert endpoints.get("hook") is None
    for n in range(3):
        endpoints.failed("hook", noon + n * MINUTE)
    assert endpoints.get("hook") == EndpointState(
        target="hook",
        state="enabled",
        reason="",
        since=noon,
        last_success_at=None,
        last_failure_at=noon + 2 * MINUTE,
        failures=3,
    )
    endpoints.succeeded("hook", noon + 3 * MINUTE)
    kept = endpoints.get("hook")
    assert kept is not None
    assert (kept.failures, kept.last_success_at, kept.last_failure_at) == (0, noon + 3 * MINUTE, noon + 2 * MINUTE)


def test_a_target_turned_off_stays_so_with_its_first_reason_until_turned_on(store: Store, noon: datetime) -> None:
    store.endpoints.failed("hook", noon)
    store.endpoints.turn("hook", "disabled", "410 Gone", noon + MINUTE)
    store.endpoints.turn("hook", "disabled", "410 again", noon + 2 * MINUTE)
    store.endpoints.failed("hook", noon + 3 * MINUTE)
    store.endpoints.turn("other", "parked", "asked to wait", noon)
    with Store(store.place) as again:
        hook, other = again.endpoints.all()
    assert (hook.state, hook.reason, hook.since, hook.failures) == ("disabled", "410 Gone", noon + MINUTE, 2)
    assert (other.target, other.state) == ("other", "parked")
    store.endpoints.turn("hook", "enabled", "", noon + 4 * MINUTE)
    assert [e.state for e in store.endpoints.all()] == ["enabled", "parked"]


def test_a_token_is_found_by_its_hash_with_its_scopes_and_revoked_once(store: Store, noon: datetime) -> None:
    token = StoredToken(id="t1", hash="ab" * 32, name="tms", scopes=("trips:read", "trips:write"), created_at=noon)
    store.tokens.put(token)
    store.tokens.put(replace(token, id="t2", hash="cd" * 32, expires_at=noon + MINUTE, created_at=noon + MINUTE))
    assert store.tokens.by_hash("ab" * 32) == token
    assert store.tokens.by_hash("ef" * 32) is None
    store.tokens.used("t1", noon + MINUTE)
    assert [store.tokens.revoke(id_, noon) for id_ in ("t1", "t1", "t9")] == [True, False, False]
    assert [(t.id, t.revoked_at, t.last_used_at) for t in store.tokens.all()] == [
        ("t1", noon, noon + MINUTE),
        ("t2", None, None),
    ]
    with pytest.raises(StoreError):
        store.tokens.put(replace(token, id="t3"))


def test_the_first_answer_of_a_key_and_route_is_the_one_that_stays(store: Store, noon: datetime) -> None:
    first = StoredAnswer(
        route="POST /v1/trips", key="k", request_hash="ab", status=201, body='{"n":1}', created_at=noon
    )
    assert store.answers.get(first.route, "k") is None
    assert store.answers.put(first) is True
    assert store.answers.put(replace(first, status=409, body="{}")) is False
    assert store.answers.put(replace(first, route="POST /v1/closures")) is True
    assert store.answers.get(first.route, "k") == first

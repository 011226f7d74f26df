"""Targets, tokens and answers given: what is kept of each, on both kinds of store."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alertd.errors import StoreError
from alertd.notices.channel_state import ChannelState
from alertd.store.rows import StoredAnswer, StoredToken
from alertd.store.store import Store

MINUTE = timedelta(minutes=1)


def state(target: str, word: str, since: datetime, **more: object) -> ChannelState:
    return ChannelState(target=target, state=word, since=since, **more)  # type: ignore[arg-type]


def test_a_channel_keeps_its_last_success_and_failure(store: Store, noon: datetime) -> None:
    endpoints = store.channels
    assert endpoints.get("hook") is None
    failed = state("hook", "failing", noon, why="500", failures=3, last_failure_at=noon)
    endpoints.keep(failed)
    assert endpoints.get("hook") == failed
    endpoints.keep(state("hook", "up", noon + MINUTE, last_success_at=noon + MINUTE))
    assert endpoints.get("hook") == state(
        "hook", "up", noon + MINUTE, last_success_at=noon + MINUTE, last_failure_at=noon
    )


def test_a_disabled_channel_is_opened_by_a_person_only(store: Store, noon: datetime) -> None:
    store.channels.keep(state("hook", "disabled", noon + MINUTE, why="410 Gone", failures=2))
    store.channels.keep(state("hook", "disabled", noon + 2 * MINUTE, why="410 again", failures=3))
    store.channels.keep(state("hook", "up", noon + 3 * MINUTE))  # an attempt that began before
    store.channels.keep(state("other", "failing", noon, why="500", failures=3))
    with Store(store.place) as again:
        hook, other = again.channels.all()
        assert (hook.state, hook.why, hook.since, hook.failures) == ("disabled", "410 Gone", noon + MINUTE, 3)
        assert (other.target, other.state) == ("other", "failing")
        assert [again.channels.reopen(name, noon + 4 * MINUTE) for name in ("hook", "hook", "other", "none")] == [
            True,
            False,
            False,
            False,
        ]
    assert store.channels.get("hook") == state("hook", "up", noon + 4 * MINUTE)


def test_token_is_found_by_hash_with_scopes_and_revoked_once(store: Store, noon: datetime) -> None:
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


def test_first_answer_of_a_key_and_route_stays(store: Store, noon: datetime) -> None:
    first = StoredAnswer(
        route="POST /v1/trips", key="k", request_hash="ab", status=201, body='{"n":1}', created_at=noon
    )
    assert store.answers.get(first.route, "k") is None
    assert store.answers.put(first) is True
    assert store.answers.put(replace(first, status=409, body="{}")) is False
    assert store.answers.put(replace(first, route="POST /v1/closures")) is True
    assert store.answers.get(first.route, "k") == first

"""Tokens: what each may do, how long, and that a copy of the store opens nothing (OWASP on tokens; RFC 6750)."""

import base64
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import InputError
from alertd.service.tokens import PREFIX, SCOPES, TokenAuthenticator, new_token
from alertd.store.store import Store
from alertd.testing.clock import ManualClock

NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


def keeper(store: Store, clock: ManualClock, file_token: str = "", *, open_without: bool = True) -> TokenAuthenticator:
    return TokenAuthenticator(store, file_token, clock, open_without=open_without)


def test_token_is_256_bits_behind_our_prefix_and_unique(store: Store) -> None:
    made = [new_token(store, f"n{i}", ["read"], NOW, None)[1] for i in range(20)]
    for token in made:
        assert len(base64.urlsafe_b64decode(token.removeprefix(PREFIX) + "=")) * 8 == 256
    assert len(set(made)) == 20


def test_the_store_s_file_does_not_hold_the_token(store: Store) -> None:
    _, token = new_token(store, "tms", ["read"], NOW, None)
    content = Path(store.place).read_bytes()
    assert b"tms" in content
    assert token.removeprefix(PREFIX).encode() not in content


def test_a_token_may_do_what_its_scopes_say_and_admin_all(store: Store) -> None:
    door = keeper(store, ManualClock(NOW))
    _, reports = new_token(store, "tablet", ["reports"], NOW, None)
    _, admin = new_token(store, "office", ["admin"], NOW, None)
    assert [scope for scope in SCOPES if door.allowed(reports, scope)] == ["reports"]
    assert all(door.allowed(admin, scope) for scope in SCOPES)
    assert not any(door.allowed(wrong, scope) for scope in SCOPES for wrong in ("", "x", reports[:-1], reports.upper()))


def test_a_token_ends_when_it_expires_or_is_revoked(store: Store) -> None:
    clock = ManualClock(NOW)
    door = keeper(store, clock)
    _, short = new_token(store, "a", ["read"], NOW, 30)
    id_, taken = new_token(store, "b", ["read"], NOW, None)
    clock.advance(timedelta(days=30) - timedelta(seconds=1))
    assert door.allowed(short, "read")
    clock.advance(timedelta(seconds=1))
    assert not door.allowed(short, "read")
    assert door.allowed(taken, "read")
    assert store.tokens.revoke(id_, clock())
    assert not door.allowed(taken, "read")


def test_loopback_is_open_until_the_first_token_closes_it(store: Store) -> None:
    assert keeper(store, ManualClock(NOW)).allowed("", "admin", here=True)
    assert not keeper(store, ManualClock(NOW), open_without=False).allowed("", "read", here=True)
    assert keeper(store, ManualClock(NOW), open_without=False).denies_all()
    id_, _ = new_token(store, "a", ["read"], NOW, None)
    store.tokens.revoke(id_, NOW)
    assert not keeper(store, ManualClock(NOW)).allowed("", "read", here=True)


def test_settings_file_token_may_do_everything_beside_others(store: Store) -> None:
    door = keeper(store, ManualClock(NOW), "long-random-token")
    _, other = new_token(store, "a", ["read"], NOW, None)
    assert all(door.allowed("long-random-token", scope) for scope in SCOPES)
    assert door.allowed(other, "read")
    assert not door.allowed("", "read")


def test_name_may_have_two_active_tokens_during_a_change(store: Store) -> None:
    first, _ = new_token(store, "tms", ["read"], NOW, None)
    new_token(store, "tms", ["read"], NOW, None)
    with pytest.raises(InputError, match="two active tokens"):
        new_token(store, "tms", ["read"], NOW, None)
    store.tokens.revoke(first, NOW)
    new_token(store, "tms", ["read"], NOW, None)


@pytest.mark.parametrize("scopes", [[], ["write"], ["read", "all"]])
def test_scopes_that_there_are_not_are_refused(store: Store, scopes: list[str]) -> None:
    with pytest.raises(InputError, match="name some of: read, trips, reports, posted, admin"):
        new_token(store, "a", scopes, NOW, None)


def test_the_last_use_is_noted_once_a_minute(store: Store) -> None:
    clock = ManualClock(NOW)
    door = keeper(store, clock)
    _, token = new_token(store, "a", ["read"], NOW, None)
    noted = []
    for _ in range(4):
        door.allowed(token, "read")
        noted.append(store.tokens.all()[0].last_used_at)
        clock.advance(timedelta(seconds=20))
    assert noted == [NOW, NOW, NOW, NOW + timedelta(seconds=60)]

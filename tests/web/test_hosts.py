"""Names that a request may use, and who is let in without a token (RFC 9110 sections 7.2 and 15.5.20; RFC 7239)."""

import asyncio
import base64
import logging
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.clock import system_clock
from alertd.daemon.daemon import run_daemon
from alertd.errors import ConfigError
from alertd.planning.signed_links import DRIVER, SignedLinks
from alertd.service.tokens import new_token
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.store.store import Store
from alertd.web.exposure import check_exposure
from alertd.web.hosts import Hosts, host_of, hosts_of

Open = Callable[..., Any]
NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
PUBLIC = "https://trips.fleet.example"


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/metrics", "/v1/trips", "/board", "/d/x", "/pages/a.css"])
async def test_a_foreign_host_is_refused_on_every_path(open_client: Open, path: str) -> None:
    """What a browser sends after another site's name was pointed at 127.0.0.1."""
    client = await open_client()
    answer = await client.get(path, headers={"host": "evil.example"})
    assert (answer.status_code, answer.headers["content-type"]) == (421, "application/problem+json")
    assert "daemon.http_names" in answer.json()["detail"]
    assert answer.headers["x-content-type-options"] == "nosniff"


async def test_a_foreign_host_changes_nothing(open_client: Open) -> None:
    client = await open_client()
    trip = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    for method, path in (("POST", "/v1/trips"), ("DELETE", "/v1/trips/T-1"), ("DELETE", "/v1/closures/C-1")):
        answer = await client.request(method, path, json=trip, headers={"host": "evil.example:8631"})
        assert answer.status_code == 421
    assert client.store.trips() == []


@pytest.mark.parametrize("name", ["localhost", "LOCALHOST.", "localhost:8631", "127.0.0.1", "127.9.9.9:80", "[::1]:1"])
async def test_every_loopback_name_is_allowed(open_client: Open, name: str) -> None:
    client = await open_client()
    assert (await client.get("/healthz", headers={"host": name})).status_code == 200
    assert (await client.get("/v1/trips", headers={"host": name})).status_code == 200


@pytest.mark.parametrize(
    "name", ["", "localhost@evil.example", "evil.example@localhost", "localhost:x", "a b", "[::1", "localhost/", "é"]
)
async def test_a_host_that_is_none_is_refused(open_client: Open, name: str) -> None:
    client = await open_client()
    assert (await client.get("/healthz", headers={"host": name.encode()})).status_code == 400


def test_no_host_and_two_hosts_are_no_name() -> None:
    assert host_of([]) is None
    assert host_of([(b"host", b"localhost"), (b"host", b"evil.example")]) is None


def test_the_settings_say_which_further_names_are_allowed(make_settings: Callable[..., Settings]) -> None:
    hosts = hosts_of(make_settings(http_host="10.1.2.3", public_url=f"{PUBLIC}/a", http_names=("Alertd.Lan",)))
    allowed = ("10.1.2.3", "trips.fleet.example", "alertd.lan", "localhost")
    assert all(hosts.allow(name) for name in allowed)
    assert not any(hosts.allow(name) for name in ("10.1.2.4", "fleet.example", "x.trips.fleet.example", "0.0.0.0"))


@pytest.mark.parametrize("everywhere", ["0.0.0.0", "::"])
def test_on_all_addresses_any_address_is_allowed(make_settings: Callable[..., Settings], everywhere: str) -> None:
    hosts = hosts_of(make_settings(http_host=everywhere))
    assert hosts.allow("192.0.2.7")
    assert hosts.allow("2001:db8::1")
    assert not hosts.allow("evil.example")
    assert not Hosts(frozenset()).allow("192.0.2.7")


@pytest.mark.parametrize(
    "header",
    [
        {"x-forwarded-for": "127.0.0.1"},
        {"X-Forwarded-Proto": "https"},
        {"forwarded": "for=127.0.0.1"},
        {"x-real-ip": "127.0.0.1"},
        {"via": "1.1 proxy"},
    ],
    ids=lambda h: next(iter(h)),
)
async def test_what_a_proxy_passed_on_needs_a_token(open_client: Open, header: dict[str, str]) -> None:
    """No public_url is set, and no token was ever made: only a program on this machine is let in."""
    client = await open_client()
    assert (await client.get("/v1/trips")).status_code == 200
    assert (await client.get("/v1/trips", headers=header)).status_code == 401
    assert (await client.get("/board", headers=header)).status_code == 303
    elsewhere = await open_client(client_host="192.0.2.7")
    assert (await elsewhere.get("/v1/trips")).status_code == 401


@pytest.mark.parametrize("host", ["trips.fleet.example", "localhost"])
async def test_with_a_public_url_nothing_is_open(open_client: Open, host: str) -> None:
    client = await open_client(public_url=PUBLIC)
    headers = {"host": host}
    assert (await client.get("/board", headers=headers)).status_code == 303
    for method, path in (
        ("GET", "/v1/trips"), ("POST", "/v1/closures"), ("DELETE", "/v1/trips/T-1"), ("DELETE", "/v1/closures/C-1"),
        ("POST", "/v1/trips/T-1/events"), ("GET", "/metrics"),
    ):  # fmt: skip
        assert (await client.request(method, path, headers=headers)).status_code == 401, (method, path)


async def test_revoking_the_last_token_opens_nothing(open_client: Open) -> None:
    client = await open_client(public_url=PUBLIC)
    id_, token = new_token(client.store, "office", ["admin"], client.clock(), None)
    held = {"authorization": f"Bearer {token}"}
    assert (await client.get("/v1/trips", headers=held)).status_code == 200
    client.store.tokens.revoke(id_, client.clock())
    again = await open_client(public_url=PUBLIC)  # as after a restart
    for one in (client, again):
        assert (await one.get("/v1/trips", headers=held)).status_code == 401
        assert (await one.get("/board")).status_code == 303


@pytest.mark.parametrize(
    ("over", "key"),
    [
        ({"public_url": PUBLIC}, "public_url"),
        ({"http_host": "0.0.0.0"}, "http_host"),
        ({"http_host": "::"}, "http_host"),
    ],
)
async def test_without_a_token_others_are_refused_at_start(
    make_settings: Callable[..., Settings], over: dict[str, str], key: str
) -> None:
    settings = make_settings(trips=None, http_port=0, **over)
    with pytest.raises(
        ConfigError, match=rf"daemon\.{key}: .*no token was made; make one: `alertd token new"
    ) as output:
        await asyncio.wait_for(run_daemon(settings, system_clock, lambda url: None), 10)
    assert "\n" not in str(output.value)


def test_a_token_once_made_lets_it_start(make_settings: Callable[..., Settings], tmp_path: Path) -> None:
    """An expired or revoked one closes HTTP and must not stop the notices."""
    settings = make_settings(public_url=PUBLIC)
    with Store(tmp_path / "alertd.db") as store:
        check_exposure(make_settings(), store)
        check_exposure(replace(settings, http_token="x" * 32), store)
        with pytest.raises(ConfigError, match="no token was made"):
            check_exposure(settings, store)
        id_, _ = new_token(store, "office", ["read"], NOW, 30)
        check_exposure(settings, store)
        store.tokens.revoke(id_, NOW)
        check_exposure(settings, store)


async def test_a_reload_that_would_expose_is_not_taken(
    write_config: Callable[..., Path], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    path = write_config()
    settings = read_settings(path)

    async def expose() -> None:
        path.write_text(path.read_text().replace("[daemon]\n", f'[daemon]\npublic_url = "{PUBLIC}"\n'))
        signal.raise_signal(signal.SIGHUP)
        while "new settings rejected" not in caplog.text and "settings reloaded" not in caplog.text:
            await asyncio.sleep(0.02)
        signal.raise_signal(signal.SIGTERM)

    def ready(url: str) -> None:
        running.append(asyncio.get_running_loop().create_task(expose()))

    running: list[asyncio.Task[None]] = []
    await asyncio.wait_for(run_daemon(settings, system_clock, ready), 20)
    assert "the old ones stay" in caplog.text
    assert "daemon.public_url: lets others reach the daemon, and no token was made" in caplog.text


async def test_a_driver_s_link_needs_no_token(open_client: Open) -> None:
    client = await open_client(public_url=PUBLIC)
    admin = new_token(client.store, "office", ["admin"], client.clock(), None)[1]
    trip = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    made = await client.post("/v1/trips", json=trip, headers={"authorization": f"Bearer {admin}"})
    assert made.status_code == 201
    links = SignedLinks(client.settings.links_key, PUBLIC)
    token = links.token(DRIVER, "T-1", client.clock() + timedelta(hours=12))
    headers = {"host": "trips.fleet.example", "x-forwarded-for": "192.0.2.7", "x-forwarded-proto": "https"}
    assert (await client.get(f"/d/{token}", headers=headers)).status_code == 200


async def test_a_made_up_link_makes_the_store_read_nothing(open_client: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    client = await open_client()
    trip = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    assert (await client.post("/v1/trips", json=trip)).status_code == 201
    links = SignedLinks(client.settings.links_key)
    token = links.token(DRIVER, "T-1", client.clock() + timedelta(hours=12))
    assert (await client.get(f"/d/{token}")).status_code == 200

    def read(*_: object) -> None:
        raise AssertionError("the store was read")

    for name in ("trips", "trip", "trip_ids"):
        monkeypatch.setattr(client.store, name, read)
    other = base64.urlsafe_b64encode(b"d" + bytes(26)).decode()
    changed = token[:-1] + ("A" if token[-1] != "A" else "B")
    for made_up in ("anything", "A" * 36, other, changed, token + "A"):
        assert (await client.get(f"/d/{made_up}")).status_code == 404
        assert (await client.post(f"/d/{made_up}", data={"what": "chains_on"})).status_code == 404

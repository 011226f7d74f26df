"""What an operator may rely on: nothing decided is lost or said anew, and the daemon stops and starts in order."""

import json
import re
import resource
import signal
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest

from alertd.daemon.connection_limit import raise_descriptor_limit
from alertd.settings.read import read_settings
from alertd.store.store import Store
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.postgres import PASSWORD
from alertd.testing.webhook_receiver import ReceiverFault, WebhookReceiver

Start = Callable[..., Any]
Wait = Callable[[Callable[[], Any], str], Any]
LOG_LINE = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} (INFO|WARNING|ERROR) \S.*|alertd answers on http://\S+")


def decided(config: Path, trip_id: str = "T-1") -> dict[str, bytes]:
    """Every notice of the trip that the store holds, by id."""
    with Store(read_settings(config).store) as store:
        return {notice.id: notice.body.encode() for notice in store.notices(trip_id)}


def planned(process: Any) -> bool:
    return any("cycle done: trips=1 " in line for line in process.output)


def test_posted_trip_reaches_fleet_and_kill_9_repeats_nothing(
    config: Path, receiver: WebhookReceiver, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    first = start(config)
    assert first.post(trip).status_code == 201
    wait_until(lambda: planned(first) and first.undelivered() == 0, "the trip is planned and told")
    result = {r.id: r.body for r in receiver.received}
    assert len(result) >= 3
    first.kill()
    assert result == decided(config)
    again = start(config)
    assert again.post(trip).status_code == 200
    wait_until(lambda: planned(again) and again.undelivered() == 0, "the trip is planned again")
    assert again.stop()[0] == 0
    assert {r.id: r.body for r in receiver.received} == result == decided(config)
    assert receiver.refused == []


@pytest.mark.slow
def test_kill_while_receiver_fails_delivers_same_ids_and_bytes(
    config: Path, receiver: WebhookReceiver, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    """After the restart, the daemon delivers the notices under the same ids and bytes."""
    receiver.set_fault(ReceiverFault(status=503))
    first = start(config)
    first.post(trip)
    wait_until(lambda: receiver.requests_n > 0, "a first try")
    first.kill()
    before = decided(config)
    assert before
    assert receiver.received == []
    receiver.set_fault(None)
    again = start(config)
    wait_until(lambda: len(receiver.received) >= len(before) and again.undelivered() == 0, "all is told")
    again.stop()
    assert before.items() <= {r.id: r.body for r in receiver.received}.items()
    assert {r.id: r.body for r in receiver.received} == decided(config)
    assert receiver.refused == []


def test_sigterm_ends_within_ten_seconds_while_a_source_blocks(
    config: Path, forecasts: FakeOpenMeteo, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    """The exit status is 0."""
    forecasts.set_fault(ApiFault(kind=FaultKind.SLOW, slow_s=60.0))
    process = start(config)
    process.post(trip)
    wait_until(lambda: forecasts.requests, "the source is asked")
    status, took_s = process.stop()
    assert status == 0
    assert took_s < 10.0
    assert [line for line in process.output if not LOG_LINE.fullmatch(line)] == []
    assert any("jobs cancelled at shutdown" in line for line in process.output)


def test_idle_daemon_ends_at_once_and_logs_single_lines(config: Path, start: Start) -> None:
    process = start(config)
    with httpx.Client() as idle:  # a connection kept alive must not hold it up
        assert idle.get(f"{process.url}/healthz").json()["status"] == "up"
        status, took_s = process.stop()
    assert status == 0
    assert took_s < 10.0
    assert [line for line in process.output if not LOG_LINE.fullmatch(line)] == []


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.slow)])
def config_of_each(request: pytest.FixtureRequest, config: Path) -> Path:
    """The settings with each kind of store; the server's password stands in a file of its own."""
    if request.param == "postgres":
        url = request.getfixturevalue("postgres").new_store_url()
        (config.parent / "password.txt").write_text(f"{PASSWORD}\n")
        bare = f'store = "{url.replace(":" + quote(PASSWORD, safe=""), "")}"\nstore_password_file = "password.txt"'
        text = config.read_text(encoding="utf-8")
        assert 'store = "var/alertd.db"' in text
        config.write_text(text.replace('store = "var/alertd.db"', bare), encoding="utf-8")
    return config


def test_standby_daemon_leads_after_the_leader_is_killed(
    config_of_each: Path, receiver: WebhookReceiver, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    config = config_of_each
    first = start(config)
    assert first.post(trip).status_code == 201
    second = start(config)
    wait_until(lambda: any("standing by: " in line for line in second.output), "the second stands by")
    wait_until(lambda: planned(first) and first.undelivered() == 0, "the trip is planned and told")
    result = {r.id: r.body for r in receiver.received}
    assert not any("alertd answers on" in line for line in second.output)
    first.kill()
    wait_until(lambda: planned(second) and second.undelivered() == 0, "the second leads and plans")
    assert second.stop()[0] == 0
    assert {r.id: r.body for r in receiver.received} == result == decided(config)
    assert [line for line in second.output if not LOG_LINE.fullmatch(line) or PASSWORD in line] == []


@pytest.mark.slow
def test_a_daemon_that_stands_by_ends_when_it_is_told_to(config: Path, start: Start, wait_until: Wait) -> None:
    first = start(config)
    assert first.url
    second = start(config)
    wait_until(lambda: any("standing by: " in line for line in second.output), "the second stands by")
    assert second.stop()[0] == 0
    assert first.child.poll() is None


def test_full_disk_at_start_is_one_line_and_status_1(config: Path, start: Start) -> None:
    process = start(config, largest_file_bytes=4096)
    assert process.ended() == 1
    (line,) = [line for line in process.output if not LOG_LINE.fullmatch(line)]  # an old Python is warned of besides
    assert "disk is full or failing" in line
    again = start(config)
    assert again.url


@pytest.mark.slow
def test_full_disk_refuses_trips_and_recovers_when_freed(
    config: Path, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    """What is stored stays, and the daemon continues when there is room."""
    process = start(config)
    assert process.post(trip).status_code == 201
    wait_until(lambda: planned(process) and process.undelivered() == 0, "the trip is planned")
    kept = decided(config)
    full = (512, resource.RLIM_INFINITY)
    resource.prlimit(process.child.pid, resource.RLIMIT_FSIZE, full)
    refused = process.post(trip | {"id": "T-2"})
    assert refused.status_code == 503
    assert refused.headers["content-type"] == "application/problem+json"
    assert "disk is full or failing" in refused.json()["detail"]
    assert httpx.get(f"{process.url}/healthz").status_code == 200
    assert [t["id"] for t in httpx.get(f"{process.url}/v1/trips").json()["trips"]] == ["T-1"]
    resource.prlimit(process.child.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    assert process.post(trip | {"id": "T-2"}).status_code == 201
    assert process.stop()[0] == 0
    assert decided(config) == kept
    assert [line for line in process.output if not LOG_LINE.fullmatch(line)] == []


@pytest.mark.slow
def test_sighup_reloads_settings_and_broken_ones_change_nothing(
    config: Path, receiver: WebhookReceiver, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    process = start(config)
    url, sound = process.url, config.read_text(encoding="utf-8")

    def output(part: str) -> Any:
        return lambda: [line for line in process.output if part in line]

    config.write_text(sound.replace("members = 31", "members = 3"), encoding="utf-8")
    process.child.send_signal(signal.SIGHUP)
    (refused,) = wait_until(
        output("new settings rejected, the old ones stay in use: "), "the broken settings are refused"
    )
    assert "forecast.members" in refused
    assert httpx.get(f"{url}/healthz").json()["status"] == "up"
    more = f'takeover_s = 20.0\nstore = "{config.parent}/other.db"'
    folder = f'\n[[folder]]\nname = "spool"\npath = "{config.parent}/spool"\naudiences = ["fleet"]\n'
    config.write_text(sound.replace('store = "var/alertd.db"', more) + folder, encoding="utf-8")
    process.child.send_signal(signal.SIGHUP)
    wait_until(output("settings reloaded"), "the sound settings are taken")
    (held,) = output("takes effect at the next start")()
    assert "daemon.store, daemon.takeover_s" in held
    assert process.post(trip).status_code == 201
    wait_until(lambda: any((config.parent / "spool").glob("*")), "the new channel is told")
    assert not (config.parent / "other.db").exists()
    wait_until(lambda: process.undelivered() == 0, "all is told")
    assert process.stop()[0] == 0
    assert {r.id: r.body for r in receiver.received} == decided_in(config.parent / "var" / "alertd.db")
    assert [line for line in process.output if not LOG_LINE.fullmatch(line)] == []


@pytest.mark.slow
def test_the_log_as_json_is_one_object_a_line_with_ids_as_fields(
    config: Path, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace("http_port = 0", 'http_port = 0\nlog = "json"'), encoding="utf-8")
    process = start(config)

    def lines() -> list[dict[str, str]]:
        return [json.loads(line) for line in list(process.output)]

    def answers() -> str:
        return next((o["text"].split()[-1] for o in lines() if o["text"].startswith("alertd answers on")), "")

    url = wait_until(answers, "the daemon answers")
    assert httpx.post(f"{url}/v1/trips", json=trip, timeout=20.0).status_code == 201
    decided_lines = wait_until(lambda: [o for o in lines() if "notice" in o], "a notice is decided")
    assert {o["trip"] for o in decided_lines} == {"T-1"}
    assert process.stop()[0] == 0
    secret = read_settings(config).channels[0].secret("secret_file")
    assert not [line for line in process.output if secret in line]


def decided_in(store_file: Path) -> dict[str, bytes]:
    with Store(store_file) as store:
        return {notice.id: notice.body.encode() for notice in store.notices("T-1")}


@pytest.mark.slow
def test_half_requests_of_strangers_stop_nothing(
    config: Path, trip: dict[str, Any], start: Start, wait_until: Wait
) -> None:
    """600 connections that never end their headers, against a daemon that may have 600 descriptors in all."""
    if raise_descriptor_limit() < 1024:
        pytest.skip("this process may not open the connections that the test needs")
    process = start(config, descriptors_n=600)
    assert process.post(trip).status_code == 201
    address = ("127.0.0.1", int(process.url.rpartition(":")[2]))
    held: list[socket.socket] = []
    try:
        for n in range(600):
            held.append(one := socket.create_connection(address, timeout=5.0))
            with suppress(ConnectionError):  # closed for a newer one by then
                one.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-")
            if n % 100 == 99:
                assert httpx.get(f"{process.url}/healthz", timeout=10.0).status_code == 200
        assert process.post(trip | {"id": "T-2"}).status_code == 201
        assert httpx.get(f"{process.url}/readyz", timeout=20.0).json()["status"] == "ready"
        wait_until(lambda: any("cycle done: trips=2 " in line for line in process.output), "a cycle runs meanwhile")
        with Store(read_settings(config).store) as store:  # as another process opens it
            assert {stored.id for stored in store.trips()} == {"T-1", "T-2"}
    finally:
        for one in held:
            one.close()
    assert process.stop()[0] == 0
    result = [line for line in process.output if "connections refused or closed to make room" in line]
    assert 1 <= len(result) <= 2
    assert len(process.output) < 60
    assert [line for line in process.output if not LOG_LINE.fullmatch(line)] == []

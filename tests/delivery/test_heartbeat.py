"""The call to an outside watchdog: judged like a webhook's address, never waited for, and quiet about failures."""

import asyncio
import logging
from ipaddress import ip_network

import httpx
import pytest

from alertd.delivery.heartbeat import Heartbeat
from alertd.errors import ConfigError, DeliveryError

LOOPBACK = (ip_network("127.0.0.0/8"),)


class Watchdog:
    def __init__(self, status: int = 200) -> None:
        self.calls: list[httpx.Request] = []
        self.status = status

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.calls.append(request)
        return httpx.Response(self.status, stream=httpx.ByteStream(b""))


def to(watchdog: Watchdog, *addresses: str, **more: object) -> Heartbeat:
    async def resolve(host: str, port: int) -> tuple[str, ...]:
        return addresses or ("93.184.216.34",)

    url = "https://watchdog.example/ping/secret"
    return Heartbeat(url, transport=httpx.MockTransport(watchdog), resolve=resolve, **more)  # type: ignore[arg-type]


async def test_a_beat_is_an_empty_post_to_the_judged_address() -> None:
    watchdog = Watchdog()
    async with to(watchdog) as heartbeat:
        heartbeat.beat()
        heartbeat.beat()  # while one is under way no other begins
        await asyncio.gather(*heartbeat._calls)
    (call,) = watchdog.calls
    assert (call.method, call.content, str(call.url)) == ("POST", b"", "https://93.184.216.34/ping/secret")
    assert call.headers["host"] == "watchdog.example"
    assert "webhook-signature" not in call.headers


async def test_a_private_address_is_not_called_unless_allowed(caplog: pytest.LogCaptureFixture) -> None:
    watchdog = Watchdog()
    async with to(watchdog, "127.0.0.1") as heartbeat:
        await heartbeat.call()
    assert watchdog.calls == []
    assert "127.0.0.1 is not a public address" in caplog.text
    async with to(watchdog, "127.0.0.1", allow_networks=LOOPBACK) as heartbeat:
        await heartbeat.call()
    assert len(watchdog.calls) == 1


async def test_failures_are_logged_once_a_minute_without_the_address(caplog: pytest.LogCaptureFixture) -> None:
    watchdog, now_s = Watchdog(503), [0.0]
    async with to(watchdog, ticks=lambda: now_s[0]) as heartbeat:
        for _ in range(13):
            await heartbeat.call()
            now_s[0] += 10.0
    warned = [r for r in caplog.records if r.levelno == logging.WARNING]
    assert len(watchdog.calls) == 13
    assert len(warned) == 3
    assert "secret" not in caplog.text


async def test_a_watchdog_that_hangs_holds_nothing_up() -> None:
    async def hangs(request: httpx.Request) -> httpx.Response:
        await asyncio.Event().wait()
        raise DeliveryError("never", "reached")

    async with to(hangs) as heartbeat:  # type: ignore[arg-type]
        heartbeat.beat()
        await asyncio.sleep(0)
        assert heartbeat._calls


@pytest.mark.parametrize("url", ["http://watchdog.example/x", "watchdog.example", "https://u:p@watchdog.example/"])
def test_a_bad_address_is_one_line_that_names_the_setting(url: str) -> None:
    with pytest.raises(ConfigError, match=r"^daemon\.heartbeat_url: url: "):
        Heartbeat(url)

"""Connections that strangers open: counted, limited, and never at the cost of the daemon's own work."""

import asyncio
import os
import resource
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send

from alertd.daemon import connection_limit as module
from alertd.daemon.connection_limit import Gate, GuardedListener, most_connections, raise_descriptor_limit
from alertd.daemon.http_server import server_config
from alertd.store.store import Store
from alertd.web.middleware import RequestGuardMiddleware
from alertd.web.rate_limit import network_of

MOST = 40
HALF = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-"


@pytest.fixture
def limit() -> Iterator[Callable[[int, int], None]]:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)

    def soft(n: int, hard: int) -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (n, before[1]))

    yield soft
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_the_soft_limit_of_files_is_raised_to_the_hard_one(limit: Callable[[int, int], None]) -> None:
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    limit(300, hard)
    raised = raise_descriptor_limit()
    assert resource.getrlimit(resource.RLIMIT_NOFILE) == (raised, hard)
    assert raised >= min(hard, 1024)
    assert raise_descriptor_limit() == raised


@pytest.mark.parametrize("descriptors_n", [64, 256, 600, 1024, 4096, 65_536])
def test_the_store_keeps_descriptors_whatever_the_limit(descriptors_n: int) -> None:
    """Half of them at least are never a connection's; from 4,096 on far more."""
    most = most_connections(descriptors_n)
    assert 1 <= most <= 500
    assert most <= descriptors_n // 2
    assert descriptors_n < 1024 or descriptors_n - most >= module.RESERVED + 2 * module.BACKLOG


async def test_one_address_has_its_own_limit_and_a_proxy_here_none() -> None:
    gate = Gate(most=10, most_of_one=3)
    assert all(gate.admit("192.0.2.7") for _ in range(3))
    assert gate.admit("192.0.2.7") is None
    assert all(gate.admit("127.0.0.1") for _ in range(6))
    last = gate.admit("192.0.2.8")
    assert last is not None
    assert gate.admit("127.0.0.1") is None
    last()
    assert gate.open_n == 9
    assert gate.admit("::1") is not None


async def test_the_addresses_of_one_ipv6_network_are_one_sender() -> None:
    """One host may use a whole /64 (RFC 4291 section 2.5.1, RFC 8981)."""
    gate = Gate(most=10, most_of_one=2)
    taken = [gate.admit(f"2001:db8::{n:x}") is not None for n in range(4)]
    assert taken == [True, True, False, False]
    assert gate.admit("2001:db8:0:1::1") is not None
    assert all(gate.admit("::1") for _ in range(3)), "loopback is no one sender"
    assert network_of("::ffff:192.0.2.7") == "192.0.2.7"
    assert network_of("fe80::1%eth0") == network_of("fe80::2%eth0") == "fe80::/64"
    assert network_of("") == ""


async def test_the_longest_wait_ends_first_and_whole_requests_stay() -> None:
    gate, closed = Gate(most=3, most_of_one=3), list[str]()
    for name in "abc":
        assert gate.admit("192.0.2.7") is not None
        gate.waits(name, "192.0.2.7", lambda name=name: closed.append(name))
    gate.works("a")
    gate.waits("b", "192.0.2.7", lambda: closed.append("again"))  # one more byte does not renew its place
    assert gate.admit("192.0.2.7") is not None
    assert closed == ["b"]
    assert gate.admit("192.0.2.9") is not None
    assert closed == ["b", "c"]
    assert gate.admit("192.0.2.9") is None


async def _app(scope: Scope, receive: Receive, send: Send) -> None:
    while (await receive()).get("more_body"):
        pass
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@pytest.fixture
async def served() -> AsyncIterator[tuple[int, Gate]]:
    gate = Gate(most=MOST)
    with socket.create_server(("127.0.0.1", 0), backlog=128) as listener:
        server = uvicorn.Server(server_config(RequestGuardMiddleware(_app), 1, gate))
        with GuardedListener.over(listener, gate) as own:
            task = asyncio.create_task(server.serve(sockets=[own]))
            while not server.started:
                await asyncio.sleep(0.01)
            yield listener.getsockname()[1], gate
            server.should_exit = True
            await task


async def ask(port: int) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    with closing(writer):
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        async with asyncio.timeout(5.0):
            return await reader.read()


async def half_open(port: int, n: int) -> list[socket.socket]:
    """So many connections that never end their headers."""
    out, loop = [], asyncio.get_running_loop()
    for _ in range(n):
        out.append(one := socket.socket())
        one.setblocking(False)
        await loop.sock_connect(one, ("127.0.0.1", port))
        try:
            await loop.sock_sendall(one, HALF)
        except ConnectionError:
            continue  # it was closed for a newer one by then
    return out


async def test_half_requests_stop_neither_health_nor_the_store(
    served: tuple[int, Gate], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    port, gate = served
    held = await half_open(port, 300)
    try:
        assert gate.open_n <= MOST + 1
        for _ in range(5):
            assert (await ask(port)).startswith(b"HTTP/1.1 200 OK")
        with Store(tmp_path / "alertd.db") as store:
            assert store.trips() == []
        held += await half_open(port, 100)
    finally:
        for one in held:
            one.close()
    lines = [r.getMessage() for r in caplog.records]
    assert len(lines) == 1, "the next line is due a minute later"
    assert "connections refused or closed to make room: 1 closed for newer ones" in lines[0]


async def test_a_connection_is_counted_until_it_is_closed(served: tuple[int, Gate]) -> None:
    port, gate = served
    held = await half_open(port, 10)
    await ask(port)
    assert gate.open_n >= 10
    for one in held:
        one.close()
    async with asyncio.timeout(5.0):
        while gate.open_n:
            await asyncio.sleep(0.01)


async def test_a_second_request_of_a_connection_is_served(served: tuple[int, Gate]) -> None:
    port, gate = served
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    with closing(writer):
        for _ in range(3):
            writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert (await asyncio.wait_for(reader.readuntil(b"\r\n\r\nok"), 5.0)).startswith(b"HTTP/1.1 200")
        assert len(gate._waiting) == 1


def all_descriptors() -> Iterator[int]:
    """Open all that the limit leaves."""
    with suppress(OSError):
        while True:
            yield os.dup(0)


async def test_without_descriptors_nothing_floods_the_log(
    served: tuple[int, Gate], limit: Callable[[int, int], None], caplog: pytest.LogCaptureFixture
) -> None:
    """The process is left with fewer descriptors than connections want."""
    port, gate = served
    clients = [socket.socket() for _ in range(30)]
    for one in clients:
        one.setblocking(False)
    limit(max(int(name) for name in os.listdir("/proc/self/fd")) + 10, 0)
    fillers = list(all_descriptors())
    for filler in fillers[:5]:
        os.close(filler)
    try:
        loop = asyncio.get_running_loop()
        for one in clients:
            await loop.sock_connect(one, ("127.0.0.1", port))
        for _ in range(50):
            await asyncio.sleep(0)
        assert gate.open_n <= 6
        for filler in fillers[5:]:
            os.close(filler)
        assert (await ask(port)).startswith(b"HTTP/1.1 200 OK")
    finally:
        for one in clients:
            one.close()
    lines = [r.getMessage() for r in caplog.records]
    assert 1 <= len(lines) <= 2
    assert "for want of descriptors" in lines[0]
    assert not any("out of system resource" in line for line in lines)


async def test_what_is_no_http_is_one_line_a_minute(served: tuple[int, Gate], caplog: pytest.LogCaptureFixture) -> None:
    port, _ = served
    for _ in range(30):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        with closing(writer):
            writer.write(b"\x16\x03\x01 hello\r\n\r\n")
            assert b" 400 " in await asyncio.wait_for(reader.read(), 5.0)
    assert [r.getMessage() for r in caplog.records] == ["requests answered 400: 1 that are no HTTP"]

"""The server on a socket, against clients that are slow or speak no HTTP."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator
from ipaddress import ip_network

import pytest
import uvicorn
from starlette.types import Message, Receive, Scope, Send

from alertd.daemon import http_server as module
from alertd.daemon.http_server import server_config
from alertd.delivery.address_policy import Network
from alertd.web.middleware import MAX_HEADER_BYTES, RequestGuardMiddleware


async def _app(scope: Scope, receive: Receive, send: Send) -> None:
    while (await receive()).get("more_body"):
        pass
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@pytest.fixture
async def port(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[int]:
    monkeypatch.setattr(module, "HEADER_TIMEOUT_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = uvicorn.Server(server_config(RequestGuardMiddleware(_app, within_s=0.3), 1))
        task = asyncio.create_task(server.serve(sockets=[listener]))
        while not server.started:
            await asyncio.sleep(0.01)
        yield listener.getsockname()[1]
        server.should_exit = True
        await task


async def say(port: int, *parts: bytes, pause_s: float = 0.0) -> bytes:
    """All that the server says until it closes, at most 5 s."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        async with asyncio.timeout(5.0):
            for part in parts:
                writer.write(part)
                await writer.drain()
                await asyncio.sleep(pause_s)
            return await reader.read()
    except (ConnectionError, BrokenPipeError):
        return b""
    finally:
        writer.close()


ASK = b"GET / HTTP/1.1\r\nHost: a\r\n"


async def test_headers_that_do_not_end_close_the_connection(port: int) -> None:
    assert await say(port) == b""  # not a byte
    assert await say(port, ASK) == b""
    assert await say(port, b"GET / HTTP/1.1\r\n", *[b"X: y\r\n"] * 40, pause_s=0.05) == b""  # a byte now and then


async def test_the_second_request_of_a_connection_is_timed_too(port: int) -> None:
    text = await say(port, ASK + b"\r\n", ASK, pause_s=0.1)
    assert text.count(b"200 OK") == 1


async def test_body_that_does_not_end_is_408_and_closes_connection(port: int) -> None:
    head = b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1000\r\n\r\n"
    text = await say(port, head, *[b"x"] * 4, pause_s=0.05)
    assert text.startswith(b"HTTP/1.1 408 ")
    assert b"connection: close" in text.lower()


@pytest.mark.parametrize(
    "request_",
    [
        b"\x16\x03\x01 hello\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 5 * MAX_HEADER_BYTES,
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab",
    ],
    ids=["no HTTP", "header too large", "no length", "two lengths"],
)
async def test_what_is_no_request_is_a_problem_detail_too(port: int, request_: bytes) -> None:
    text = await say(port, request_)
    head, _, body = text.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 ")
    assert b"content-type: application/problem+json" in head.lower()
    assert b"x-content-type-options: nosniff" in head.lower()
    assert json.loads(body)["status"] == 400


async def test_headers_that_come_whole_are_held_to_their_limit_too(port: int) -> None:
    text = await say(port, ASK + b"Connection: close\r\nX: " + b"y" * MAX_HEADER_BYTES + b"\r\n\r\n")
    assert text.startswith(b"HTTP/1.1 431 ")


async def test_the_server_does_not_say_what_it_is(port: int) -> None:
    text = await say(port, ASK + b"Connection: close\r\n\r\n")
    assert text.startswith(b"HTTP/1.1 200 OK")
    assert b"uvicorn" not in text.lower()


async def test_two_lengths_of_one_body_are_refused_and_close(port: int) -> None:
    """RFC 9112 section 6.3: a message with both lengths may be an attempt to smuggle a second request."""
    head = b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n"
    text = await say(port, head + b"0\r\n\r\nGET /second HTTP/1.1\r\nHost: a\r\n\r\n")
    assert text.startswith(b"HTTP/1.1 400 ")
    assert text.count(b"HTTP/1.1") == 1


@pytest.mark.parametrize("early", [False, True], ids=["read first", "answered first"])
async def test_broken_chunk_gets_one_answer_and_no_log_line(early: bool, caplog: pytest.LogCaptureFixture) -> None:
    """A stranger must not fill the log: uvicorn reports an answer after its own 400 with a stack trace."""

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if not early:
            await receive()
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
        await receive()
        await send({"type": "http.response.body", "body": b"ok"})

    head = b"POST / HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\n"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = uvicorn.Server(server_config(app, 1))
        task = asyncio.create_task(server.serve(sockets=[listener]))
        while not server.started:
            await asyncio.sleep(0.01)
        text = await say(listener.getsockname()[1], head, b"1\r\nab\r\n", pause_s=0.05 if early else 0.0)
        server.should_exit = True
        await task
    assert text.count(b"HTTP/1.1 ") == 1
    assert [r for r in caplog.records if r.exc_info or r.levelname == "ERROR"] == []


async def test_sender_of_a_large_body_can_read_why(port: int) -> None:
    """The client writes all of its 8 MB before it reads, as most clients do."""
    body = b"x" * 8_000_000
    text = await say(
        port, b"POST / HTTP/1.1\r\nHost: a\r\nConnection: close\r\nContent-Length: %d\r\n\r\n" % len(body), body
    )
    assert text.startswith(b"HTTP/1.1 413 ")
    assert b"at most" in text


@pytest.mark.parametrize(("proxies", "expected"), [((), "127.0.0.1"), ((ip_network("127.0.0.1"),), "192.0.2.7")])
async def test_only_named_proxies_name_the_client(proxies: tuple[Network, ...], expected: str) -> None:
    clients: list[str] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        clients.append(scope["client"][0])
        await _app(scope, receive, send)

    config = server_config(app, 1, proxies=proxies)
    config.load()
    scope = {
        "type": "http",
        "client": ("127.0.0.1", 1),
        "scheme": "http",
        "headers": [(b"x-forwarded-for", b"192.0.2.7")],
    }

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        pass

    await config.loaded_app(scope, receive, send)
    assert clients == [expected]

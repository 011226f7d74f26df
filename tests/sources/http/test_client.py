"""The client asks politely, never waits for ever, never stores nonsense, and keeps the last good answer.

Expected behaviour is from RFC 9110 (HTTP semantics), RFC 9111 (caching) and the failures public weather services were
seen to make; each test names its own.
"""

import asyncio
import gzip
import json
import socket
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import ConfigError, SourceChanged, SourceDown, SourceError
from alertd.sources.http.answer import RequestOptions
from alertd.sources.http.cache import CacheEntry, DiskCache, cache_key, fresh_for_s
from alertd.sources.http.client import HttpClient
from alertd.sources.http.errors import NoDataForLocation, NotConnected, Unreachable, from_httpx_error
from alertd.sources.http.options import HttpOptions, offline
from alertd.sources.http.parsed_bodies import ParsedByUrl
from alertd.sources.http.replay_client import failure_kinds, stored_kind
from alertd.sources.http.retry import RetryPolicy, retry_after_s

URL = "https://sky.example/forecast"
START = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
GOOD = {"snow": 3}


class Clock:
    def __init__(self) -> None:
        self.now = START
        self.slept: list[float] = []

    def __call__(self) -> datetime:
        return self.now

    def ticks(self) -> float:
        return self.now.timestamp()

    async def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += timedelta(seconds=seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


def make_client(clock: Clock, cache_dir: Path | None, **options: object) -> HttpClient:
    settings = {"contact": "ops@fleet.example", "per_s_per_host": 1e9, "rng": np.random.default_rng(1)} | options
    return HttpClient(HttpOptions(
        cache_dir=cache_dir, now_utc=clock, sleep=clock.sleep, ticks=clock.ticks, **settings,  # type: ignore[arg-type]
    ))  # fmt: skip


@pytest.fixture
async def client(clock: Clock, tmp_path: Path) -> AsyncIterator[HttpClient]:
    async with make_client(clock, tmp_path) as one:
        yield one


def as_is(body: object) -> object:
    return body


def ok(body: object = GOOD, **headers: str) -> httpx.Response:
    return httpx.Response(200, json=body, headers={name.replace("_", "-"): value for name, value in headers.items()})


# --- who we are


@respx.mock
async def test_trap_21_every_request_has_its_sender_and_contact(client: HttpClient) -> None:
    """weather.gov and api.met.no terms: User-Agent with application and contact."""
    route = respx.get(URL).mock(return_value=ok())
    await client.get_json("sky", URL, read=as_is)
    assert route.calls[0].request.headers["user-agent"] == "alertd/0.1.0 (ops@fleet.example)"


async def test_an_empty_contact_is_refused_for_a_real_host(clock: Clock) -> None:
    async with make_client(clock, None, contact=" ") as client:
        with pytest.raises(ConfigError, match=r"settings: contact: is empty .*; write an e-mail"):
            await client.get_json("sky", URL, read=as_is)


@respx.mock
async def test_an_empty_contact_is_fine_for_loopback(clock: Clock) -> None:
    respx.get("http://127.0.0.1:8000/x").mock(return_value=ok())
    async with make_client(clock, None, contact="") as client:
        assert (await client.get_json("sky", "http://127.0.0.1:8000/x", read=as_is)).value == GOOD


def test_a_contact_that_would_split_the_header_is_refused(clock: Clock) -> None:
    with pytest.raises(ConfigError):
        make_client(clock, None, contact="a@b\r\nX-Evil: 1")


# --- caching


@respx.mock
async def test_a_run_on_stored_answers_opens_no_connections(clock: Clock, tmp_path: Path) -> None:
    respx.get(URL).mock(return_value=ok(cache_control="max-age=600"))
    async with make_client(clock, tmp_path) as first:
        await first.get_json("sky", URL, read=as_is)
        assert "_http" in vars(first)
    async with make_client(clock, tmp_path) as second:
        assert (await second.get_json("sky", URL, read=as_is)).from_cache
        assert "_http" not in vars(second)


@pytest.mark.parametrize(
    ("headers", "expected_s"),
    [
        ({"cache-control": "public, max-age=1200, s-maxage=120"}, 1200.0),  # s-maxage is for shared caches (5.2.2.10)
        ({"cache-control": "max-age=1200", "age": "200"}, 1000.0),  # RFC 9111, 4.2.3
        ({"cache-control": "max-age=100", "age": "200"}, 0.0),
        ({"cache-control": "no-cache, max-age=1200"}, 0.0),  # 5.2.2.4
        ({"cache-control": "max-age=1200", "expires": "Mon, 12 Jan 2026 06:01:00 GMT"}, 1200.0),  # max-age wins (5.3)
        ({"date": "Mon, 12 Jan 2026 06:00:00 GMT", "expires": "Mon, 12 Jan 2026 06:30:00 GMT"}, 1800.0),
        ({"expires": "0"}, 0.0),  # invalid dates mean expired (5.3)
        ({"cache-control": "max-age=soon"}, 0.0),
        ({"vary": "*", "cache-control": "max-age=60"}, 0.0),  # 4.1
        ({"cache-control": "max-age=315360000"}, 7 * 86400.0),  # our own cap
        ({}, 42.0),  # the caller's default
    ],
)
def test_freshness_follows_rfc_9111(headers: dict[str, str], expected_s: float) -> None:
    assert fresh_for_s(headers, START, 42.0) == expected_s


@respx.mock
async def test_a_fresh_answer_is_not_asked_for_again(client: HttpClient, clock: Clock) -> None:
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=600"))
    first = await client.get_json("sky", URL, read=as_is)
    clock.now += timedelta(seconds=599)
    second = await client.get_json("sky", URL, read=as_is)
    assert (route.call_count, first.from_cache, second.from_cache) == (1, False, True)
    assert second.fetched_at == START


@respx.mock
async def test_answer_without_headers_lives_as_long_as_requested(client: HttpClient, clock: Clock) -> None:
    """Open-Meteo sends no caching headers."""
    route = respx.get(URL).mock(return_value=ok())
    await client.get_json("sky", URL, read=as_is, options=RequestOptions(default_life_s=3600))
    clock.now += timedelta(seconds=3599)
    await client.get_json("sky", URL, read=as_is, options=RequestOptions(default_life_s=3600))
    assert route.call_count == 1
    clock.now += timedelta(seconds=1)
    await client.get_json("sky", URL, read=as_is, options=RequestOptions(default_life_s=3600))
    assert route.call_count == 2


@respx.mock
async def test_an_old_answer_is_confirmed_with_304(client: HttpClient, clock: Clock) -> None:
    """Both validators go out as they came in (RFC 9110, 13.1); a 304 makes the stored answer fresh again."""
    modified = "Mon, 12 Jan 2026 05:55:00 GMT"
    route = respx.get(URL).mock(
        side_effect=[
            ok(etag='"a1"', last_modified=modified, cache_control="max-age=60"),
            httpx.Response(304, headers={"cache-control": "max-age=600"}),
        ]
    )
    await client.get_json("sky", URL, read=as_is)
    clock.now += timedelta(seconds=61)
    again = await client.get_json("sky", URL, read=as_is)
    asked = route.calls[1].request.headers
    assert (asked["if-none-match"], asked["if-modified-since"]) == ('"a1"', modified)
    assert (again.value, again.from_cache, again.stale, again.fetched_at) == (GOOD, True, False, clock.now)
    clock.now += timedelta(seconds=599)
    await client.get_json("sky", URL, read=as_is)
    assert route.call_count == 2


@respx.mock
async def test_the_cache_survives_a_new_client(client: HttpClient, clock: Clock, tmp_path: Path) -> None:
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=600"))
    await client.get_json("sky", URL, read=as_is)
    async with make_client(clock, tmp_path) as other:
        assert (await other.get_json("sky", URL, read=as_is)).from_cache
    assert route.call_count == 1


@respx.mock
async def test_other_identity_gets_its_own_answer_when_server_varies(
    client: HttpClient, clock: Clock, tmp_path: Path
) -> None:
    """RFC 9111, 4.1."""
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=600", vary="Accept, User-Agent"))
    await client.get_json("sky", URL, read=as_is)
    await client.get_json("sky", URL, read=as_is)
    assert route.call_count == 1
    async with make_client(clock, tmp_path, contact="other@fleet.example") as other:
        await other.get_json("sky", URL, read=as_is)
    assert route.call_count == 2


@respx.mock
@pytest.mark.parametrize("harm", [b"", b"\x00\xff", b'{"sha256":"0"}\n{}', None])
async def test_a_corrupt_entry_is_dropped_and_fetched_again(
    client: HttpClient, tmp_path: Path, harm: bytes | None
) -> None:
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=600"))
    await client.get_json("sky", URL, read=as_is)
    (file,) = tmp_path.rglob("*.answer")
    file.write_bytes(file.read_bytes()[:-2] if harm is None else harm)
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD
    assert route.call_count == 2


@respx.mock
async def test_an_entry_from_the_future_is_asked_for_again(client: HttpClient, clock: Clock) -> None:
    """The clock was set back: the age is unknown."""
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=600"))
    await client.get_json("sky", URL, read=as_is)
    clock.now -= timedelta(hours=1)
    await client.get_json("sky", URL, read=as_is)
    assert route.call_count == 2


@respx.mock
async def test_unwritable_disk_is_reported_once_and_does_no_harm(clock: Clock, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("a file where the folder should be")
    raw: list[str] = []
    respx.get(url__startswith=URL).mock(return_value=ok())
    async with make_client(clock, blocked, on_error=raw.append) as client:
        for name in "ab":
            assert (await client.get_json("sky", f"{URL}/{name}", read=as_is)).value == GOOD
    assert len(raw) == 1
    assert "continuing without it" in raw[0]


def test_old_entries_and_leftovers_of_a_crash_are_pruned(tmp_path: Path) -> None:
    cache = DiskCache(tmp_path)
    for name, days, life in (("old", 5, 1), ("for ever", 5, 4000), ("young", 1, 1)):
        at = START - timedelta(days=days)
        entry = CacheEntry(headers={}, body=b"{}", fetched_at=at, fresh_until=at + timedelta(days=life), varied={})
        cache.put(cache_key(name), entry)
    (tmp_path / cache_key("old")[:2] / "x.tmp").write_text("half")
    removed = cache.prune(fetched_before=START - timedelta(days=2), now_utc=START)
    assert removed == 1
    assert [cache.get(cache_key(name)) is None for name in ("old", "for ever", "young")] == [True, False, False]


@respx.mock
async def test_an_api_key_reaches_neither_disk_nor_messages(client: HttpClient, tmp_path: Path) -> None:
    respx.get(URL).mock(side_effect=[ok(cache_control="max-age=6"), httpx.Response(404)])
    await client.get_json("sky", URL, read=as_is, params={"apikey": "s3cret"})
    stored = b"".join(file.read_bytes() + file.name.encode() for file in tmp_path.rglob("*") if file.is_file())
    assert b"s3cret" not in stored
    with pytest.raises(SourceError) as caught:
        await client.get_json("sky", URL, read=as_is, params={"apikey": "s3cret"}, options=RequestOptions(refresh=True))
    assert "s3cret" not in str(caught.value)


# --- failures


@respx.mock
async def test_trap_23_an_error_with_a_long_life_is_never_stored(client: HttpClient) -> None:
    """A 500 problem document was seen with max-age=86400 (weather-gov/api issue 73)."""
    bad = httpx.Response(500, json={"type": "x"}, headers={"cache-control": "max-age=86400"})
    route = respx.get(URL).mock(side_effect=[bad, bad, bad, ok()])
    with pytest.raises(SourceDown):
        await client.get_json("sky", URL, read=as_is)
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD
    assert route.call_count == 4


@respx.mock
@pytest.mark.parametrize("failure", [httpx.Response(500), httpx.Response(502), httpx.ConnectError("refused"),
                                     httpx.ReadTimeout("slow"), httpx.RemoteProtocolError("reset")])  # fmt: skip
async def test_an_outage_is_tried_three_times_with_jittered_waits(
    client: HttpClient, clock: Clock, failure: object
) -> None:
    route = respx.get(URL).mock(side_effect=[failure, failure, ok()])
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD
    assert route.call_count == 3
    assert len(clock.slept) == 2
    assert 0.5 <= clock.slept[0] <= 1.5
    assert 2.5 <= clock.slept[1] <= 7.5


@respx.mock
@pytest.mark.parametrize("status", [400, 401, 404, 410])
async def test_a_refusal_is_not_tried_again(client: HttpClient, status: int) -> None:
    route = respx.get(URL).mock(return_value=httpx.Response(status))
    with pytest.raises(SourceError, match=f"sky: answered HTTP {status}") as caught:
        await client.get_json("sky", URL, read=as_is)
    assert (route.call_count, caught.value.retryable) == (1, False)


@pytest.mark.parametrize(("host", "pause_s"), [("api.weather.gov", 300.0), ("api.met.no", 3600.0)])
async def test_trap_21_a_host_that_forbids_is_left_alone(clock: Clock, host: str, pause_s: float) -> None:
    """weather.gov's own pages take 403 as "too fast"; api.met.no bans whoever goes on (terms of service)."""
    asked: list[str] = []

    def forbid(request: httpx.Request) -> httpx.Response:
        asked.append(str(request.url))
        return httpx.Response(403, html="<h1>Forbidden</h1>")

    async with make_client(clock, None, transport=httpx.MockTransport(forbid)) as client:
        for wait_s, calls in ((0.0, 1), (pause_s - 1.0, 1), (1.0, 2)):
            clock.now += timedelta(seconds=wait_s)
            with pytest.raises(SourceDown):
                await client.get_json("sky", f"https://{host}/x", read=as_is)
            assert len(asked) == calls


@respx.mock
async def test_403_is_not_tried_again_and_the_host_is_left_alone(client: HttpClient) -> None:
    """weather.gov's own pages take 403 as "too fast"; api.met.no sends it to unidentified clients before a ban."""
    route = respx.get(URL).mock(return_value=httpx.Response(403))
    for _ in range(2):
        with pytest.raises(SourceDown) as caught:
            await client.get_json("sky", URL, read=as_is)
    assert route.call_count == 1
    assert caught.value.retry_after_s == 300.0


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [("7", 7.0), ("Mon, 12 Jan 2026 06:00:09 GMT", 9.0), ("Mon, 12 Jan 2026 05:00:00 GMT", 0.0),
     ("999999999", 86400.0), ("-3", None), ("soon", None), (None, None)],
)  # fmt: skip
def test_both_forms_of_retry_after_are_understood(text: str | None, expected_s: float | None) -> None:
    """RFC 9110, 10.2.3; capped at a day."""
    assert retry_after_s(text, START) == expected_s


@respx.mock
@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize("text", ["7", "Mon, 12 Jan 2026 06:00:07 GMT"])
async def test_a_short_retry_after_is_obeyed(client: HttpClient, clock: Clock, status: int, text: str) -> None:
    respx.get(URL).mock(side_effect=[httpx.Response(status, headers={"retry-after": text}), ok()])
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD
    assert clock.slept == [7.0]


@respx.mock
async def test_a_long_retry_after_closes_the_host_until_it_is_over(client: HttpClient, clock: Clock) -> None:
    route = respx.get(url__startswith=URL).mock(side_effect=[httpx.Response(429, headers={"retry-after": "600"}), ok()])
    with pytest.raises(SourceDown) as caught:
        await client.get_json("sky", URL, read=as_is)
    assert caught.value.retry_after_s == 600.0
    with pytest.raises(SourceDown, match="not asked again before 06:10 UTC"):
        await client.get_json("sky", f"{URL}/other", read=as_is)
    assert (route.call_count, clock.slept) == (1, [])
    clock.now += timedelta(seconds=600)
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD


@respx.mock
async def test_a_dead_host_is_left_alone_after_four_calls(client: HttpClient, clock: Clock) -> None:
    """One dead provider must not cost every cell of every route three tries (fault F2)."""
    route = respx.get(url__startswith=URL).mock(side_effect=httpx.ConnectError("refused"))
    for i in range(10):
        with pytest.raises(SourceDown):
            await client.get_json("sky", f"{URL}/{i}", read=as_is)
    assert route.call_count == 4 * 3


@respx.mock
@pytest.mark.parametrize(
    ("response", "words"),
    [
        (httpx.Response(200, html="<h1>Access denied</h1>"), "answered text/html"),
        (httpx.Response(200, content=b'{"a": [1, 2', headers={"content-type": "application/json"}), "not whole JSON"),
        (httpx.Response(200, content=b"", headers={"content-type": "application/json"}), "an empty body"),
        (httpx.Response(200, content=b'{"a": 1}Unexpected error while streaming data: timeout',
                        headers={"content-type": "application/json"}), "words follow the JSON: \"Unexpected error"),
        (httpx.Response(200, content=b'{"a": NaN}', headers={"content-type": "application/json"}), "NaN is no JSON"),
        (httpx.Response(200, content=b'{"a": -Infinity}', headers={"content-type": "application/json"}), "Infinity"),
        (httpx.Response(200, content=b"\xff\xfe{", headers={"content-type": "application/json"}), "JSON"),
        (httpx.Response(200, content=b"[" * 100_000, headers={"content-type": "application/json"}), "JSON"),
        (httpx.Response(200, content=b" " * 10_000_001, headers={"content-type": "application/json"}), "10 MB"),
        (httpx.Response(200, content=b"{}"), "answered no content type"),
        (httpx.Response(304), "answered HTTP 304"),
    ],
    ids=["html", "truncated", "empty", "trailing words", "NaN", "Infinity", "not utf-8", "nested", "huge", "untyped",
         "304 to nothing"],
)  # fmt: skip
async def test_trap_09_a_200_without_an_answer_is_refused_not_stored(
    client: HttpClient, tmp_path: Path, response: httpx.Response, words: str
) -> None:
    respx.get(URL).mock(return_value=response)
    with pytest.raises(SourceError, match=words):
        await client.get_json("sky", URL, read=as_is, options=RequestOptions(default_life_s=3600))
    assert list(tmp_path.rglob("*.answer")) == []


@respx.mock
@pytest.mark.parametrize(
    "failure",
    [httpx.Response(500), httpx.Response(429), httpx.ConnectError("refused"), httpx.Response(200, html="<p>no</p>"),
     httpx.Response(200, content=b'{"sno', headers={"content-type": "application/json"}), ok({"snow": "wrong unit"})],
    ids=["500", "429", "refused", "html", "truncated", "changed"],
)  # fmt: skip
async def test_last_good_answer_is_served_stale_when_the_server_fails(
    client: HttpClient, clock: Clock, failure: object
) -> None:
    """With the time it was fetched, and without losing it: it is still there the next time (fault F1)."""

    def read(body: dict[str, object]) -> object:
        if not isinstance(body["snow"], int):
            raise SourceChanged("sky", "snow is no number")
        return body

    respx.get(URL).mock(side_effect=[ok(cache_control="max-age=60"), *[failure] * 6])
    await client.get_json("sky", URL, read=read)
    clock.now += timedelta(hours=2)
    for _ in range(2):
        answer = await client.get_json("sky", URL, read=read)
        assert (answer.value, answer.stale, answer.from_cache) == (GOOD, True, True)
        assert answer.fetched_at == START
        assert answer.stale_because


@respx.mock
async def test_a_last_good_answer_older_than_two_days_is_not_served(client: HttpClient, clock: Clock) -> None:
    respx.get(URL).mock(side_effect=[ok(), *[httpx.Response(500)] * 3])
    await client.get_json("sky", URL, read=as_is)
    clock.now += timedelta(hours=49)
    with pytest.raises(SourceDown):
        await client.get_json("sky", URL, read=as_is)


@respx.mock
async def test_a_plain_refusal_is_not_hidden_by_the_last_good_answer(client: HttpClient) -> None:
    respx.get(URL).mock(side_effect=[ok(), httpx.Response(404)])
    await client.get_json("sky", URL, read=as_is)
    with pytest.raises(SourceError, match="404"):
        await client.get_json("sky", URL, read=as_is)


# --- what is left alone, and for how long


@respx.mock
async def test_failing_question_rests_while_its_host_answers(client: HttpClient, clock: Clock) -> None:
    """One cell answered 500 for twelve days (weather-gov/api issue 160). After two calls of three tries it rests for
    half an hour, then twice as long; the other cells are asked as ever."""
    sore = respx.get(f"{URL}/sore").mock(return_value=httpx.Response(500))
    well = respx.get(f"{URL}/well").mock(return_value=ok())
    counts = []
    for _ in range(8):
        with pytest.raises(SourceDown):
            await client.get_json("sky", f"{URL}/sore", read=as_is)
        await client.get_json("sky", f"{URL}/well", read=as_is)
        counts.append(sore.call_count)
        clock.now += timedelta(minutes=19)
    assert counts == [3, 6, 6, 9, 9, 9, 9, 12]
    assert well.call_count == 8


@respx.mock
@pytest.mark.parametrize("failure", [httpx.Response(503), httpx.Response(200, html="<h1>busy</h1>")])
async def test_after_a_host_outage_every_question_is_asked_again(
    client: HttpClient, clock: Clock, failure: httpx.Response
) -> None:
    """Down for six hours, the host is tried at least every quarter of an hour, and no question that served as the trial
    is left alone for it once the host answers."""
    route = respx.get(url__startswith=URL).mock(return_value=failure)
    for _ in range(36):
        before = route.call_count
        for i in range(8):
            with pytest.raises(SourceError):
                await client.get_json("sky", f"{URL}/{i}", read=as_is)
        assert 0 <= route.call_count - before <= 15
        clock.now += timedelta(minutes=10)
    assert 3 * 6 * 4 - 9 <= route.call_count <= 3 * 6 * 6
    clock.now += timedelta(minutes=5)
    route.mock(return_value=ok())
    answers = [await client.get_json("sky", f"{URL}/{i}", read=as_is) for i in range(8)]
    assert not any(answer.stale for answer in answers)


@respx.mock
async def test_what_one_question_must_wait_for_does_not_close_the_host(client: HttpClient, clock: Clock) -> None:
    """An expired grid is one office's outage: each of its cells rests for an hour, though the answer has Retry-After,
    and cells of other offices are asked."""

    def interpret_error(status: int, problem: object) -> SourceError:
        return NoDataForLocation("sky", "the grid has expired", retryable=True, retry_after_s=3600.0)

    options = RequestOptions(interpret_error=interpret_error)

    expired = respx.get(url__startswith=f"{URL}/XYZ/").mock(
        return_value=httpx.Response(503, headers={"retry-after": "60"}, json={})
    )
    respx.get(f"{URL}/ABC/1").mock(return_value=ok())
    for _ in range(2):
        for i in range(6):
            with pytest.raises(SourceDown, match="the grid has expired"):
                await client.get_json("sky", f"{URL}/XYZ/{i}", read=as_is, options=options)
    assert expired.call_count == 6
    assert (await client.get_json("sky", f"{URL}/ABC/1", read=as_is, options=options)).value == GOOD
    clock.now += timedelta(minutes=61)
    with pytest.raises(SourceDown):
        await client.get_json("sky", f"{URL}/XYZ/0", read=as_is, options=options)
    assert expired.call_count == 7


@respx.mock
async def test_dead_host_rests_longer_up_to_a_quarter_of_an_hour(client: HttpClient, clock: Clock) -> None:
    respx.get(url__startswith=URL).mock(side_effect=httpx.ConnectError("refused"))
    rests = []
    for i in range(10):
        with pytest.raises(SourceDown):
            await client.get_json("sky", f"{URL}/{i}", read=as_is)
        with pytest.raises(SourceDown) as caught:
            await client.get_json("sky", f"{URL}/{i}", read=as_is)
        if caught.value.problem.startswith("not asked again"):
            rests.append(caught.value.retry_after_s)
            clock.now += timedelta(seconds=caught.value.retry_after_s or 0.0)
    assert rests[:5] == [60.0, 120.0, 240.0, 480.0, 900.0]


async def test_running_call_does_not_reopen_a_host_that_asked_to_wait(clock: Clock) -> None:
    """Two calls run at once: the second is told to wait ten minutes, the first succeeds after that."""
    raw = asyncio.Event()

    async def answer(request: httpx.Request) -> httpx.Response:
        if request.url.path.endswith("/2"):
            raw.set()
            return httpx.Response(429, headers={"retry-after": "600"})
        await raw.wait()
        await asyncio.sleep(0.01)
        return ok()

    async with make_client(clock, None, transport=httpx.MockTransport(answer)) as client:
        calls = [client.get_json("sky", f"{URL}/{i}", read=as_is) for i in (1, 2)]
        results = await asyncio.gather(*calls, return_exceptions=True)
        assert [isinstance(result, SourceDown) for result in results] == [False, True]
        with pytest.raises(SourceDown, match="not asked again before 06:10 UTC"):
            await client.get_json("sky", f"{URL}/4", read=as_is)


@respx.mock
async def test_an_answer_of_203_is_taken_and_told_once(clock: Clock, tmp_path: Path) -> None:
    """api.met.no: deprecated or beta, log it."""
    raw: list[str] = []
    respx.get(url__startswith=URL).mock(return_value=httpx.Response(203, json=GOOD))
    async with make_client(clock, tmp_path, on_error=raw.append) as client:
        for i in range(3):
            assert (await client.get_json("sky", f"{URL}/{i}", read=as_is)).value == GOOD
    assert raw == ["sky: sky.example answered 203: the requested product is deprecated or a trial"]


@respx.mock
async def test_304_to_an_unreadable_entry_fetches_it_whole(client: HttpClient) -> None:
    """Else the server would confirm for ever what an older version stored and this one refuses."""

    def strict(body: dict[str, object]) -> object:
        if "snow" not in body:
            raise SourceChanged("sky", "no snow")
        return body

    route = respx.get(URL).mock(side_effect=[ok({"rain": 1}, etag='"a"'), httpx.Response(304), ok()])
    await client.get_json("sky", URL, read=as_is)
    assert (await client.get_json("sky", URL, read=strict)).value == GOOD
    assert "if-none-match" not in route.calls[2].request.headers


@respx.mock
async def test_half_a_body_is_asked_for_again_and_a_changed_one_is_not(client: HttpClient) -> None:
    half = httpx.Response(200, content=b'{"snow": ', headers={"content-type": "application/json"})
    route = respx.get(URL).mock(side_effect=[half, httpx.Response(200, html="<h1>busy</h1>"), ok()])
    assert (await client.get_json("sky", URL, read=as_is)).value == GOOD
    assert route.call_count == 3

    def changed(body: object) -> object:
        raise SourceChanged("sky", "another shape")

    other = respx.get(f"{URL}/b").mock(return_value=ok())
    with pytest.raises(SourceChanged):
        await client.get_json("sky", f"{URL}/b", read=changed)
    assert other.call_count == 1


async def test_a_packed_body_is_unpacked_and_a_bomb_is_not(clock: Clock) -> None:
    """20 MB of spaces are 20 kB on the way."""

    def answer(request: httpx.Request) -> httpx.Response:
        assert request.headers["accept-encoding"] == "gzip, deflate"
        body = json.dumps(GOOD).encode() if request.url.path.endswith("good") else b" " * 20_000_000
        headers = {"content-type": "application/json", "content-encoding": "gzip"}
        return httpx.Response(200, stream=httpx.ByteStream(gzip.compress(body)), headers=headers)

    async with make_client(clock, None, transport=httpx.MockTransport(answer)) as client:
        assert (await client.get_json("sky", f"{URL}/good", read=as_is)).value == GOOD
        with pytest.raises(SourceChanged, match="sent more than 10 MB"):
            await client.get_json("sky", f"{URL}/bomb", read=as_is)


# --- redirects, deadlines, pace


@respx.mock
async def test_a_redirect_on_the_same_server_is_followed(client: HttpClient) -> None:
    """weather.gov redirects a point with more than 4 decimals (AdjustPointPrecision)."""
    respx.get("https://sky.example/points/39.12345,-106").mock(
        return_value=httpx.Response(301, headers={"location": "/points/39.1235,-106"})
    )
    respx.get("https://sky.example/points/39.1235,-106").mock(return_value=ok())
    assert (await client.get_json("sky", "https://sky.example/points/39.12345,-106", read=as_is)).value == GOOD


@respx.mock
@pytest.mark.parametrize("target", ["https://elsewhere.example/x", "http://sky.example/x", "//elsewhere.example/"])
async def test_a_redirect_to_another_server_is_refused(client: HttpClient, target: str) -> None:
    respx.get(URL).mock(return_value=httpx.Response(301, headers={"location": target}))
    with pytest.raises(SourceChanged, match="redirects to another server"):
        await client.get_json("sky", URL, read=as_is)


@respx.mock
@pytest.mark.parametrize("target", ["https://[::1", "https://sky.example:port/", "/x\x00y"])
async def test_a_redirect_to_no_url_is_refused(client: HttpClient, target: str) -> None:
    respx.get(URL).mock(return_value=httpx.Response(301, headers={"location": target}))
    with pytest.raises(SourceError):
        await client.get_json("sky", URL, read=as_is)


@respx.mock
async def test_a_redirect_loop_ends(client: HttpClient) -> None:
    respx.get(URL).mock(return_value=httpx.Response(302, headers={"location": URL}))
    with pytest.raises(SourceChanged, match="redirected more than"):
        await client.get_json("sky", URL, read=as_is)


class Drip(httpx.AsyncByteStream):
    """A body that never ends, each byte soon enough for a read timeout."""

    async def __aiter__(self) -> AsyncIterator[bytes]:
        while True:
            await asyncio.sleep(0)
            yield b" "


class Hang(httpx.AsyncByteStream):
    async def __aiter__(self) -> AsyncIterator[bytes]:
        await asyncio.Event().wait()
        yield b""


@pytest.mark.parametrize("stream", [Drip(), Hang()])
async def test_a_server_that_drips_or_hangs_meets_the_deadline(clock: Clock, stream: httpx.AsyncByteStream) -> None:
    """A read timeout alone never ends a drip (fault F2)."""
    transport = httpx.MockTransport(
        lambda request: httpx.Response(200, stream=stream, headers={"content-type": "application/json"})
    )
    async with make_client(clock, None, transport=transport, deadline_s=0.05) as client:
        with pytest.raises(SourceDown, match=r"no whole answer within 0\.05 s"):
            await client.get_json("sky", URL, read=as_is)


@respx.mock
async def test_a_wait_that_would_miss_the_deadline_is_not_begun(clock: Clock) -> None:
    """The message says why, instead of only that time ran out."""
    respx.get(URL).mock(return_value=httpx.Response(503, headers={"retry-after": "15"}))
    async with make_client(clock, None, deadline_s=10.0) as client:
        with pytest.raises(SourceDown, match="answered HTTP 503"):
            await client.get_json("sky", URL, read=as_is)
    assert clock.slept == []


@respx.mock
async def test_calls_to_one_host_keep_its_pace(clock: Clock) -> None:
    """5 a second at any moment, the start included: 9 calls take 8 waits of a fifth of a second."""
    respx.get(url__startswith=URL).mock(return_value=ok())
    async with make_client(clock, None, per_s_per_host=5.0) as client:
        await asyncio.gather(*(client.get_json("sky", f"{URL}/{i}", read=as_is) for i in range(9)))
    assert clock.slept == [pytest.approx(0.2, abs=1e-3)] * 8


async def test_no_more_than_four_calls_run_at_once(clock: Clock) -> None:
    running = most = 0

    async def answer(request: httpx.Request) -> httpx.Response:
        nonlocal running, most
        running += 1
        most = max(most, running)
        await asyncio.sleep(0)
        running -= 1
        return ok()

    async with make_client(clock, None, transport=httpx.MockTransport(answer)) as client:
        await asyncio.gather(*(client.get_json("sky", f"{URL}/{i}", read=as_is) for i in range(12)))
    assert most == 4


@respx.mock
async def test_two_trucks_on_one_road_cost_one_call(client: HttpClient) -> None:
    route = respx.get(URL).mock(return_value=ok(cache_control="max-age=60"))
    await asyncio.gather(*(client.get_json("sky", URL, read=as_is) for _ in range(5)))
    assert route.call_count == 1


@respx.mock
async def test_the_servers_date_tells_how_far_our_clock_is_off(client: HttpClient) -> None:
    respx.get(URL).mock(return_value=ok(date="Mon, 12 Jan 2026 06:05:30 GMT"))
    assert (await client.get_json("sky", URL, read=as_is)).clock_offset_s == 330.0


def test_every_httpx_failure_has_words_of_ours() -> None:
    kinds = [kind for kind in vars(httpx).values() if isinstance(kind, type) and issubclass(kind, httpx.HTTPError)]
    assert len(kinds) > 10
    for kind in kinds:
        exc = kind.__new__(kind)
        Exception.__init__(exc, "x")
        assert isinstance(from_httpx_error("sky", exc), SourceError)


def test_waits_are_one_five_and_fifteen_seconds_with_jitter() -> None:
    """Table 2.6 of the reference: three tries, 1-5-15 s and jitter."""
    policy = RetryPolicy(tries=10)
    error = SourceDown("sky", "down", retryable=True)
    assert [policy.wait_s(n, error, 0.5) for n in range(1, 6)] == [1.0, 5.0, 15.0, 15.0, 15.0]
    assert [policy.wait_s(2, error, jitter) for jitter in (0.0, 0.99)] == [2.5, pytest.approx(7.45)]
    assert policy.wait_s(10, error, 1.0) is None
    assert policy.wait_s(1, SourceDown("sky", "off", retryable=True, retry_after_s=21.0), 1.0) is None


def test_a_stored_entry_reads_back_as_it_was(tmp_path: Path) -> None:
    entry = CacheEntry(headers={"etag": '"a"'}, body=json.dumps(GOOD).encode() + b"\n\n", fetched_at=START,
                  fresh_until=START, varied={"accept": "x"})  # fmt: skip
    DiskCache(tmp_path).put(cache_key("a"), entry)
    assert DiskCache(tmp_path).get(cache_key("a")) == entry


async def test_a_lack_of_network_ends_before_a_busy_servers_waits(clock: Clock) -> None:
    """Waits of a minute are for a busy server; three tries without a connection wait 1 and 5 s, with jitter."""
    patient = RetryPolicy(tries=4, waits_s=(10.0, 30.0, 60.0), max_wait_s=120.0)

    def no_name(request: httpx.Request) -> httpx.Response:
        raise httpx.ConnectError("name") from socket.gaierror(-2, "Name or service not known")

    transport = httpx.MockTransport(no_name)
    async with make_client(clock, None, retry=patient, deadline_s=400.0, transport=transport) as client:
        with pytest.raises(SourceDown, match="its name was not found; is there a network"):
            await client.get_json("sky", URL, read=as_is)
    assert len(clock.slept) == 2
    assert sum(clock.slept) < 10.0


async def test_an_offline_connection_asks_once_and_never_waits(clock: Clock) -> None:
    connection = offline()
    async with make_client(clock, None, retry=connection.retry, transport=connection.transport) as client:
        for _ in range(2):
            with pytest.raises(SourceDown):
                await client.get_json("sky", URL, read=as_is)
    assert clock.slept == []


def test_a_failed_connection_is_archived_under_the_old_name() -> None:
    """Archives made before the finer class was split off name it "Unreached", and are still read."""
    assert stored_kind(NotConnected) == stored_kind(Unreachable) == "Unreached"
    assert failure_kinds()["Unreached"] is Unreachable


# --- nothing is parsed twice


@respx.mock
async def test_a_body_that_comes_again_is_parsed_once(client: HttpClient, clock: Clock) -> None:
    """From the cache, confirmed by a 304, sent again, and where a new one is compared with it."""
    read_bodies: list[object] = []
    compared: list[tuple[object, object]] = []

    def read(body: object) -> object:
        read_bodies.append(body)
        return body

    def doubt(new: object, before: object) -> str:
        compared.append((new, before))
        return ""

    async def ask() -> object:
        options = RequestOptions(default_life_s=60.0, keep=True)
        return (await client.get_json("sky", URL, read=read, doubt=doubt, options=options)).value

    route = respx.get(URL)
    route.return_value = ok(etag='"a"')
    assert [await ask(), await ask()] == [GOOD, GOOD]
    route.return_value = httpx.Response(304)
    clock.now += timedelta(minutes=5)
    assert await ask() == GOOD
    route.return_value = ok()
    clock.now += timedelta(minutes=5)
    assert await ask() == GOOD
    assert read_bodies == [GOOD]
    compared.clear()
    route.return_value = ok({"snow": 4})
    clock.now += timedelta(minutes=5)
    assert await ask() == {"snow": 4}
    assert read_bodies == [GOOD, {"snow": 4}]
    assert ({"snow": 4}, GOOD) in compared


@respx.mock
async def test_without_keep_each_answer_is_read_again(client: HttpClient) -> None:
    read_n = []
    respx.get(URL).return_value = ok()
    for _ in range(2):
        await client.get_json("sky", URL, read=read_n.append, options=RequestOptions(default_life_s=60.0))
    assert len(read_n) == 2


def test_parsed_values_are_kept_up_to_their_bytes() -> None:
    kept = ParsedByUrl(most_bytes=3000)
    values = [np.random.default_rng(n).random(100) for n in range(5)]  # 800 bytes each, which no packing shortens much
    for n, value in enumerate(values):
        kept.of(f"u{n}").put(b"body", value)
    found = [kept.of(f"u{n}").get(b"body") for n in range(5)]
    assert [x is not None for x in found] == [False, False, True, True, True]
    assert all(np.array_equal(a, b) for a, b in zip(found[2:], values[2:], strict=True))
    assert kept.of("u4").get(b"another") is None

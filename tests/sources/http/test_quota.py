"""Calls are counted as Open-Meteo's server counts them, and a spent allowance is never overdrawn.

Windows and weights: the source's terms, and RateLimiter.swift and ForecastapiQuery.swift of open-meteo/open-meteo, as
worked out by hand in each test.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from alertd.errors import SourceDown, SourceError
from alertd.sources.http.answer import RequestOptions
from alertd.sources.http.client import HttpClient
from alertd.sources.http.host_limits import HostLimits, call_weight, limits_of
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.quota import Quota

LIMITS = {"minute": 600, "hour": 5_000, "day": 10_000, "month": 300_000}
NOW = datetime(2026, 1, 12, 6, 20, 30, tzinfo=UTC)
FREE = "https://api.open-meteo.com/v1/forecast"


def later(**by: float) -> datetime:
    return NOW + timedelta(**by)


# --- what a question counts as


@pytest.mark.parametrize(
    ("url", "calls"),
    [
        # The reference's example: 60 points, 14 variables, 3 days = 60 x 1.4.
        (f"{FREE}?latitude={','.join(['1'] * 60)}&hourly={','.join('v' * 14)}&forecast_days=3", 84.0),
        (f"{FREE}?latitude=1,2&hourly={','.join('v' * 10)}&past_days=3&forecast_days=7", 2.0),
        (f"{FREE}?latitude=1&hourly=temperature_2m", 1.0),  # never less than one a place
        (f"{FREE}?latitude=1&hourly={','.join('v' * 10)}&past_days=12&forecast_days=16", 2.0),  # 28 of 14 days
        (f"{FREE}?latitude=1&hourly={','.join('v' * 10)}&models=a,b,c&forecast_days=3", 3.0),
        (f"{FREE}?latitude=1&hourly={','.join('v' * 6)}&daily={','.join('v' * 9)}", 1.5),
        (f"https://ensemble-api.open-meteo.com/v1/ensemble?latitude=1&hourly={','.join('v' * 10)}", 51.0),
        (f"https://api.open-meteo.com/v1/elevation?latitude={','.join(['1'] * 100)}&longitude=1", 100.0),
    ],
)
def test_trap_17_question_counts_places_variables_models_days(url: str, calls: float) -> None:
    assert call_weight(url) == pytest.approx(calls)


OTHER = HostLimits(name="", at_once=3, per_s=9.0)


@pytest.mark.parametrize(
    ("url", "name", "at_once", "per_s", "quotas"),
    [
        ("https://api.weather.gov/points/1,2", "api.weather.gov", 4, 5.0, {}),
        (FREE, "open-meteo.com", 1, 5.0, LIMITS),
        ("https://ensemble-api.open-meteo.com/v1/ensemble", "open-meteo.com", 1, 5.0, LIMITS),
        ("https://customer-api.open-meteo.com/v1/forecast", "customer-api.open-meteo.com", 3, 9.0, {}),
        ("https://api.met.no/weatherapi", "api.met.no", 4, 5.0, {}),
        ("https://aviationweather.gov/api/data/metar", "aviationweather.gov", 2, 1.6, {}),  # 96 a minute
        ("https://api.weather.gc.ca/collections", "api.weather.gc.ca", 2, 1.0, {}),
        ("http://127.0.0.1:8080/v1/forecast", "127.0.0.1:8080", 3, 9.0, {}),
        ("https://notopen-meteo.com/", "notopen-meteo.com", 3, 9.0, {}),
    ],
)
def test_each_host_has_its_stated_limits(
    url: str, name: str, at_once: int, per_s: float, quotas: dict[str, int]
) -> None:
    limits = limits_of(url, OTHER)
    assert (limits.name, limits.at_once, limits.per_s, dict(limits.quotas)) == (name, at_once, per_s, quotas)


# --- the count


def test_each_window_clears_at_its_turn() -> None:
    """06:20:30: the minute turns at 06:21, the hour at 07:00, the day at 00:00; a second is added for the clocks."""
    quota = Quota(LIMITS, None)
    assert quota.take(600, NOW) is None
    spent = quota.take(1, NOW)
    assert spent is not None
    assert (spent.window, spent.until) == ("minute", datetime(2026, 1, 12, 6, 21, 1, tzinfo=UTC))
    for minute in range(1, 8):
        assert quota.take(600, later(minutes=minute)) is None
    spent = quota.take(201, later(minutes=8))  # 4800 + 201 of 5000
    assert spent is not None
    assert (spent.window, spent.until) == ("hour", datetime(2026, 1, 12, 7, 0, 1, tzinfo=UTC))
    for minute in range(8):
        assert quota.take(600, later(hours=1, minutes=minute)) is None
    assert quota.take(400, later(hours=2)) is None  # 4800 + 4800 + 400 = 10,000
    spent = quota.take(1, later(hours=2, minutes=1))
    assert spent is not None
    assert (spent.window, spent.until) == ("day", datetime(2026, 1, 13, 0, 0, 1, tzinfo=UTC))
    assert quota.take(1, datetime(2026, 1, 13, 0, 0, 1, tzinfo=UTC)) is None


def test_the_month_is_that_of_the_calendar() -> None:
    quota = Quota({"month": 10}, None)
    assert quota.take(10, NOW) is None
    spent = quota.take(1, datetime(2026, 1, 31, 23, tzinfo=UTC))
    assert spent is not None
    assert spent.until == datetime(2026, 2, 1, 0, 0, 1, tzinfo=UTC)


def test_refused_is_not_counted_and_a_failed_call_counts_more() -> None:
    quota = Quota(LIMITS, None)
    quota.take(500, NOW)
    quota.take(200, NOW)
    quota.add(1, NOW)
    assert quota.used(NOW) == {"minute": 501, "hour": 501, "day": 501, "month": 501}


def test_a_question_larger_than_its_window_is_never_asked() -> None:
    """680 points in one request exceeded the 600 a minute (open-meteo issue 715)."""
    spent = Quota(LIMITS, None).take(680, NOW)
    assert spent is not None
    assert (spent.until, spent.because) == (None, "this question counts as 680 calls, and 600 per minute are allowed")


def test_the_count_outlives_its_process_and_is_shared(tmp_path: Path) -> None:
    path = tmp_path / "calls.json"
    one, two = Quota(LIMITS, path), Quota(LIMITS, path)
    one.take(400, NOW)
    assert two.take(300, NOW) is not None
    two.take(200, NOW)
    assert one.used(NOW)["minute"] == 600
    one.close(later(hours=3), "Daily limit")
    again = Quota(LIMITS, path).take(1, later(hours=2, minutes=59))
    assert again is not None
    assert (again.until, again.because) == (later(hours=3), "Daily limit")
    assert Quota(LIMITS, path).take(1, later(hours=3)) is None


@pytest.mark.parametrize(
    "harm", ["", "{", "[]", "null", '{"used": {"minute": ["2026-01-12T06:20:00", 3]}}',
             '{"used": {"minute": ["2026-01-12T06:20:00+00:00", -3]}}', '{"used": 3}',
             '{"used": {"minute": ["2026-01-12T06:20:00+00:00", NaN]}}', '{"closed": {}}'],
)  # fmt: skip
def test_a_damaged_count_is_told_and_begun_anew(tmp_path: Path, harm: str) -> None:
    raw: list[str] = []
    path = tmp_path / "calls.json"
    path.write_text(harm)
    quota = Quota(LIMITS, path, raw.append)
    assert quota.take(600, NOW) is None
    assert quota.take(1, NOW) is not None
    assert len(raw) == 1
    assert "damaged" in raw[0]


def test_a_count_that_cannot_be_written_lives_in_memory(tmp_path: Path) -> None:
    raw: list[str] = []
    (tmp_path / "file").write_text("a file where the folder should be")
    quota = Quota(LIMITS, tmp_path / "file" / "calls.json", raw.append)
    assert quota.take(600, NOW) is None
    assert quota.take(1, NOW) is not None
    assert len(raw) == 1


def test_a_clock_set_back_gives_nothing_away() -> None:
    quota = Quota(LIMITS, None)
    quota.take(600, NOW)
    assert quota.take(1, later(minutes=-5)) is not None


# --- the client keeps to it


class Clock:
    def __init__(self) -> None:
        self.now, self.slept = NOW, list[float]()

    def __call__(self) -> datetime:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += timedelta(seconds=seconds)


def client_on(clock: Clock, cache: Path, answer: Any, asked: list[str]) -> HttpClient:
    def handler(request: httpx.Request) -> httpx.Response:
        asked.append(str(request.url))
        return answer() if callable(answer) else answer

    return HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=cache, now_utc=clock, rng=np.random.default_rng(1), sleep=clock.sleep,
        transport=httpx.MockTransport(handler),
    ))  # fmt: skip


def good() -> httpx.Response:
    return httpx.Response(200, json={"x": 1})


def as_is(body: object) -> object:
    return body


def places(count: int, first: int = 0) -> dict[str, str]:
    return {"latitude": ",".join(str(first + i) for i in range(count)), "hourly": ",".join("v" * 10)}


async def test_the_client_waits_for_the_next_minute(tmp_path: Path) -> None:
    clock, asked = Clock(), list[str]()
    async with client_on(clock, tmp_path, good, asked) as client:
        for i in range(7):
            await client.get_json("open-meteo", FREE, read=as_is, params=places(100, 1000 * i))
    assert len(asked) == 7
    assert clock.now >= datetime(2026, 1, 12, 6, 21, tzinfo=UTC)


async def test_call_beyond_the_hours_quota_is_not_made_and_is_named(tmp_path: Path) -> None:
    clock, asked = Clock(), list[str]()
    async with client_on(clock, tmp_path, good, asked) as client:
        await client.get_json("open-meteo", FREE, read=as_is, params=places(100))
        Quota(LIMITS, tmp_path / "calls-open-meteo.com.json").add(4_850, NOW)
        clock.now = later(minutes=2)
        answer = await client.get_json("open-meteo", FREE, read=as_is, params=places(100))
        assert answer.stale
        assert answer.stale_because == "quota spent until 07:00 UTC (5,000 calls per hour)"
        with pytest.raises(SourceDown, match="quota spent until 07:00 UTC") as caught:
            await client.get_json("open-meteo", FREE, read=as_is, params=places(51, 500))
        assert caught.value.retry_after_s == pytest.approx(37 * 60 + 31, abs=2)
        await client.get_json("open-meteo", FREE, read=as_is, params=places(50, 700))  # what is left may be spent
    assert len(asked) == 2


async def test_trap_17_question_beyond_a_minutes_quota_is_refused(tmp_path: Path) -> None:
    clock, asked = Clock(), list[str]()
    async with client_on(clock, tmp_path, good, asked) as client:
        with pytest.raises(SourceError, match="counts as 680 calls, and 600 per minute are allowed"):
            await client.get_json("open-meteo", FREE, read=as_is, params=places(680))
    assert asked == []


async def test_trap_10_spent_day_outlives_a_restart_until_midnight(tmp_path: Path) -> None:
    """429 "Daily ..." stops all calls until 00 UTC, whoever restarts, and sleeps through nothing."""
    clock, asked = Clock(), list[str]()

    def refused() -> httpx.Response:
        return httpx.Response(429, json={"error": True, "reason": "Daily API request limit exceeded."})

    def interpret_error(status: int, problem: object) -> SourceError:
        return SourceDown("open-meteo", "Daily API request limit exceeded.", retryable=True, retry_after_s=63_571.0)

    options = RequestOptions(interpret_error=interpret_error)

    for _ in range(3):
        async with client_on(clock, tmp_path, refused, asked) as client:
            with pytest.raises(SourceDown, match="Daily API request limit exceeded") as caught:
                await client.get_json("open-meteo", FREE, read=as_is, params=places(1), options=options)
    assert "not asked again before 00:00 UTC" in str(caught.value)
    assert (len(asked), clock.slept) == (1, [])
    clock.now = datetime(2026, 1, 13, 0, 0, 2, tzinfo=UTC)
    async with client_on(clock, tmp_path, good, asked) as client:
        await client.get_json("open-meteo", FREE, read=as_is, params=places(1), options=options)
    assert len(asked) == 2


async def test_hosts_of_one_address_share_a_count_and_one_request(tmp_path: Path) -> None:
    clock, asked = Clock(), list[str]()
    async with client_on(clock, tmp_path, good, asked) as client:
        await client.get_json("open-meteo", FREE, read=as_is, params=places(3))
        await client.get_json("open-meteo", "https://api.open-meteo.com/v1/elevation", read=as_is, params=places(2))
    assert Quota(LIMITS, tmp_path / "calls-open-meteo.com.json").used(clock())["day"] == 5

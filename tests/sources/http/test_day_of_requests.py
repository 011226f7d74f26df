"""Hours of planning under a script of faults stay inside every stated limit; the servers count, not the client.

The whole day is `tests/benchmarks/day_of_requests.py`, whose stand-ins and virtual clock these tests use.
"""

import importlib.util
import sys
from collections import Counter
from datetime import timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from alertd.sources.http.quota import Quota

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "day_of_requests.py"


@pytest.fixture(scope="module")
def day() -> ModuleType:
    spec = importlib.util.spec_from_file_location("day_of_requests", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def morning(day: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Four hours with an expired office, a hung host, a page instead of data, and a spent daily quota."""
    host, free = day.NWS, day.FREE
    faults = (
        day.Fault(host=host, kind="500", from_h=0, to_h=24, where="/gridpoints/AAA/12,"),
        day.Fault(host=host, kind="503", from_h=4.5, to_h=4.6, share=0.4),
        day.Fault(host=host, kind="expired", from_h=4.9, to_h=24, where="/gridpoints/BBB"),
        day.Fault(host=host, kind="hung", from_h=5.5, to_h=5.6),
        day.Fault(host=host, kind="html", from_h=6.0, to_h=6.1),
        day.Fault(host=host, kind="429", from_h=6.5, to_h=6.52),
        day.Fault(host=host, kind="stale", from_h=7.0, to_h=24),
        day.Fault(host=free, kind="trailing", from_h=5.0, to_h=5.1),
        day.Fault(host=free, kind="daily", from_h=6.5, to_h=24),
    )
    cache = tmp_path_factory.mktemp("cache")
    return day.run(hours=4.0, count=6, places=5, cache=cache, faults=faults, from_h=4.0)


@pytest.mark.parametrize(
    ("host", "per_s", "at_once"),
    [("api.weather.gov", 5, 4), ("api.open-meteo.com", 5, 1), ("api.met.no", 5, 4), ("api.weather.gc.ca", 1, 2),
     ("aviationweather.gov", 2, 2)],
)  # fmt: skip
def test_no_second_and_no_moment_sees_more_than_a_host_allows(
    morning: Any, host: str, per_s: int, at_once: int
) -> None:
    seen = morning.servers.seen[host]
    assert len(seen.at_s) > 10
    assert seen.most_within(1.0) <= per_s
    assert seen.most_at_once <= at_once


def test_no_minute_sees_more_than_a_hundred_observations(morning: Any) -> None:
    assert morning.servers.seen["aviationweather.gov"].most_within(60.0) <= 100


def test_stations_are_asked_once_a_cycle_for_all_roads(morning: Any) -> None:
    """Eight cycles: no station answers more often, and the airports of five roads come in few questions."""
    told = morning.servers.seen["api.weather.gov"].good_urls
    by_station = Counter[str]()
    for url, n in told.items():
        by_station[url.partition("?")[0]] += n if "/observations" in url else 0
    assert 1 <= max(by_station.values()) <= 8
    airports = morning.servers.seen["aviationweather.gov"].good_urls
    assert 1 <= sum(n for url, n in airports.items() if "ids=" in url) <= 8
    assert morning.evidence["nws: stations"] > 20
    assert not morning.evidence["open-meteo: stations"]


def test_a_host_that_says_its_day_is_spent_is_asked_once(morning: Any) -> None:
    seen = morning.servers.seen["api.open-meteo.com"]
    counted = [at for at, weight in zip(seen.at_s, seen.weighted, strict=True) if weight and at >= 6.5 * 3600.0]
    assert len(counted) == 1


def test_expired_office_is_asked_hourly_at_most_and_named(morning: Any) -> None:
    assert any("NWS missing for office BBB" in reason for reason in morning.reasons)
    assert morning.servers.seen["api.weather.gov"].statuses["503"] < 200


def test_what_is_not_fresh_is_said_to_be(morning: Any) -> None:
    """From 07:00 all grids are 88 h old: no forecast of the weather service is handed out as good from then on, and
    each of the 8 cycles of 6 roads gets an answer of some kind from either source."""
    handed = morning.forecasts
    for source in ("nws", "open-meteo"):
        assert sum(n for (name, _), n in handed.items() if name == source) == 8 * 6
    assert any("92 h old" in reason or "91 h old" in reason or "88 h old" in reason for reason in morning.reasons)
    assert any("quota" in reason or "Daily" in reason for reason in morning.reasons)


def test_counted_calls_stay_inside_the_minute_and_the_hour(day: ModuleType, tmp_path: Path) -> None:
    """Eight roads of 100 places after 4300 calls of the hour, 120 calls a road: the last three roads are not asked for,
    and the source says until when."""
    Quota({"minute": 600, "hour": 5_000, "day": 10_000}, tmp_path / "calls-open-meteo.com.json").add(
        4_300, day.MIDNIGHT + timedelta(hours=8.1)
    )
    outcome = day.run(hours=0.5, count=8, places=100, cache=tmp_path, faults=(), from_h=8.25, only=day.FREE)
    seen = outcome.servers.seen[day.FREE]
    assert np.count_nonzero(seen.weighted) == 5  # metadata of models are not counted
    assert seen.most_weighted(60.0) == 600
    assert dict(outcome.reasons) == {"quota spent until 09:00 UTC (5,000 calls per hour)": 3}

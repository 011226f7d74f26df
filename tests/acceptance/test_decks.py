"""Real roads under described skies, with the shipped settings and no stops file: the decision that the trade expects.

The expectations are common practice without a source: what a driver of many winters would decide on such a morning.
Roads and skies are those of `fixtures/roads` and `fixtures/skies`.
"""

import argparse
import importlib.util
import sys
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from alertd.testing.weather.roads import Road, read_roads
from alertd.units import MILE_M

SCRIPT = Path(__file__).resolve().parents[1] / "benchmarks" / "any_road.py"


def script() -> Any:
    """The script that plans a road under a sky."""
    spec = importlib.util.spec_from_file_location("any_road", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["any_road"] = module
    spec.loader.exec_module(module)
    return module


any_road = script()
ROADS = read_roads(any_road.ROADS / "roads.csv")
BOTH_WAYS = {"us-i80-donner"}
WAYS: dict[str, Road] = dict(ROADS) | {f"{name}-reverse": ROADS[name].reversed() for name in BOTH_WAYS}
RANKS = ["clear", "slow", "ready", "chain", "hold"]
# For each sky the mildest and the strictest decision that a seasoned driver would accept on a road over a pass.
EXPECTED = {
    "dry": ("clear", "clear"),
    "light-snow": ("slow", "chain"),
    "storm": ("chain", "hold"),
    "freezing-rain": ("hold", "hold"),
}
FLAT = {"us-us97-blewett-klamath"}  # no long grade: snow asks for care, and chains only by a sign
# Skies on one road. Rain at +6 C asks for nothing; a control follows snow; ice and deep snow ask to wait.
ONE_ROAD = "us-i80-donner"
SKIES = {
    "rain": ("clear", "clear"),
    "zero-at-summit": ("ready", "chain"),
    "cold-dry": ("clear", "slow"),
    "blizzard": ("chain", "hold"),
    "deep-snow": ("hold", "hold"),
    "freezing-rain-valleys": ("slow", "hold"),
    "thaw-refreeze": ("slow", "ready"),
    "hoar-frost": ("clear", "slow"),
    "snow-ended": ("slow", "ready"),  # ten hours after the snow a driver decides at the sign
    "drifting-snow": ("slow", "hold"),
    "snow-on-old-ice": ("ready", "hold"),
    "gale-dry": ("clear", "slow"),
}
MOST_BEFORE_M, MOST_BARE_AFTER_M = 20.0 * MILE_M, 10.0 * MILE_M


MORNING = datetime(2026, 12, 10, 11, tzinfo=UTC)  # 3 a.m. Pacific time
LATER_H = {"morning": 0, "noon": 9, "evening": 15}


@cache
def planned(way: str, sky: str, now: datetime = MORNING) -> dict[str, Any]:
    args = argparse.Namespace(source="open-meteo", rig="tractor-6x4-van-53", depart_in_h=2.0, text=False, now=now)
    return any_road.plan(WAYS[way], sky, args)[0]


def between(advice: str, least: str, most: str) -> bool:
    return RANKS.index(least) <= RANKS.index(advice) <= RANKS.index(most)


@pytest.mark.slow
@pytest.mark.parametrize("sky", EXPECTED)
@pytest.mark.parametrize("way", WAYS)
def test_the_advice_is_what_the_trade_expects(way: str, sky: str) -> None:
    plan = planned(way, sky)
    least, most = EXPECTED[sky]
    if way in FLAT and sky == "storm":
        least = "slow"
    assert between(plan["advice"], least, most), any_road.row(plan)
    assert not plan["partial"]


@pytest.mark.slow
@pytest.mark.parametrize("hour", ["noon", "evening"])
@pytest.mark.parametrize("sky", ["storm", "freezing-rain"])
@pytest.mark.parametrize("way", ["us-i80-donner", "us-i80-donner-reverse"])
def test_the_advice_holds_at_every_hour_of_the_day(way: str, sky: str, hour: str) -> None:
    """Daylight warms a road: rain that freezes is still no weather to start in."""
    plan = planned(way, sky, MORNING + timedelta(hours=LATER_H[hour]))
    assert between(plan["advice"], *EXPECTED[sky]), any_road.row(plan)


@pytest.mark.slow
@pytest.mark.parametrize("sky", EXPECTED)
@pytest.mark.parametrize("way", WAYS)
def test_chains_go_on_near_the_snow_and_come_off_soon(way: str, sky: str) -> None:
    plan = planned(way, sky)
    for s in plan["stretches"]:
        before_m = s["start_m"] - s["chain_up"]["distance_m"]
        after_m = s["chain_off"]["distance_m"] - s["end_m"]
        explained = any("chains stay on" in reason or "miles before" in reason for reason in s["reasons"])
        assert before_m <= MOST_BEFORE_M or explained, any_road.row(plan)
        assert after_m <= MOST_BARE_AFTER_M or explained, any_road.row(plan)


# Five of 31 members have dew that freezes on two miles below the summit, and the limit of "be ready" is 15 in 100.
TOO_STRICT = pytest.mark.xfail(reason="frozen dew asks for readiness, where the trade expects none", strict=True)


@pytest.mark.slow
@pytest.mark.parametrize("sky", [pytest.param(s, marks=TOO_STRICT) if s == "hoar-frost" else s for s in SKIES])
def test_each_sky_gets_the_decision_of_the_trade(sky: str) -> None:
    plan = planned(ONE_ROAD, sky)
    assert between(plan["advice"], *SKIES[sky]), any_road.row(plan)


@pytest.mark.slow
@pytest.mark.parametrize("sky", ["storm", "light-snow", "zero-at-summit", "freezing-rain-valleys", "thaw-refreeze"])
def test_departures_side_by_side_differ_little(sky: str) -> None:
    """A quarter of an hour moves the odds by less than 0.3; none that is held is offered instead."""
    plan = planned(ONE_ROAD, sky)
    odds = [d["probability"] for d in plan["departures"]]
    assert len(odds) > 100
    assert max(abs(b - a) for a, b in pairwise(odds)) < 0.3
    assert all(p["departure"]["advice"] != "hold" for p in plan["picks"])
    own = next(d for d in plan["departures"] if d["depart_at"] == plan["depart_at"])
    assert (own["advice"], own["probability"]) == (plan["advice"], plan["chain_probability"])
    assert (own["arrive_at"], own["lost_s"]) == (plan["arrive_at"], plan["cost_s"])


@pytest.mark.slow
@pytest.mark.parametrize("sky", ["freezing-rain", "freezing-rain-valleys", "snow-on-old-ice"])
def test_ice_is_named_with_place_and_speed(sky: str) -> None:
    plan = planned(ONE_ROAD, sky)
    icy = [s for s in plan["surfaces"] if s["icy"]]
    assert icy, any_road.row(plan)
    assert all(s["speed_mps"] < 12.0 and s["end_m"] > s["start_m"] for s in icy)

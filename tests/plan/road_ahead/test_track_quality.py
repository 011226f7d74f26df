"""One road as sparse, dense, rough, smooth and reversed tracks: the same passes, grip, need and advice."""

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.road.road_class import RoadClass
from alertd.route.build import build_route
from alertd.route.model import GpxLine, JurisdictionSpan, Route
from alertd.route.passes import passes_of
from alertd.route.sustained_grade import leg_grade, sustained_grade
from alertd.testing.factories import M_PER_DEG_LON, make_rules, make_stop, make_weather

KM = 1000.0
LENGTH_M = 100 * KM
FEET = (18 * KM, 65 * KM)  # of the pass: up at 2.8 %, a level top of 2 km, down at 3.9 %
CORNERS_M = np.asarray([0.0, 18.0, 43.0, 45.0, 65.0, 100.0]) * KM
HEIGHTS_M = np.asarray([600.0, 620.0, 1320.0, 1320.0, 540.0, 500.0])
MEMBERS = 20


def tracks() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return distances and heights of the same road as several devices and files have them."""
    rng = np.random.default_rng(5)
    out = {}
    for name, spacing in (("dense", 20.0), ("plain", 250.0), ("a km", 1_000.0), ("sparse", 2_000.0)):
        d = np.append(np.arange(0.0, LENGTH_M, spacing), LENGTH_M)
        out[name] = d, np.interp(d, CORNERS_M, HEIGHTS_M)
    d, z = out["plain"]
    out["smoothed"] = d, np.convolve(np.pad(z, 4, mode="edge"), np.full(9, 1 / 9), mode="valid")
    for name in ("dense", "plain", "a km"):
        d, z = out[name]
        out[f"{name}, rough"] = d, z + rng.normal(0.0, 15.0, z.shape)
        out[f"{name}, rough again"] = d, z + rng.uniform(-15.0, 15.0, z.shape)
    return out


@lru_cache
def route_of(name: str, reverse: bool = False) -> Route:
    d, z = tracks()[name]
    if reverse:
        d, z = LENGTH_M - d[::-1], z[::-1]
    along_m = (LENGTH_M - d) if reverse else d
    line = GpxLine(
        name=name,
        lat_deg=np.full(d.shape, 47.45),
        lon_deg=-116.5 + along_m / M_PER_DEG_LON,
        elevation_m=z,
        segment_starts=np.zeros(1, dtype=np.intp),
        sha256="",
        where="made",
    )
    built = build_route(line)
    span = JurisdictionSpan(code="US-XX", name="made", start_m=0.0, end_m=built.length_m)
    stops = [make_stop(n, LENGTH_M - m if reverse else m) for n, m in (("a", 8 * KM), ("b", 80 * KM))]
    return Route(
        **{f: getattr(built, f) for f in Route.__dataclass_fields__ if f not in ("jurisdictions", "stops")},
        jurisdictions=(span,),
        stops=tuple(sorted(stops, key=lambda s: s.distance_m)),
    )


NAMES = tuple(tracks())
ROUGH = tuple(n for n in NAMES if "rough" in n)


def snow_on_the_pass(reverse: bool, share: float) -> Any:
    """Snow on the pass and some km around it in a share of the members, from hour 2 on."""

    def script(m: Any, d: Any, h: Any) -> Any:
        at = LENGTH_M - d if reverse else d
        white = (at > 15 * KM) & (at < 68 * KM) & (h >= 2) & (m < share * MEMBERS)
        return np.where(white, RoadClass.SNOW, RoadClass.WET)

    return script


def plan_of(planned: Any, name: str, rate: float, share: float, *, reverse: bool = False) -> Plan:
    route = route_of(name, reverse)
    weather = make_weather(
        route,
        snow_on_the_pass(reverse, share),
        members=MEMBERS,
        snowfall_mmwe_h=rate,
        friction=(np.arange(MEMBERS) * 7 % MEMBERS + 0.5) / MEMBERS,
    )
    rules = {"US-XX": make_rules(chance=0.5, trigger="posted")}
    return planned(route, weather, rules=rules, depart_h=8.0, compare_h=0.0)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("reverse", [False, True])
def test_the_pass_is_the_same_on_every_track(name: str, reverse: bool) -> None:
    params = PlanParams()
    route = route_of(name, reverse)
    ((start_m, end_m),) = passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m)
    feet = tuple(LENGTH_M - m for m in FEET[::-1]) if reverse else FEET
    assert (start_m, end_m) == pytest.approx(feet, abs=3_000)


@pytest.mark.parametrize("name", ROUGH)
def test_rough_heights_make_no_steep_grade(name: str) -> None:
    """Samples of a rough track reach 8 %; the steepest kilometre of this road is 3.9 %."""
    route = route_of(name)
    level = (route.distance_m < 14 * KM) | (route.distance_m > 69 * KM)
    assert np.abs(sustained_grade(route)[level]).max() < 0.025
    assert np.abs(sustained_grade(route)).max() < 0.039 + 0.02
    assert leg_grade(route)[level].max() == 0.0


def test_sustained_grade_keeps_a_constant_one_ends_included() -> None:
    route = route_of("plain")
    inside = (route.distance_m > 20 * KM) & (route.distance_m < 41 * KM)
    assert sustained_grade(route)[inside] == pytest.approx(0.028, abs=1e-4)
    assert sustained_grade(route_of("plain", True))[::-1] == pytest.approx(-sustained_grade(route), abs=1e-6)


@pytest.mark.parametrize(("rate", "share"), [(3.0, 1.0), (2.0, 0.4), (0.1, 0.2), (0.0, 0.0)])
def test_every_track_gives_the_same_advice(planned: Any, rate: float, share: float) -> None:
    """Errors of 15 m turned "plan to chain" into "HOLD from mile 0" once."""
    plans = {(name, way): plan_of(planned, name, rate, share, reverse=way) for name in NAMES for way in (False, True)}
    for way in (False, True):
        known = plans["plain", way]
        for name in NAMES:
            plan = plans[name, way]
            assert plan.advice is known.advice, (name, way)
            assert plan.chain_probability == pytest.approx(known.chain_probability, abs=0.1), (name, way)
            assert [s.advice for s in plan.stretches] == [s.advice for s in known.stretches], (name, way)
            for mine, other in zip(plan.stretches, known.stretches, strict=True):
                assert (mine.start_m, mine.end_m) == pytest.approx((other.start_m, other.end_m), abs=4_000)
                assert mine.chain_up.stop_id == other.chain_up.stop_id
    along, back = plans["plain", False], plans["plain", True]
    assert along.chain_probability == pytest.approx(back.chain_probability, abs=0.1)

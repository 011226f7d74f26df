"""Heights of the mountain above a tunnel and of the valley below a bridge are not the road's."""

import numpy as np
import pytest

from alertd.route.build import build_route
from alertd.route.geometry.ground_heights import between_portals
from alertd.route.model import BridgeSpan, GpxLine, Route, TunnelSpan
from alertd.route.tunnels import Tunnel

DEG_M = 111_195.0
# A2 over the Gotthard, rounded, from memory: 475 m at the north foot, portals at 1,080 and 1,145 m, 16.9 km apart, with
# 1,175 m between, and 320 m at the south foot. The mountain above reaches 2,700 m.
D = np.arange(0.0, 82_000.0, 100.0)
ROAD = np.interp(D, [0, 25e3, 33.5e3, 41.9e3, 82e3], [475, 1080, 1175, 1145, 320])
MOUNTAIN = ROAD + np.interp(
    (D - 25e3) / 16.9e3,
    [0, 0.08, 0.2, 0.3, 0.4, 0.5, 0.62, 0.75, 0.9, 1],
    [0, 600, 1100, 700, 1200, 900, 1500, 1300, 700, 0],
)
GOTTHARD = Tunnel(name="base", lat_deg=tuple(46.82 - m / DEG_M for m in (25e3, 41.9e3)), lon_deg=(8.6, 8.6))
PASS_D = np.arange(0.0, 60_000.0, 50.0)
PASS = np.interp(PASS_D, [0, 15e3, 30e3, 45e3, 60e3], [500, 600, 1650, 600, 500])


def built(distance_m: object, heights: object, tunnels: tuple[Tunnel, ...] = (), lon_deg: object = 8.6) -> Route:
    d = np.asarray(distance_m, dtype=float)
    line = GpxLine(
        name="n",
        lat_deg=46.82 - d / DEG_M,
        lon_deg=np.array(np.broadcast_to(np.asarray(lon_deg, dtype=float), d.shape)),
        elevation_m=np.array(heights, dtype=float),
        segment_starts=np.array([0], dtype=np.intp),
        sha256="",
        where="t.gpx",
    )
    return build_route(line, tunnels=tunnels)


@pytest.mark.parametrize("tunnels", [(GOTTHARD,), ()], ids=["listed", "not listed"])
@pytest.mark.parametrize("heights", [ROAD, MOUNTAIN], ids=["road", "terrain model"])
def test_long_tunnel_is_no_climb_whatever_the_heights(tunnels: tuple[Tunnel, ...], heights: object) -> None:
    route = built(D, heights, tunnels)
    assert route.elevation_m.max() == pytest.approx(1_150.0, abs=30.0)
    assert np.abs(route.grade).max() < 0.03
    assert [round(c.rise_m, -1) for c in route.climbs] == [pytest.approx(600, abs=10)]
    said = [f for f in route.findings if "steeper than a truck road" in f]
    assert len(said) == (heights is MOUNTAIN and not tunnels)
    assert all("mile 15 to 26" in f for f in said)


def test_missing_heights_in_a_listed_tunnel_are_no_gap() -> None:
    heights = np.where((D > 25_000) & (D < 41_900), np.nan, ROAD)
    assert built(D, heights, (GOTTHARD,)).elevation_m.max() == pytest.approx(1_145.0, abs=5.0)


def test_tunnel_under_the_sea_keeps_its_depth() -> None:
    sea = np.interp(D, [0, 25e3, 33e3, 41.9e3, 82e3], [40, 20, -290, 20, 40])
    assert built(D, sea, (GOTTHARD,)).elevation_m.min() == pytest.approx(-285.0, abs=10.0)


@pytest.mark.parametrize("noise_m", [0.0, 5.0, 15.0, 25.0])
def test_real_pass_keeps_its_summit_under_noise(noise_m: float) -> None:
    route = built(PASS_D, PASS + np.random.default_rng(3).normal(0.0, noise_m, PASS.size))
    assert route.elevation_m.max() == pytest.approx(1_642.0, abs=15.0)
    assert len(route.climbs) == 1


def test_real_pass_with_glitches_on_both_sides_stays() -> None:
    """Two wrong stretches of 400 m, one on each side, are no tunnel through the mountain."""
    heights = PASS.copy()
    heights[(PASS_D > 20e3) & (PASS_D < 20.4e3)] += 120.0
    heights[(PASS_D > 38e3) & (PASS_D < 38.4e3)] -= 150.0
    route = built(PASS_D, heights)
    assert route.elevation_m.max() == pytest.approx(1_642.0, abs=15.0)
    assert np.abs(route.grade).max() < 0.09
    assert sum("steeper than a truck road" in f for f in route.findings) == 2


def test_steep_road_that_winds_is_no_tunnel() -> None:
    """A road of 16 % with wide bends climbs; nothing but the grade is drawn out."""
    d = np.arange(0.0, 20_000.0, 25.0)
    heights = np.interp(d, [0, 5e3, 9e3, 13e3, 20e3], [400, 500, 1140, 500, 400])
    bend = 8.6 + 0.012 * np.sin(d / 350.0) * ((d > 5e3) & (d < 13e3))
    straight, winding = built(d, heights), built(d, heights, lon_deg=bend)
    assert straight.elevation_m.max() < 600.0
    assert winding.elevation_m.max() > 1_050.0


def test_unlisted_grade_of_23_percent_is_said_with_its_mile() -> None:
    heights = np.interp(D, [0, 40e3, 40.6e3, 82e3], [500, 500, 638, 638])
    route = built(D, heights)
    (said,) = [f for f in route.findings if "steeper than a truck road" in f]
    assert "at mile 25 (km 40." in said
    assert np.abs(route.grade).max() < 0.13


def test_heights_in_steps_of_30_m_keep_an_even_grade() -> None:
    route = built(PASS_D, np.round(PASS / 30.0) * 30.0)
    climbing = route.grade[(route.distance_m > 17e3) & (route.distance_m < 28e3)]
    assert climbing.min() > 0.06
    assert climbing.max() < 0.08


def test_heights_below_a_bridge_rise_to_its_deck() -> None:
    d = np.arange(0.0, 5_001.0, 50.0)
    valley = np.interp(d, [0, 2e3, 2.4e3, 2.8e3, 5e3], [700, 700, 550, 705, 705])
    crest = np.interp(d, [0, 2e3, 2.4e3, 2.8e3, 5e3], [700, 700, 730, 705, 705])
    deck = [BridgeSpan(name="", start_m=2_000.0, end_m=2_800.0)]
    assert between_portals(d, valley, (), deck).min() == 700.0
    np.testing.assert_array_equal(between_portals(d, crest, (), deck), crest)
    under = [TunnelSpan(name="", start_m=2_000.0, end_m=2_800.0)]
    assert between_portals(d, crest, under, ()).max() == pytest.approx(705.0, abs=0.1)

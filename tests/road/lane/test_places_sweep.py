"""Places that ice first, over all skies of a grid: decks, shade, tunnel mouths; and hoar by its origin.

Unsafe is one direction only: a place that reads as bare while a place that is never worse is slippery.
"""

from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np
import pytest

from alertd.road.corridor import RoadField, road_cells, run_corridor
from alertd.road.downscale import AIR
from alertd.road.friction import friction_mu
from alertd.road.road_class import LIMITS, WINTER_CLASSES, RoadClass, classify, gripping_class
from alertd.route.model import TunnelSpan
from alertd.route.tunnels import in_tunnels
from tests.road.test_corridor import forecast, middle

HOURS, AFTER = 84, slice(48, None)
# Mean air [°C], its daily wave [K], humidity, cloud, wind [m/s], six hours of rain or snow in the past.
SKIES = np.array(
    list(product((-12.0, -6.0, -2.0, 0.5, 2.0, 4.0), (0.0, 3.0), (0.8, 0.98), (0.0, 1.0), (1.0, 6.0), (0.0, 1.0)))
).T
N = SKIES.shape[1]


class Runs(NamedTuple):
    """Each sky on open road, columns 0 to N - 1, and on a deck, N to 2N - 1; the untouched lane in shade and in sun."""

    shade: RoadField
    sun: RoadField


@pytest.fixture(scope="module")
def runs() -> Runs:
    mean_c, wave_k, rh, cloud, wind, wet = SKIES[:, None, :, None]
    hours = np.arange(HOURS)
    air_c = mean_c + wave_k * np.cos((hours - 8.0 - 15.0) / 24.0 * 2.0 * np.pi)  # warmest at 15 h local
    fell = np.where((hours >= 30) & (hours < 36), 0.5 * wet, 0.0)
    weather = forecast(
        cells=N, hours=HOURS, air_temp_c=air_c, rh_frac=rh, cloud_frac=cloud, wind_mps=wind, precip_mmwe_h=fell
    )
    weather = replace(weather, lat_deg=np.full(N, 47.0))
    two = np.repeat(np.arange(N), 2)
    level, lat, lon = np.full(2 * N, 1000.0), np.full(2 * N, 47.0), np.full(2 * N, -121.0)
    cells = road_cells(250.0 * np.arange(2 * N), level, two, lat, lon, on_deck=np.tile([False, True], N))
    shade, sun = (run_corridor(weather, cells, quantiles=middle(), air=replace(AIR, shaded=x)) for x in (True, False))
    return Runs(shade, sun)


def winterly(field: RoadField) -> np.ndarray:
    """(column, hour)."""
    return np.isin(field.road_class[0, :, AFTER], WINTER_CLASSES)


def test_the_grid_holds_both_states_of_every_place(runs: Runs) -> None:
    for part in (winterly(runs.shade)[:N], winterly(runs.shade)[N:], winterly(runs.sun)[:N]):
        assert 0.2 < part.mean() < 0.95


def test_a_deck_is_never_bare_where_the_road_beside_it_is_not(runs: Runs) -> None:
    for field in runs:
        road, deck = winterly(field)[:N], winterly(field)[N:]
        assert not (road & ~deck).any()
        assert (deck & ~road).any()  # and it ices alone in some hours
        duty = np.isin(field.untouched_class[0, :, AFTER], WINTER_CLASSES)
        assert not (duty[:N] & ~duty[N:]).any()


def test_shade_is_never_bare_where_the_sunny_road_is_not(runs: Runs) -> None:
    assert not (winterly(runs.sun) & ~winterly(runs.shade)).any()
    assert (winterly(runs.shade) & ~winterly(runs.sun)).any()


def test_wet_shade_is_no_warmer_than_freezing_after_dusk(runs: Runs) -> None:
    """Where the sunny road is dry and cold and the shaded one is at 0 °C, that one is wet or icy, and never "dry"."""
    warmer = runs.shade.surface_temp_c[0, :, AFTER] > runs.sun.surface_temp_c[0, :, AFTER] + 0.3
    assert warmer.any()
    assert not (runs.shade.road_class[0, :, AFTER][warmer] == RoadClass.DRY).any()


@pytest.mark.parametrize("length_m", [150.0, 260.0, 1000.0, 3100.0])
@pytest.mark.parametrize("spacing_m", [20.0, 100.0, 250.0])
def test_a_tunnel_mouth_is_open_road(length_m: float, spacing_m: float) -> None:
    """A storm at -5 °C: the first and last 100 m in the tunnel are as white as the road before it; only then it is dry.

    Snow that blows and drips in at a portal is common practice, no source; 100 m is the project's assumption.
    """
    distance_m = np.arange(0.0, 8000.0, spacing_m)
    inside = in_tunnels(distance_m, [TunnelSpan(name="", start_m=2000.0, end_m=2000.0 + length_m)])
    n = distance_m.size
    cells = road_cells(
        distance_m, np.full(n, 1000.0), np.zeros(n, dtype=int), np.full(n, 47.0), np.full(n, -121.0), in_tunnel=inside
    )
    fell = np.where(np.arange(72) >= 44, 1.0, 0.0)
    storm = forecast(air_temp_c=-5.0, rh_frac=0.95, precip_mmwe_h=fell)
    field = run_corridor(storm, cells, quantiles=middle())
    white = field.road_class[0, cells.column_of_sample, 60] == RoadClass.SNOW
    deep = (distance_m >= 2100.0) & (distance_m <= 1900.0 + length_m)
    assert (white == ~deep).all()


HOAR_MM = (0.0, 0.02, 0.05, 0.1, 0.5, 3.0)
PLAIN_MM = (0.0, 0.02, 0.05, 0.11, 0.5, 3.0)
WATER_MM = (0.0, 0.05, 0.5)


def test_hoar_is_frost_by_origin_and_hides_no_ice() -> None:
    """All thicknesses of hoar over plain ice and a film of water, cold and at 0 °C."""
    for temp_c, water, plain, hoar in product((-8.0, -1.0, 0.0), WATER_MM, PLAIN_MM, HOAR_MM):
        ice = plain + hoar
        named = classify(temp_c, water, 0.0, ice, hoar_mmwe=hoar)
        grip = gripping_class(named, 0.0, ice, hoar_mmwe=hoar)
        if plain >= LIMITS.ice_mmwe:
            assert named == RoadClass.ICE
        elif ice >= LIMITS.rime_mmwe:
            assert named == RoadClass.RIME
        bare_ice = classify(temp_c, water, 0.0, plain)
        mu_bare = friction_mu(gripping_class(bare_ice, 0.0, plain), 0.5, temp_c)
        assert friction_mu(grip, 0.5, temp_c) <= mu_bare + 1e-12


def test_hoar_that_melts_at_noon_is_ice_at_night() -> None:
    """A day of rime from fog, some hours at +4 °C, then frost: what is left of its melt-water is ice by origin."""
    hours = np.arange(84)
    foggy, noon = (hours >= 36) & (hours < 60), (hours >= 64) & (hours < 67)
    weather = forecast(
        hours=84, air_temp_c=np.where((hours < 24) | noon, 4.0, -4.0), rh_frac=np.where(foggy, 1.0, 0.85),
        visibility_m=np.where(foggy, 30.0, 20_000.0), wind_mps=2.0,
    )  # fmt: skip
    cells = road_cells([0.0], [1000.0], [0], [47.0], [-121.0])
    classes = run_corridor(weather, cells, quantiles=middle()).road_class[0, 0]
    assert classes[59] == RoadClass.RIME
    assert classes[66] == RoadClass.WET
    assert classes[70] == RoadClass.ICE

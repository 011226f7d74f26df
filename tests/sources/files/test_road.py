"""The road's parameters as an operator's file."""

from pathlib import Path

import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.road.parameters import BRIDGE_DECK
from alertd.sources.files.road import RoadSettings, read_road

SHIPPED = Path(__file__).resolve().parents[3] / "config" / "road.toml"


def read(tmp_path: Path, text: str) -> RoadSettings:
    path = tmp_path / "road.toml"
    path.write_text(text, encoding="utf-8")
    return read_road(path)


def test_the_shipped_file_says_the_defaults() -> None:
    assert read_road(SHIPPED) == RoadSettings()


def test_an_empty_file_leaves_every_default(tmp_path: Path) -> None:
    assert read(tmp_path, "") == RoadSettings()


def test_the_published_phase_relations_are_one_switch_away(tmp_path: Path) -> None:
    assert read(tmp_path, "[phase]\ncalibrated = false\n").air.calibration is None


def test_values_reach_the_parameters_they_name(tmp_path: Path) -> None:
    text = "[surface]\ntraffic_vph = 120.0\n[classes]\nsnow_mmwe = 0.5\n[spread]\nheight_k_per_km = 2.0\n"
    road = read(tmp_path, text + "lead_h = [6.0]\nair_temp_c = [3.0]\n")
    assert (road.surface.traffic_vph, road.limits.snow_mmwe, road.air.height_sigma_k_per_km) == (120.0, 0.5, 2.0)
    assert road.spreads.air_temp_sd_c(np.array([5.0])).tolist() == [3.0]


def test_a_deck_follows_the_road_but_for_what_is_its_own(tmp_path: Path) -> None:
    road = read(tmp_path, "[surface]\nalbedo = 0.1\nemissivity = 0.9\n[deck]\nthickness_m = 0.3\nsky_view_frac = 1.0\n")
    assert (road.deck.albedo, road.deck.emissivity, road.deck.sky_view_frac) == (0.1, 0.9, 1.0)
    assert sum(road.deck.layers_m) == pytest.approx(0.3)
    assert (road.deck.pavement_c_jm3k, road.deck.underside_wm2k) == (BRIDGE_DECK.pavement_c_jm3k, 7.5)
    # One material from top to underside: heat of the whole slab is C times its thickness.
    assert road.deck.layer_heat_jm2k.sum() == pytest.approx(2.1e6 * 0.3)
    assert (road.surface.sky_view_frac, road.surface.underside_wm2k) == (0.95, 0.0)


def test_the_horizon_reaches_the_weather(tmp_path: Path) -> None:
    air = read(tmp_path, "[sun]\nhorizon_deg = 12.0\ndirect_frac = 0.7\n").air
    assert (air.horizon_deg, air.direct_frac) == (12.0, 0.7)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[surface]\nalbedo = 2.0\n", "surface.albedo"),
        ("[surface]\nalbeda = 0.2\n", "write albedo"),
        ("[deck]\nunderside_wm2k = 0.0\n", "deck.underside_wm2k"),
        ("[deck]\nthickness_m = 20.0\n", "deck.thickness_m"),
        ("[sun]\nhorizon_deg = 90.0\n", "sun.horizon_deg"),
        ("[sun]\nhorizon = 9.0\n", "write horizon_deg"),
        ("[spread]\nlead_h = [12.0]\n", "spread.air_temp_c: 4 spreads for 1 lead times"),
        ("[spread]\nlead_h = [24.0, 12.0]\nair_temp_c = [1.0, 2.0]\n", "spread.lead_h: lead times do not increase"),
        ("[spread]\nlead_h = [12.0]\nair_temp_c = [-1.0]\n", "spread.air_temp_c: a spread below 0"),
        ("[classes]\nrime_mmwe = 0.5\n", "classes.rime_mmwe: 0.5 is above ice_mmwe"),
        ("[classes]\nmoist_mmwe = 0.5\n", "classes.moist_mmwe: 0.5 is above wet_mmwe"),
        ("[classes]\nice_mmwe = 0.5\n", "classes.ice_mmwe: 0.5 is above wet_mmwe"),
        ("[classes]\nsnow_mmwe = 0.01\n", "classes.rime_mmwe: 0.02 is above snow_mmwe"),
        ("[classes]\nsnow_mmwe = 2.0\nthin_snow_mmwe = 1.0\n", "classes.snow_mmwe: 2 is above thin_snow_mmwe"),
        ("[classes]\npacked_mmwe = 8.0\n", "classes.packed_mmwe: 8 is above thin_snow_mmwe"),
        ("[classes]\nunseen_snow_mmwe = 0.0\n", "classes.unseen_snow_mmwe"),
        ("[classes]\nsnow_mmwe = 2.0\nunseen_snow_mmwe = 1.0\n", "classes.snow_mmwe: 2 is above unseen_snow_mmwe"),
        ("[classes]\nwet_mmwe = 0.9\n", "classes.wet_mmwe: 0.9 is above surface.film_mmwe"),
        ("[surface]\nheat_roughness_m = 0.005\n", "surface.heat_roughness_m: 0.005 is above roughness_m"),
        ("[spread]\nair_temp_c = [2.0, 1.5, 2.0, 2.5]\n", "spread.air_temp_c: a spread decreases with lead time"),
        ("[spread]\npast_air_temp_c = 3.0\n", "spread.past_air_temp_c: 3 is above the first of air_temp_c"),
    ],
)
def test_a_mistake_is_one_line_that_names_the_key(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, text)
    assert expected in str(caught.value)
    assert "\n" not in str(caught.value)

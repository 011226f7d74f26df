"""Described skies and real roads: what the files of `fixtures/skies` and `fixtures/roads` yield as weather and GPX."""

from pathlib import Path

import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.sources.files.gpx.read import read_gpx
from alertd.testing.weather.roads import read_roads
from alertd.testing.weather.sky import read_sky
from alertd.testing.weather.storm import Storm
from alertd.units import HOUR_S

PROJECT = Path(__file__).resolve().parents[2]
SKIES = sorted((PROJECT / "fixtures" / "skies").glob("*.toml"))
ROADS = read_roads(PROJECT / "fixtures" / "roads" / "roads.csv")
START = 1_800_000_000.0
HOURS = START + HOUR_S * np.arange(-48.0, 49.0)


@pytest.mark.parametrize("path", SKIES, ids=lambda p: p.stem)
def test_every_sky_gives_finite_weather(path: Path) -> None:
    weather = read_sky(path, START, at_m=1500.0).weather(46.0, -120.0, np.array([[200.0], [1500.0]]), HOURS)
    assert set(Storm().weather(46.0, -120.0, 500.0, START)) <= set(weather)
    for name, values in weather.items():
        assert values.shape == (2, 97), name
        assert np.isfinite(values).all(), name
    assert (weather["dew_point_2m"] <= weather["temperature_2m"] + 0.01).all()
    falls = weather["rain"] + weather["snowfall_water_equivalent"]
    assert falls == pytest.approx(weather["precipitation"])


def test_a_change_applies_in_its_hours_heights_and_box(tmp_path: Path) -> None:
    path = tmp_path / "sky.toml"
    path.write_text(
        "title = 'x'\ntemperature_c = -5.0\nlapse_k_km = 0.0\ndaily_range_k = 0.0\n[[change]]\nfrom_h = 1\nto_h = 3\n"
        "above_m = 1000\nlon_deg = [-121.0, -119.0]\nprecipitation_mmh = 2.0\nwarmer_k = 1.5\n"
    )
    sky = read_sky(path, START)
    at = sky.weather(46.0, np.array([-120.0, -122.0]), np.array([[500.0], [1500.0]]), START + 2 * HOUR_S)
    assert at["precipitation"].tolist() == [[0.0, 0.0], [2.0, 0.0]]
    assert at["temperature_2m"].tolist() == [[-5.0, -5.0], [-3.5, -5.0]]
    outside = sky.weather(46.0, -120.0, 1500.0, START + np.array([0.5, 3.0]) * HOUR_S)
    assert outside["precipitation"].tolist() == [0.0, 0.0]


def test_an_empty_interval_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "sky.toml"
    path.write_text("title = 'x'\ntemperature_c = 0.0\n[[change]]\nfrom_h = 5\nto_h = 2\n")
    with pytest.raises(ConfigError, match=r"sky.toml.*to_h.*lower value first"):
        read_sky(path, START)


def test_members_differ_and_repeat() -> None:
    sky = read_sky(SKIES[0], START)
    assert sky.member(0) is sky
    assert sky.member(3) == sky.member(3) != sky.member(4)


@pytest.mark.parametrize("road", ROADS.values(), ids=ROADS)
def test_a_road_becomes_gpx_with_its_own_heights(road, tmp_path: Path) -> None:
    path = tmp_path / "road.gpx"
    path.write_text(road.gpx())
    line = read_gpx(path)
    lat, lon, height = road.samples()
    assert height.max() == pytest.approx(road.summit_m, abs=15.0)
    assert height.min() >= road.height_m.min() - 1e-6
    back = road.reversed().samples()[2]
    assert back.max() == pytest.approx(height.max(), abs=15.0)
    assert line.lat_deg == pytest.approx(lat, abs=1e-5)
    assert line.lon_deg == pytest.approx(lon, abs=1e-5)
    assert line.elevation_m == pytest.approx(height, abs=0.06)

"""Shipped facts: road passes and published chain-up areas, against public points of roads and published lists.

The chain stations of Interstate 70 are those of the Colorado road agency's answer to "Where are chain-up stations for
commercial vehicles?" (its chain law page, read from a copy on 2026-11-28).
"""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from tzfpy import get_tz

from alertd.route.elevation import NamedSummit
from alertd.route.stops import Stop, StopKind
from alertd.sources.files.laws.ruleset import rule_files
from alertd.sources.files.places import read_named_summits, read_stops
from alertd.units import FOOT_M

CONFIG = Path(__file__).parents[3] / "config"
POINTS = Path(__file__).parents[4] / "shared" / "roads" / "highway_points.csv"
needs_points = pytest.mark.skipif(not POINTS.exists(), reason=f"{POINTS} is not there")
EASTBOUND = (178, 183, 184, 187, 195, 203, 205, 219, 228, 241, 251, 289, 343)
WESTBOUND = (358, 263, 260, 254, 228, 223, 221, 219, 213, 197, 179)
# Time zones of each land, IANA: a position in another land's zone is a wrong position.
ZONES = {
    "US-CO": {"America/Denver"}, "US-WA": {"America/Los_Angeles"}, "US-CA": {"America/Los_Angeles"},
    "US-MT": {"America/Denver", "America/Boise", "America/Los_Angeles"},
    "AT": {"Europe/Vienna", "Europe/Rome", "Europe/Berlin"},
    "CH": {"Europe/Zurich", "Europe/Rome"}, "NO": {"Europe/Oslo", "Europe/Stockholm"}, "JP": {"Asia/Tokyo"},
    "ES": {"Europe/Madrid", "Europe/Paris"}, "PL": {"Europe/Warsaw", "Europe/Bratislava", "Europe/Prague"},
}  # fmt: skip


@pytest.fixture(scope="module")
def passes() -> tuple[NamedSummit, ...]:
    return read_named_summits(CONFIG / "summits.toml")


@pytest.fixture(scope="module")
def areas() -> tuple[Stop, ...]:
    return read_stops(CONFIG / "chain_areas.geojson")


def test_passes_cover_the_lands_with_rule_files(passes: tuple[NamedSummit, ...]) -> None:
    assert len(passes) >= 120
    lands = {land for p in passes for land in p.lands}
    rules = {path.stem.upper() for path in rule_files(CONFIG / "rules")}
    # No named pass in reach of trucks was found in these; none was looked for in SI, US-NY and US-PA.
    assert rules - lands == {"FI", "SI", "US-AZ", "US-NY", "US-PA", "US-SD"}


def test_pass_names_are_unique_and_have_a_source(passes: tuple[NamedSummit, ...]) -> None:
    names = [p.name.casefold() for p in passes]
    assert len(set(names)) == len(names)
    assert all(p.source and p.road and p.lands for p in passes)
    assert all(p.within_m > 0.0 for p in passes if "memory" in p.source)


def test_passes_lie_in_their_land_and_at_heights_of_roads(passes: tuple[NamedSummit, ...]) -> None:
    for p in passes:
        for land in p.lands[:1]:
            if land in ZONES:
                assert get_tz(p.lon_deg, p.lat_deg) in ZONES[land], p.name
        # The highest paved pass of the US is below 12,200 ft, of the Alps below 2,800 m (lists of passes).
        assert p.elevation_m is None or 200.0 <= p.elevation_m <= (3_720.0 if p.lands[0].startswith("US") else 2_800.0)


@pytest.mark.parametrize(
    ("name", "height_m"),
    [
        # Heights of an open encyclopedia's lists of passes; tolerance 30 m as publishers differ by up to 12 m.
        ("Vail Pass", 10_666 * FOOT_M), ("Berthoud Pass", 11_315 * FOOT_M), ("Loveland Pass", 11_992 * FOOT_M),
        ("Monarch Pass", 11_312 * FOOT_M), ("Wolf Creek Pass", 10_857 * FOOT_M), ("Tennessee Pass", 10_424 * FOOT_M),
        ("Fremont Pass", 11_318 * FOOT_M), ("Hoosier Pass", 11_541 * FOOT_M), ("Coal Bank Pass", 10_640 * FOOT_M),
        ("Yellowhead Pass", 1_131), ("Brenner", 1_370), ("Reschenpass", 1_507), ("Simplonpass", 2_005),
        ("Malojapass", 1_815), ("Berninapass", 2_323), ("Lukmanierpass", 1_916), ("Ofenpass", 2_149),
        ("Julierpass", 2_284), ("Radstädter Tauern", 1_739), ("Col de Montgenèvre", 1_854), ("Col de Larche", 1_996),
        ("Col du Lautaret", 2_058), ("Col des Montets", 1_461), ("Colle di Cadibona", 436), ("Jaunpass", 1_507),
        ("Brünigpass", 1_005), ("Col de la Faucille", 1_323),
    ],
)  # fmt: skip
def test_heights_are_within_30_m_of_published_lists(
    passes: tuple[NamedSummit, ...], name: str, height_m: float
) -> None:
    (found,) = [p for p in passes if p.name == name]
    assert found.elevation_m == pytest.approx(height_m, abs=30.0)


@pytest.mark.parametrize(
    ("name", "lat", "lon"),
    [
        # Saddles of open map data, read 2026-11-28.
        ("Jaunpass", 46.5922, 7.3391), ("Brünigpass", 46.7569, 8.1370), ("Col de la Givrine", 46.4560, 6.0884),
        ("Col de la Faucille", 46.3692, 6.0194), ("Yellowhead Pass", 52.8925, -118.4639),
    ],
)  # fmt: skip
def test_positions_agree_with_open_data(passes: tuple[NamedSummit, ...], name: str, lat: float, lon: float) -> None:
    (found,) = [p for p in passes if p.name == name]
    assert _apart_m(found.lat_deg, found.lon_deg, lat, lon) < 500.0


@pytest.mark.needs_shared
@needs_points
def test_passes_lie_on_their_interstate(passes: tuple[NamedSummit, ...]) -> None:
    roads = _roads()
    seen = 0
    for p in passes:
        key = {"I-70": "i070", "I-80": "i080", "I-84": "i084", "I-90": "i090", "US-2": "us002"}.get(p.road.split()[0])
        on = [line for (land, road), line in roads.items() if road == key and f"US-{land}" in p.lands]
        if on:
            seen += 1
            assert min(_off_m(line, p.lat_deg, p.lon_deg) for line in on) < 3_000.0, p.name
    assert seen >= 15


def test_chain_stations_are_those_of_the_published_list(areas: tuple[Stop, ...]) -> None:
    stations = [s.milepost for s in areas if s.milepost.startswith("I-70")]
    assert sorted(stations) == sorted([f"I-70 EB MP {m}" for m in EASTBOUND] + [f"I-70 WB MP {m}" for m in WESTBOUND])
    assert all(s.kind is StopKind.CHAIN_UP_AREA and not s.invented for s in areas)


def test_published_areas_have_source_day_and_caution(areas: tuple[Stop, ...]) -> None:
    content = json.loads((CONFIG / "chain_areas.geojson").read_text(encoding="utf-8"))
    for feature, stop in zip(content["features"], areas, strict=True):
        about = feature["properties"]
        assert about["source"], stop.id
        assert about["seen"] == "2026-11-28"
        assert stop.source.endswith("seen 2026-11-28")
        assert stop.caution, stop.id
        assert stop.within_m >= 1_500.0
        assert ("memory" in about["position"]) == ("memory" in stop.caution)
        assert stop.serves_bearing_deg is not None


@pytest.mark.needs_shared
@needs_points
def test_chain_stations_lie_on_their_road(areas: tuple[Stop, ...]) -> None:
    roads = _roads()
    for stop in areas:
        line = {"I-70": roads["CO", "i070"], "I-80": roads["WY", "i080"]}.get(stop.milepost.split()[0])
        if line is not None:
            assert _off_m(line, stop.lat_deg, stop.lon_deg) < 1_000.0, stop.id


def _roads() -> dict[tuple[str, str], "np.ndarray[tuple[int, ...], np.dtype[np.float64]]"]:
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    with POINTS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            found.setdefault((row["state"], row["road"]), []).append(
                (float(row["latitude_deg"]), float(row["longitude_deg"]))
            )
    return {key: np.array(points) for key, points in found.items()}


def _off_m(line: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]", lat: float, lon: float) -> float:
    """Distance [m] from the chords of a line, on a plane at this latitude."""
    scale = np.array([111_200.0, 111_200.0 * math.cos(math.radians(lat))])
    at = (line - np.array([lat, lon])) * scale
    a, step = at[:-1], np.diff(at, axis=0)
    t = np.clip(-(a * step).sum(axis=1) / np.maximum((step * step).sum(axis=1), 1e-9), 0.0, 1.0)
    return float(np.hypot(*(a + t[:, None] * step).T).min())


def _apart_m(lat: float, lon: float, other_lat: float, other_lon: float) -> float:
    return 111_200.0 * math.hypot(lat - other_lat, (lon - other_lon) * math.cos(math.radians(lat)))


def test_names_of_areas_are_unique_and_short(areas: tuple[Stop, ...], passes: tuple[NamedSummit, ...]) -> None:
    names = [s.name.casefold() for s in areas]
    assert len(set(names)) == len(names)  # a report names a place by its name
    assert not set(names) & {p.name.casefold() for p in passes}
    assert max(map(len, names)) <= 36  # a driver's message has room for about so many letters

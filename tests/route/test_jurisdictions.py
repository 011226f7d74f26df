"""Whose land the road is on."""

import csv
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from alertd.route.build import build_route, sample_line, with_elevations
from alertd.route.geometry.clean import clean_line
from alertd.route.jurisdictions import Boundaries, Crossing, Land, find_jurisdictions
from alertd.route.model import GpxLine, Route
from alertd.route.project import project
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.places import read_crossings

WGS84 = Geod(ellps="WGS84")

REPO = Path(__file__).parents[2]
CONFIG = REPO / "config"
POINTS = REPO.parent / "shared" / "roads" / "highway_points.csv"

SHIPPED = ("us_states.topo.json", "ca_provinces.geojson", "countries.topo.json")
STATES = read_boundaries(*(CONFIG / "boundaries" / name for name in SHIPPED))
CROSSINGS = read_crossings(CONFIG / "crossings.toml")


def route_over(lat: object, lon: object) -> Route:
    lat_deg = np.array(lat, dtype=float)
    line = clean_line(
        GpxLine(
            name="n",
            lat_deg=lat_deg,
            lon_deg=np.array(lon, dtype=float),
            elevation_m=np.full(lat_deg.shape, np.nan),
            segment_starts=np.array([0], dtype=np.intp),
            sha256="",
            where="t.gpx",
        )
    )
    places = sample_line(line)
    return build_route(with_elevations(line, np.full(places.distance_m.shape, 900.0), along_m=places.distance_m))


def box(code: str, west: float, east: float, south: float = 46.0, north: float = 48.0) -> Land:
    ring = np.array([[west, south], [east, south], [east, north], [west, north], [west, south]])
    return Land(code=code, name=code, polygons=((ring,),))


EAST = route_over(np.full(500, 47.0), np.linspace(-116.0, -115.0, 500))


def spans(route: Route, boundaries: Boundaries, crossings: object = ()) -> list[tuple[str, float, float]]:
    found, _ = find_jurisdictions(route, boundaries, crossings)
    return [(span.code, round(span.start_m / 1000, 2), round(span.end_m / 1000, 2)) for span in found]


def test_border_is_found_where_the_outlines_meet() -> None:
    two = Boundaries(lands=(box("US-AA", -117, -115.5), box("US-BB", -115.5, -114)))
    (a, b), findings = find_jurisdictions(EAST, two)
    half_m = WGS84.inv(-116.0, 47.0, -115.5, 47.0)[2]
    assert (a.code, b.code, a.start_m, a.end_m == b.start_m, b.end_m) == ("US-AA", "US-BB", 0.0, True, EAST.length_m)
    assert a.end_m == pytest.approx(half_m, abs=1.0)
    assert findings == ()


def test_land_that_no_outline_covers_is_unknown_and_said() -> None:
    one = Boundaries(lands=(box("US-AA", -117, -115.5),))
    found, findings = find_jurisdictions(EAST, one)
    assert [(span.code, span.name) for span in found] == [("US-AA", "US-AA"), ("", "unknown land")]
    assert findings == (
        "km 38.0 to 76.1 lies outside the outlines of places.boundaries: its land and its rules are unknown",
    )


def test_gap_between_two_outlines_is_shared_between_them() -> None:
    two = Boundaries(lands=(box("US-AA", -117, -115.502), box("CA-BB", -115.498, -114)))
    assert [span[0] for span in spans(EAST, two)] == ["US-AA", "CA-BB"]


def test_where_outlines_overlap_the_first_holds() -> None:
    two = Boundaries(lands=(box("US-AA", -117, -115.5), box("CA-BB", -115.7, -114)))
    assert spans(EAST, two)[0][2] == pytest.approx(38.0, abs=0.1)


def test_shallow_dip_into_a_neighbour_is_home_state_and_shown() -> None:
    notch = np.array(
        [
            [-117, 46],
            [-114, 46],
            [-114, 48],
            [-115.4, 48],
            [-115.4, 46.99],
            [-115.6, 46.99],
            [-115.6, 48],
            [-117, 48],
            [-117, 46],
        ]
    )
    home = Land(code="US-AA", name="AA", polygons=((notch,),))
    two = Boundaries(lands=(home, box("US-BB", -115.6, -115.4)))
    found, findings = find_jurisdictions(EAST, two)
    assert [span.code for span in found] == ["US-AA"]
    assert "counted as US-AA" in findings[0]


def test_dip_over_two_neighbours_is_undone_as_one() -> None:
    home = box("CH", -117, -114, south=46.0, north=47.005)
    shore = [box("AT", -115.6, -115.5, south=46.995, north=48.0), box("LI", -115.5, -115.4, south=46.995, north=48.0)]
    found, findings = find_jurisdictions(EAST, Boundaries(lands=(*shore, home)))
    assert [span.code for span in found] == ["CH"]
    assert len(findings) == 1


def test_sea_near_a_coast_is_the_nearest_land() -> None:
    """UN Convention on the Law of the Sea, article 3: 12 nautical miles, 22.2 km."""
    shores = (box("DK", -117, -115.7), box("SE", -115.3, -114))
    strait = spans(EAST, Boundaries(lands=shores, complete=True))
    middle_m = WGS84.inv(-116.0, 47.0, -115.5, 47.0)[2]
    assert [code for code, _, _ in strait] == ["DK", "SE"]
    assert strait[0][2] == pytest.approx(middle_m / 1000, abs=0.3)


def test_open_sea_is_named_once_and_is_no_land() -> None:
    found, findings = find_jurisdictions(EAST, Boundaries(lands=(box("DK", -117, -115.7),), complete=True))
    coast_m = WGS84.inv(-116.0, 47.0, -115.7, 47.0)[2]
    assert [(x.code, x.name) for x in found] == [("DK", "DK"), ("", "open sea")]
    assert found[0].end_m == pytest.approx(coast_m + 22_224, abs=150)
    assert len(findings) == 1
    assert "lies at sea" in findings[0]


def test_border_on_the_date_line_is_found() -> None:
    over = route_over(np.full(500, 47.0), (179.5 + np.linspace(0.0, 1.0, 500) + 180.0) % 360.0 - 180.0)
    both = Boundaries(lands=(box("RU", 170, 180), box("US-AK", -180, -179.7), box("CA-YT", -179.7, -170)))
    whole_m = WGS84.inv(179.5, 47.0, -179.5, 47.0)[2]
    assert [code for code, _, _ in spans(over, both)] == ["RU", "US-AK", "CA-YT"]
    assert [end for _, _, end in spans(over, both)] == pytest.approx([whole_m / m for m in (2e3, 1.25e3, 1e3)], abs=0.1)


@pytest.mark.parametrize("points_n", [500, 5_000])
def test_places_tested_do_not_grow_with_samples(points_n: int, monkeypatch: pytest.MonkeyPatch) -> None:
    tested = []
    whole = shapely.contains_xy

    def contains_xy(shape: shapely.Geometry, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        tested.append(np.size(x))
        return whole(shape, x, y)

    monkeypatch.setattr(shapely, "contains_xy", contains_xy)
    route = replace(EAST, **{k: np.repeat(getattr(EAST, k), points_n // 100) for k in ("lat_deg", "lon_deg")})
    route = replace(route, distance_m=np.linspace(0.0, EAST.length_m, route.lat_deg.size))
    find_jurisdictions(route, Boundaries(lands=(box("US-AA", -117, -115.5), box("US-BB", -115.5, -114))))
    assert 0 < sum(tested) < 12


# Places on roads, rounded to 0.01 degree, and the lands that they cross: public geography, from memory.
ABROAD = {
    "A2 Gotthard": ([(46.88, 8.64), (46.67, 8.59), (46.53, 8.60), (46.19, 9.02)], ["CH"]),
    "A13 Brenner": ([(47.26, 11.40), (47.13, 11.46), (47.00, 11.505), (46.89, 11.43)], ["AT", "IT"]),
    "Oresund bridge": ([(55.61, 12.55), (55.63, 12.68), (55.575, 12.83), (55.56, 12.98)], ["DK", "SE"]),
    "Ryfylke tunnel": ([(58.97, 5.73), (59.00, 5.85), (59.05, 6.05)], ["NO"]),
    "Confederation Bridge": ([(46.16, -64.0), (46.21, -63.75), (46.26, -63.68)], ["CA-NB", "CA-PE"]),
    "Chesapeake Bay Bridge-Tunnel": ([(36.92, -76.13), (37.03, -76.08), (37.13, -75.97)], ["US-VA"]),
    "Kanmon tunnel": ([(33.95, 130.94), (33.96, 130.96), (33.97, 131.0)], ["JP"]),
    "Feldkirch to Sargans": ([(47.24, 9.60), (47.17, 9.51), (47.165, 9.48), (47.05, 9.45)], ["AT", "LI", "CH"]),
    "Over Ontario": ([(42.5, -83.3), (42.25, -82.9), (42.98, -81.2), (42.9, -78.9)], ["US-MI", "CA-ON", "US-NY"]),
    "San Diego to Ensenada": ([(32.8, -117.1), (32.55, -117.03), (32.2, -116.9)], ["US-CA", "MX"]),
    "Svinesund": ([(58.9, 11.2), (59.09, 11.26), (59.2, 11.1)], ["SE", "NO"]),
    "Puymorens": ([(42.35, 1.9), (42.43, 1.92), (42.55, 1.85)], ["ES", "FR"]),
}


@pytest.mark.parametrize(("places", "codes"), ABROAD.values(), ids=ABROAD)
def test_lands_of_roads_away_from_the_states(places: list[tuple[float, float]], codes: list[str]) -> None:
    lat, lon = np.array(places).T
    step = np.linspace(0, len(places) - 1, 300)
    route = route_over(np.interp(step, range(len(places)), lat), np.interp(step, range(len(places)), lon))
    found, findings = find_jurisdictions(route, STATES)
    assert [span.code for span in found] == codes
    assert not any("lies" in finding for finding in findings)


@settings(max_examples=12)
@given(
    name=st.sampled_from(sorted(ABROAD)),
    points=st.sampled_from([100, 200, 400]),
    jitter_m=st.floats(0.0, 10.0),
    seed=st.integers(0, 1_000),
)
def test_lands_hold_under_sampling_jitter_and_reversal(name: str, points: int, jitter_m: float, seed: int) -> None:
    places, codes = ABROAD[name]
    lat, lon = np.array(places).T
    step = np.linspace(0, len(places) - 1, points)
    shake = np.random.default_rng(seed).normal(0.0, jitter_m / 111_195.0, (2, points))
    on_lat, on_lon = np.interp(step, range(len(places)), lat), np.interp(step, range(len(places)), lon)
    there, back = route_over(on_lat + shake[0], on_lon + shake[1]), route_over(on_lat[::-1], on_lon[::-1])
    found, _ = find_jurisdictions(there, STATES)
    returned, _ = find_jurisdictions(back, STATES)
    assert [span.code for span in found] == codes
    assert [span.code for span in returned] == codes[::-1]
    # Jitter makes the line longer; the borders stay at the same share of it.
    borders = [s.end_m / there.length_m for s in found[:-1]]
    assert borders == pytest.approx([1.0 - s.start_m / back.length_m for s in returned[:0:-1]], abs=0.03)


def test_deep_stretch_in_a_neighbour_is_its_own_span() -> None:
    three = Boundaries(lands=(box("US-AA", -117, -115.6), box("US-BB", -115.6, -115.4), box("US-AA2", -115.4, -114)))
    assert [span[0] for span in spans(EAST, three)] == ["US-AA", "US-BB", "US-AA2"]


def test_fixed_crossing_moves_the_border_unless_too_far() -> None:
    two = Boundaries(lands=(box("US-AA", -117, -115.5), box("US-BB", -115.5, -114)))

    def at(lat_deg: float, lon_deg: float, codes: tuple[str, str] = ("US-BB", "US-AA")) -> list[Crossing]:
        return [Crossing(lat_deg=lat_deg, lon_deg=lon_deg, road="R", codes=frozenset(codes), source="invented")]

    outline = spans(EAST, two)
    assert spans(EAST, two, at(47.001, -115.47))[0][2] == pytest.approx(outline[0][2] + 2.28, abs=0.02)
    assert spans(EAST, two, at(47.001, -115.45)) == outline  # 3.8 km along
    assert spans(EAST, two, at(47.02, -115.49)) == outline  # 2.2 km off the road: another road's
    assert spans(EAST, two, at(47.0, -115.49, ("US-AA", "US-CC"))) == outline


def test_weaving_outline_is_one_border_at_the_fixed_crossing() -> None:
    weave = Boundaries(
        lands=(
            Land(
                code="US-AA", name="AA", polygons=(*box("", -117, -115.5).polygons, *box("", -115.49, -115.48).polygons)
            ),
            box("US-BB", -115.5, -114),
        )
    )
    fixed = [Crossing(lat_deg=47.0, lon_deg=-115.495, road="R", codes=frozenset({"US-AA", "US-BB"}), source="invented")]
    assert [span[0] for span in spans(EAST, weave, fixed)] == ["US-AA", "US-BB"]


@given(
    cuts=st.lists(st.floats(-115.99, -115.01), min_size=1, max_size=6),
    fixed=st.lists(st.floats(-116.0, -115.0), max_size=4),
)
def test_spans_cover_the_route_once_whatever_the_outlines(cuts: list[float], fixed: list[float]) -> None:
    edges = [-117.0, *sorted(cuts), -114.0]
    codes = ["US-AA", "US-BB", "US-CC"]
    lands = tuple(box(codes[i % 3], west, east) for i, (west, east) in enumerate(pairwise(edges)) if east > west)
    crossings = [
        Crossing(lat_deg=47.0, lon_deg=lon, road="R", codes=frozenset({"US-AA", "US-BB"}), source="") for lon in fixed
    ]
    merged: dict[str, Land] = {}
    for land in lands:
        old = merged.get(land.code)
        merged[land.code] = (
            land if old is None else Land(code=land.code, name=land.code, polygons=(*old.polygons, *land.polygons))
        )
    found, _ = find_jurisdictions(EAST, Boundaries(lands=tuple(merged.values())), crossings)
    assert found[0].start_m == 0.0
    assert found[-1].end_m == EAST.length_m
    assert all(a.end_m == b.start_m for a, b in pairwise(found))
    assert all(span.end_m > span.start_m for span in found)
    assert all(a.code != b.code for a, b in pairwise(found))


def test_lookout_pass_border_falls_on_the_fixed_point() -> None:
    """I-90 ID/MT at 47.454353, -115.694530 (public highway data). The bare outline is within 2 km, as its error
    table for mountain divides says."""
    fixed = np.array([47.454353]), np.array([-115.694530])
    route = route_over(
        [*np.linspace(47.4700, fixed[0][0], 80), *np.linspace(fixed[0][0], 47.4100, 80)[1:]],
        [*np.linspace(-115.8500, fixed[1][0], 80), *np.linspace(fixed[1][0], -115.5500, 80)[1:]],
    )
    at_m = float(project(route, *fixed)[0][0])
    with_point, _ = find_jurisdictions(route, STATES, CROSSINGS)
    bare, _ = find_jurisdictions(route, STATES, ())
    assert [span.code for span in with_point] == [span.code for span in bare] == ["US-ID", "US-MT"]
    assert with_point[0].end_m == pytest.approx(at_m, abs=300.0)
    assert bare[0].end_m == pytest.approx(at_m, abs=2_000.0)


@pytest.mark.parametrize(
    ("lat", "lon", "code"),
    [
        # State and province capitals and two border towns: where they lie is common knowledge, no source.
        (46.59, -112.04, "US-MT"),
        (43.62, -116.20, "US-ID"),
        (47.04, -122.90, "US-WA"),
        (44.94, -123.03, "US-OR"),
        (39.74, -104.99, "US-CO"),
        (58.38, -134.20, "US-AK"),
        (38.907, -77.037, "US-DC"),
        (51.05, -114.07, "CA-AB"),
        (49.49, -115.77, "CA-BC"),
        (60.72, -135.06, "CA-YT"),
        (19.43, -99.13, "MX"),
        (47.14, 9.52, "LI"),
        (46.95, 7.45, "CH"),
    ],
)
def test_known_towns_lie_in_their_state(lat: float, lon: float, code: str) -> None:
    near = route_over(np.full(8, lat), lon + np.linspace(0.0, 0.01, 8))
    assert [span[0] for span in spans(near, STATES)] == [code]


ROADS = {
    ("i090", "WA ID MT"): ["US-WA", "US-ID", "US-MT"],
    ("i080", "CA NV"): ["US-CA", "US-NV"],
    ("i084", "OR"): ["US-OR"],  # along the Columbia, where the outline is up to 6 km off
    ("i080", "WY"): ["US-WY"],
    ("i070", "CO"): ["US-CO"],
    ("us002", "WA"): ["US-WA"],
}


@pytest.mark.needs_shared
@pytest.mark.skipif(not POINTS.is_file(), reason="the reference table of highway points is absent")
@pytest.mark.parametrize(("road", "states"), ROADS)
def test_states_on_a_real_road_are_in_order_with_their_borders(road: str, states: str) -> None:
    with POINTS.open() as file:
        rows = [row for row in csv.DictReader(file) if row["road"] == road and row["state"] in states.split()]
    rows.sort(key=lambda row: (states.split().index(row["state"]), int(row["order"])))
    route = route_over([float(r["latitude_deg"]) for r in rows], [float(r["longitude_deg"]) for r in rows])
    found, _ = find_jurisdictions(route, STATES, CROSSINGS)
    assert [span.code for span in found] == ROADS[road, states]
    for before, after in pairwise(found):
        label = f"{before.code[3:]}/{after.code[3:]}"
        line = next(row for row in rows if row["label"] == label)
        at_m, _ = project(route, np.array([float(line["latitude_deg"])]), np.array([float(line["longitude_deg"])]))
        assert before.end_m == pytest.approx(float(at_m[0]), abs=300.0)

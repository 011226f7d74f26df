"""Whose land the road is on."""

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.route.build import build_route, sample_line, with_elevations
from alertd.route.clean import WGS84, clean_line
from alertd.route.jurisdictions import Boundaries, Crossing, Land, find_jurisdictions
from alertd.route.model import GpxLine, Route
from alertd.route.project import project
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.places import read_crossings

REPO = Path(__file__).parents[2]
CONFIG = REPO / "config"
POINTS = REPO.parent / "shared" / "roads" / "highway_points.csv"

STATES = read_boundaries(CONFIG / "boundaries" / "us_states.topo.json", CONFIG / "boundaries" / "ca_provinces.geojson")
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
    assert findings == ("km 38.0 to 76.1 lies in no state or province that is known here",)


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
        (19.43, -99.13, ""),
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

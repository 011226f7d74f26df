"""From line to route: distances, samples, bearings, heights."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod

from alertd.errors import InputError
from alertd.route.build import build_route, missing_elevation, sample_line, with_elevations
from alertd.route.elevation import NamedSummit
from alertd.route.geometry.clean import CleanLine, clean_line, leg_lengths_m
from alertd.route.model import GpxLine
from alertd.sources.files.gpx.read import read_gpx

WGS84 = Geod(ellps="WGS84")

REPO = Path(__file__).parents[2]
SHARED = REPO.parent / "shared" / "gpx"


def line_of(lat: object, lon: object, ele: object = None, **changes: object) -> CleanLine:
    lat_deg = np.array(lat, dtype=float)
    line = GpxLine(
        name="n",
        lat_deg=lat_deg,
        lon_deg=np.array(lon, dtype=float),
        elevation_m=np.full(lat_deg.shape, np.nan) if ele is None else np.array(ele, dtype=float),
        segment_starts=np.array([0], dtype=np.intp),
        sha256="",
        where="t.gpx",
    )
    return clean_line(replace(line, **changes))


def wiggly(seed: int, n: int = 400) -> CleanLine:
    """A road of our own: 40 to 100 m between points, curves, two passes."""
    rng = np.random.default_rng(seed)
    heading = np.cumsum(rng.normal(0.0, 0.12, n)) + rng.uniform(0, 6.28)
    step = rng.uniform(40.0, 100.0, n)
    lat = 46.0 + np.cumsum(step * np.cos(heading)) / 111_200.0
    lon = -115.0 + np.cumsum(step * np.sin(heading)) / 77_000.0
    s = np.cumsum(step)
    ele = 1200.0 + 300.0 * np.sin(s / 3500.0 + rng.uniform(0, 6.28)) + rng.normal(0.0, 2.0, n)
    return line_of(lat, lon, ele)


def dms(d: float, m: float, s: float) -> float:
    return d + m / 60.0 + s / 3600.0


@pytest.mark.parametrize(
    ("start", "end", "length_m", "within_m"),
    [
        # ICSM, GDA Technical Manual, worked example of Vincenty's formulae on GRS 80: Flinders Peak to Buninyong.
        # (GRS 80 and WGS 84 differ by 0.1 mm in the semi-minor axis.)
        (
            (-dms(37, 57, 3.72030), dms(144, 25, 29.52440)),
            (-dms(37, 39, 10.15610), dms(143, 55, 35.38390)),
            54_972.271,
            0.001,
        ),
        # GeographicLib documentation for Python, example of the inverse problem: Wellington to Salamanca. Vincenty's
        # series is known to come no closer for places that are nearly opposite.
        ((-41.32, 174.81), (40.96, -5.50), 19_959_679.267, 200.0),
    ],
)
def test_leg_length_is_the_published_geodesic(
    start: tuple[float, float], end: tuple[float, float], length_m: float, within_m: float
) -> None:
    legs = leg_lengths_m(np.array([start[0], end[0]]), np.array([start[1], end[1]]))
    assert float(legs[0]) == pytest.approx(length_m, abs=within_m)


def test_bearing_is_the_published_azimuth() -> None:
    """ICSM, GDA Technical Manual: azimuth Flinders Peak to Buninyong 306 52' 05.37", back 127 10' 25.07"."""
    lat = [-dms(37, 57, 3.72030), -dms(37, 39, 10.15610)]
    lon = [dms(144, 25, 29.52440), dms(143, 55, 35.38390)]
    between = np.array(WGS84.npts(lon[0], lat[0], lon[1], lat[1], 100))
    line = line_of([lat[0], *between[:, 1], lat[1]], [lon[0], *between[:, 0], lon[1]], np.full(102, 500.0))
    route = build_route(line)
    assert route.length_m == pytest.approx(54_972.271, abs=0.001)
    assert float(route.bearing_deg[0]) == pytest.approx(dms(306, 52, 5.37), abs=0.002)
    assert float(route.bearing_deg[-1]) == pytest.approx(dms(127, 10, 25.07) + 180.0, abs=0.005)


@pytest.mark.parametrize(
    ("end", "bearing"), [((47.1, -115), 0), ((47, -114.9), 90), ((46.9, -115), 180), ((47, -115.1), 270)]
)
def test_bearing_runs_clockwise_from_north(end: tuple[float, float], bearing: float) -> None:
    n = 50
    line = line_of(np.linspace(47, end[0], n), np.linspace(-115, end[1], n), np.full(n, 900.0))
    turn = (build_route(line).bearing_deg - bearing + 180.0) % 360.0 - 180.0
    assert float(np.abs(turn).max()) < 0.1


@given(seed=st.integers(0, 10_000))
def test_samples_are_even_and_keep_the_length(seed: int) -> None:
    line = wiggly(seed)
    route = build_route(line)
    steps = np.diff(route.distance_m)
    assert (steps > 0).all()
    assert float(steps.max() - steps.min()) < 1e-6
    assert abs(float(steps[0]) - 250.0) < 10.0
    assert route.length_m == pytest.approx(float(leg_lengths_m(line.lat_deg, line.lon_deg).sum()), rel=1e-12)
    chords = leg_lengths_m(route.lat_deg, route.lon_deg)
    assert float(chords.max()) <= float(steps[0]) + 1e-3  # a chord is never longer than its stretch of the line
    assert 0.9 < float(chords.sum()) / route.length_m <= 1.0 + 1e-6


@given(seed=st.integers(0, 10_000))
def test_reversed_line_mirrors_places_heights_grades_summits(seed: int) -> None:
    line = wiggly(seed)
    back = replace(
        line,
        lat_deg=line.lat_deg[::-1].copy(),
        lon_deg=line.lon_deg[::-1].copy(),
        elevation_m=line.elevation_m[::-1].copy(),
    )
    there, again = build_route(line), build_route(back)
    np.testing.assert_allclose(again.lat_deg[::-1], there.lat_deg, atol=1e-9)
    np.testing.assert_allclose(again.elevation_m[::-1], there.elevation_m, atol=1e-6)
    np.testing.assert_allclose(again.grade[::-1], -there.grade, atol=1e-8)
    turn = (again.bearing_deg[::-1] - there.bearing_deg) % 360.0
    np.testing.assert_allclose(turn, 180.0, atol=0.05)
    mirrored = [there.length_m - summit.distance_m for summit in again.summits[::-1]]
    np.testing.assert_allclose(mirrored, [summit.distance_m for summit in there.summits], atol=1e-3)


def test_interpolation_is_within_a_metre_of_the_geodesic() -> None:
    """Legs of 3.9 km (straight in degrees) and 40 km (points put on the geodesic), at 60 degrees north."""
    for length_m in (3_900.0, 40_000.0):
        lon, lat, _ = WGS84.fwd(-115.0, 60.0, 90.0, length_m)
        places = sample_line(line_of([60.0, lat], [-115.0, lon], planned=True)) if length_m < 20_000 else None
        if places is None:
            # Beside enough road for the gap to be allowed.
            n = 2000
            tail = WGS84.fwd(np.full(n, lon), np.full(n, lat), np.full(n, 90.0), np.arange(1, n + 1) * 100.0)
            places = sample_line(line_of([60.0, lat, *tail[1]], [-115.0, lon, *tail[0]]))
        on_leg = places.distance_m <= length_m
        true_lon, true_lat, _ = WGS84.fwd(
            np.full(on_leg.sum(), -115.0),
            np.full(on_leg.sum(), 60.0),
            np.full(on_leg.sum(), 90.0),
            places.distance_m[on_leg],
        )
        off = WGS84.inv(places.lon_deg[on_leg], places.lat_deg[on_leg], true_lon, true_lat)[2]
        assert float(np.max(off)) < 1.0


def test_line_across_the_antimeridian_stays_short() -> None:
    n = 40
    lon = np.linspace(179.9, 180.1, n)
    route = build_route(line_of(np.full(n, 65.0), np.where(lon > 180, lon - 360, lon), np.full(n, 100.0)))
    assert route.length_m == pytest.approx(9_440, rel=0.01)
    assert float(np.abs(route.lon_deg).min()) > 179.8
    assert float(np.abs(route.lon_deg).max()) <= 180.0


def test_missing_heights_are_refused_and_never_assumed() -> None:
    n = 50
    line = line_of(np.full(n, 47.0), np.linspace(-115, -114.9, n))
    assert missing_elevation(line)
    with pytest.raises(InputError) as caught:
        build_route(line)
    assert str(caught.value) == (
        "t.gpx: ele: there are no heights; export it with elevations, or run `alertd gather heights`; "
        "its option --tiles reads tiles of your own"
    )


def test_heights_of_only_zero_are_a_placeholder() -> None:
    n = 50
    ele = np.where(np.arange(n) % 2, 0.0, np.nan)
    line = line_of(np.full(n, 47.0), np.linspace(-115, -114.9, n), ele)
    assert missing_elevation(line)
    with pytest.raises(InputError, match="the only heights are 0, a placeholder"):
        build_route(line)


def test_zeros_in_mountain_heights_are_filled_and_reported() -> None:
    """They are filled from both sides."""
    n = 101
    ele = np.linspace(1500.0, 1520.0, n)
    truth = ele.copy()
    ele[40:45] = 0.0
    route = build_route(line_of(np.full(n, 47.0), np.linspace(-115, -114.9, n), ele))
    assert (
        float(np.abs(route.elevation_m - np.interp(route.distance_m, np.linspace(0, route.length_m, n), truth)).max())
        < 0.1
    )
    assert route.findings[0] == "heights of exactly 0 beside higher ground count as missing: 5"
    assert "filled with a constant grade" in route.findings[1]


def test_zero_at_the_shore_is_a_height() -> None:
    n = 101
    ele = np.clip(np.linspace(-2.0, 6.0, n), 0.0, None)
    line = line_of(np.full(n, 47.0), np.linspace(-122, -121.9, n), ele)
    assert not missing_elevation(line)
    assert build_route(line).findings == ()


@pytest.mark.parametrize(
    ("hole", "problem"),
    [((40, 80), "no heights from km"), ((0, 10), "heights start only at km"), ((90, 101), "heights end at km")],
)
def test_long_holes_in_the_heights_count_as_missing(hole: tuple[int, int], problem: str) -> None:
    n = 101
    ele = np.full(n, 900.0)
    ele[slice(*hole)] = np.nan
    line = line_of(np.full(n, 47.0), np.linspace(-115, -114.9, n), ele)
    assert missing_elevation(line)
    with pytest.raises(InputError, match=problem):
        build_route(line)


def test_tunnel_leg_keeps_its_portal_heights_and_is_reported() -> None:
    lon = [*np.linspace(-115, -114.9, 60), *np.linspace(-114.865, -114.7, 60)]
    route = build_route(line_of(np.full(120, 47.0), lon, np.full(120, 900.0)))
    assert float(np.ptp(route.elevation_m)) == pytest.approx(0.0, abs=1e-9)
    assert len(route.findings) == 1
    assert "a straight line is assumed there, and a ridge or a valley on it is not known" in route.findings[0]


def test_sampled_external_heights_make_the_same_road() -> None:
    line = wiggly(3)
    bare = replace(line, elevation_m=np.full(line.lat_deg.shape, np.nan))
    places = sample_line(bare)
    s = np.concatenate(([0.0], np.cumsum(leg_lengths_m(line.lat_deg, line.lon_deg))))
    filled = with_elevations(bare, np.interp(places.distance_m, s, line.elevation_m), along_m=places.distance_m)
    assert not missing_elevation(filled)
    route, own = build_route(filled), build_route(line)
    assert route.length_m == pytest.approx(own.length_m, abs=0.01)
    np.testing.assert_allclose(route.lat_deg, own.lat_deg, atol=1e-7)
    assert float(np.abs(route.elevation_m - own.elevation_m).max()) < 6.0


def test_external_heights_keep_detail_between_distant_points() -> None:
    """A line of few points: the pass lies between two of them."""
    line = line_of([47.0, 47.0, 47.0], [-115.0, -114.95, -114.9], planned=True)
    places = sample_line(line)
    heights = 900.0 + 200.0 * np.exp(-(((places.distance_m - 2000.0) / 1500.0) ** 2))
    route = build_route(with_elevations(line, heights, along_m=places.distance_m))
    assert float(route.elevation_m.max()) > 1050.0


def test_unknown_heights_from_elsewhere_stay_unknown() -> None:
    line = wiggly(5)
    places = sample_line(line)
    assert missing_elevation(with_elevations(line, np.full(places.distance_m.shape, np.nan), along_m=places.distance_m))
    assert missing_elevation(with_elevations(line, np.full(line.lat_deg.shape, np.nan)))
    with pytest.raises(ValueError, match="heights for"):
        with_elevations(line, np.zeros(3))


def test_arrays_of_a_route_are_read_only() -> None:
    route = build_route(wiggly(1))
    for values in (route.lat_deg, route.lon_deg, route.distance_m, route.elevation_m, route.grade, route.bearing_deg):
        assert not values.flags.writeable


def test_shortest_line_still_makes_a_route() -> None:
    route = build_route(line_of([47.0, 47.00001], [-115.0, -115.0], [900.0, 900.0]))
    assert route.distance_m.size == 2
    assert route.length_m == pytest.approx(1.11, abs=0.01)


@pytest.mark.needs_shared
@pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder with real GPX files is absent")
def test_summits_of_a_real_line_have_their_published_heights() -> None:
    """Swiss passes by the heights on their road signs (from memory): Nufenen 2478, Furka 2429, Oberalp 2044,
    Fluela 2383, Albula 2315, Spluegen 2113 m."""
    route = build_route(clean_line(read_gpx(SHARED / "ch_GiroPassiSvizzeri2025.gpx")))
    heights = [summit.elevation_m for summit in route.summits]
    for published_m in (2478, 2429, 2044, 2383, 2315, 2113):
        assert min(abs(height - published_m) for height in heights) < 12.0


@pytest.mark.needs_shared
@pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder with real GPX files is absent")
def test_real_line_of_zero_heights_needs_the_elevation_service() -> None:
    for name in ("ch_00-grand-tour.gpx", "ch_lowres_07-davos-to-giubiasco.gpx"):
        with pytest.raises(InputError, match="the only heights are 0, a placeholder"):
            build_route(clean_line(read_gpx(SHARED / name)))


def sparse_line(heights_m: list[float], apart_km: float) -> CleanLine:
    """A point each 250 m along 47 N; only those `apart_km` apart have heights."""
    per = round(apart_km * 4)
    n = per * (len(heights_m) - 1) + 1
    elevation_m = np.full(n, np.nan)
    elevation_m[::per] = heights_m
    lon = -115.0 + np.arange(n) * 250.0 / 76_056.0  # metres in a degree of longitude at 47 N on WGS 84
    return line_of(np.full(n, 47.0), lon, elevation_m)


PASS = NamedSummit(
    name="Made Pass", road="", lat_deg=47.0, lon_deg=-115.0 + 12_000.0 / 76_056.0, elevation_m=1500.0, source="made"
)


def test_sparse_heights_count_where_there_are_no_others() -> None:
    """Eight kilometres apart: refused while better ones may be had, and named where they are used."""
    line = sparse_line([600.0, 700.0, 900.0, 800.0], 8.0)
    with pytest.raises(InputError, match="no heights from km"):
        build_route(line)
    route = build_route(line, sparse=True)
    told = [f for f in route.findings if "a straight line is assumed there" in f]
    assert [f.partition(":")[0] for f in told] == [
        "no heights from km 0.0 to km 8.0", "no heights from km 8.0 to km 16.0", "no heights from km 16.0 to km 24.0"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("heights_m", "apart_km", "passes", "problem"),
    [
        ([600.0, 700.0, 900.0], 8.0, [PASS], "where Made Pass is 1500 m high"),
        ([600.0, 700.0, 900.0], 10.5, [], "no heights from km"),
        ([600.0, 1600.0, 900.0], 8.0, [], "heights differ by 1000 m over 8.0 km at km 0.0"),
        ([600.0, float("nan"), 900.0], 8.0, [], "no heights from km 0.0 to km 16.0"),
    ],
)
def test_sparse_heights_that_may_hide_a_ridge_are_refused(
    heights_m: list[float], apart_km: float, passes: list[NamedSummit], problem: str
) -> None:
    with pytest.raises(InputError, match=problem):
        build_route(sparse_line(heights_m, apart_km), named_summits=passes, sparse=True)


def test_a_pass_whose_height_is_on_the_line_hides_nothing() -> None:
    assert build_route(sparse_line([700.0, 1460.0, 700.0], 9.5), named_summits=[PASS], sparse=True)

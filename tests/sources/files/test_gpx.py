"""Reading GPX: what is read, and what is refused in one line that names the field and the mend."""

import hashlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.errors import InputError
from alertd.route.build import missing_elevation
from alertd.route.geometry.clean import clean_line, leg_lengths_m
from alertd.sources.files.gpx.points import GpxLimits
from alertd.sources.files.gpx.read import parse_gpx, read_gpx

REPO = Path(__file__).parents[3]
FIXTURES = REPO / "fixtures" / "gpx"
SHARED = REPO.parent / "shared" / "gpx"

needs_gpx = pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder with real GPX files is absent")


def gpx(body: str, head: str = "") -> bytes:
    return f'<?xml version="1.0"?>{head}<gpx version="1.1">{body}</gpx>'.encode()


def track(points: str) -> bytes:
    return gpx(f"<trk><trkseg>{points}</trkseg></trk>")


TWO = '<trkpt lat="47.4" lon="-115.7"/><trkpt lat="47.5" lon="-115.6"/>'


def test_track_of_gpx_11_gives_points_heights_name_and_hash() -> None:
    line = read_gpx(FIXTURES / "pass_gpx11.gpx")
    assert line.name == "Invented pass, eastbound"
    assert line.lat_deg.shape == line.lon_deg.shape == line.elevation_m.shape == (301,)
    assert float(line.elevation_m.max()) == 1500.0
    assert line.sha256 == hashlib.sha256((FIXTURES / "pass_gpx11.gpx").read_bytes()).hexdigest()
    assert not line.planned
    assert not line.lat_deg.flags.writeable


def test_gpx_10_takes_its_name_from_the_file_element() -> None:
    line = read_gpx(FIXTURES / "track_gpx10.gpx")
    assert line.name == "Short track of GPX 1.0"
    assert line.elevation_m.tolist() == [900.0, 920.0, 941.5]


def test_tracks_go_before_routes_and_are_joined_in_file_order() -> None:
    line = read_gpx(FIXTURES / "route_and_tracks.gpx")
    assert line.lat_deg.tolist() == [47.4, 47.41, 47.42]
    assert line.lon_deg.tolist() == [-115.70, -115.69, -115.68]
    assert line.segment_starts.tolist() == [0, 2]
    assert np.isnan(line.elevation_m).tolist() == [True, True, False]
    assert line.findings == (
        "route_and_tracks.gpx holds tracks and routes: the track points are used",
        "2 tracks in route_and_tracks.gpx are joined in the order of the file",
    )


def test_shape_points_of_a_route_are_used_in_order() -> None:
    line = read_gpx(FIXTURES / "shaped_route.gpx")
    assert line.lat_deg.tolist() == [47.40, 47.405, 47.408, 47.41]
    assert line.elevation_m[[0, 3]].tolist() == [900.0, 920.0]
    assert not line.planned


def test_plain_route_counts_as_planned() -> None:
    line = parse_gpx(gpx('<rte><rtept lat="1" lon="2"/><rtept lat="1.1" lon="2"/></rte>'), "r.gpx")
    assert line.planned
    assert line.name == "r"


def test_byte_order_mark_and_utf_16_are_read() -> None:
    assert parse_gpx(b"\xef\xbb\xbf" + track(TWO), "bom.gpx").lat_deg.size == 2
    text = track(TWO).decode().replace('version="1.0"?', 'version="1.0" encoding="UTF-16"?')
    assert parse_gpx(text.encode("utf-16"), "wide.gpx").lat_deg.size == 2


def test_void_heights_become_unknown_and_are_reported() -> None:
    line = parse_gpx(track(TWO.replace("/><", "><ele>-32768</ele></trkpt><", 1)), "v.gpx")
    assert np.isnan(line.elevation_m).all()
    assert line.findings == ("heights outside -500 to 9000 m count as missing: 1",)


def deep(levels: int) -> bytes:
    return gpx("<extensions>" + "<a>" * levels + "</a>" * levels + "</extensions>")


BOMB = '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'
REFUSED = [
    ("doctype", gpx("", BOMB), "DOCTYPE", "remove the DOCTYPE"),
    ("external-entity", gpx("", '<!DOCTYPE gpx SYSTEM "file:///etc/hostname">'), "DOCTYPE", "remove the DOCTYPE"),
    ("deep", deep(200_000), "<a>", "without extensions"),
    ("attributes", gpx("<wpt " + " ".join(f'a{i}="1"' for i in range(65)) + "/>"), "<wpt>", "without extensions"),
    ("html", b"<!DOCTYPE html><html><body>Log in</body></html>", "", "login page"),
    ("empty", b"", "", "export the route again"),
    ("blank", b" \n\t ", "", "export the route again"),
    ("truncated", track(TWO)[:-20], "line 1 column", "truncated or damaged"),
    ("undefined-entity", track(TWO + "&nbsp;"), "line 1 column", "damaged"),
    ("not-xml", b"lat,lon\n47.4,-115.7\n", "line 1 column 1", "damaged"),
    ("encoding", b'<?xml version="1.0" encoding="klingon"?><gpx/>', "", "UTF-8"),
    ("json", b'{"type": "FeatureCollection"}', "", "as GPX"),
    ("gzip", b"\x1f\x8b\x08\x00", "", "unpack it"),
    ("zip", b"PK\x03\x04....", "", "unpack it"),
    ("kml", b"<kml><Document/></kml>", "<kml>", "as GPX 1.1"),
    ("no-points", gpx('<wpt lat="1" lon="2"/>'), "", "as a track"),
    ("one-place", track('<trkpt lat="1" lon="2"/><trkpt lat="1" lon="2"/>'), "track", "whole route"),
    ("lat-range", track(TWO + '<trkpt lat="91" lon="-115"/>'), "track point 3 lat", "correct the point"),
    ("lon-range", track('<trkpt lat="47" lon="181"/>'), "track point 1 lon", "correct the point"),
    ("swapped", track('<trkpt lat="-115.7" lon="47.4"/>'), "track point 1 lat", "look swapped"),
    ("nan", track('<trkpt lat="NaN" lon="2"/>'), "track point 1 lat", "decimal degrees"),
    ("infinite", track('<trkpt lat="1" lon="-INF"/>'), "track point 1 lon", "decimal degrees"),
    ("overflow", track('<trkpt lat="1e999" lon="2"/>'), "track point 1 lat", "decimal degrees"),
    ("comma", track('<trkpt lat="47,4" lon="2"/>'), "track point 1 lat", "with a point"),
    ("digit-groups", track('<trkpt lat="4_7" lon="2"/>'), "track point 1 lat", "decimal degrees"),
    ("missing-lon", track('<trkpt lat="47.4"/>'), "track point 1 lon", "export the route again"),
    ("bad-height", track('<trkpt lat="1" lon="2"><ele>12 m</ele></trkpt>'), "track point 1 ele", "metres"),
    ("bad-route", gpx('<rte><rtept lat="x" lon="2"/></rte>'), "route point 1 lat", "decimal degrees"),
]


@pytest.mark.parametrize(("data", "field", "mend"), [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED])
def test_refusal_is_one_line_with_file_field_and_mend(data: bytes, field: str, mend: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_gpx(data, "bad.gpx")
    assert caught.value.where == "bad.gpx"
    assert caught.value.field.startswith(field)
    assert mend in caught.value.hint
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("bad.gpx: ")
    assert len(message) < 250


def test_too_many_points_are_refused_while_reading() -> None:
    with pytest.raises(InputError, match="more than 2 points"):
        parse_gpx(track(TWO * 2), "many.gpx", limits=GpxLimits(max_points=2))


def test_file_of_200_mb_is_refused_without_reading_it(tmp_path: Path) -> None:
    path = tmp_path / "huge.gpx"
    with path.open("wb") as file:
        file.truncate(200_000_000)
    with pytest.raises(InputError, match=r"200\.0 MB exceeds the limit of 20 MB") as caught:
        read_gpx(path)
    assert caught.value.field == "size"


def test_missing_file_and_folder_are_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        read_gpx(tmp_path / "none.gpx")
    with pytest.raises(InputError, match="is a folder"):
        read_gpx(tmp_path)


def test_line_that_would_fit_the_area_when_swapped_is_refused() -> None:
    alps = (43.0, 5.0, 48.0, 16.0)
    swapped = track('<trkpt lat="8.4" lon="46.5"/><trkpt lat="8.5" lon="46.6"/>')
    with pytest.raises(InputError, match="look swapped"):
        parse_gpx(swapped, "alps.gpx", expected_bbox=alps)
    assert parse_gpx(swapped, "elsewhere.gpx").lat_deg.size == 2


@given(data=st.data())
@settings(max_examples=4 * settings().max_examples)
def test_damaged_file_is_read_or_refused_and_never_breaks(data: st.DataObject) -> None:
    content = bytearray((FIXTURES / "route_and_tracks.gpx").read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        cut = data.draw(st.integers(0, 30))
        content[at : at + cut] = data.draw(
            st.binary(max_size=8) | st.sampled_from([b"<", b"&", b"<trk>", b"1e400", b""])
        )
    refusal, line = None, None
    try:
        line = parse_gpx(bytes(content), "damaged.gpx")
    except InputError as exc:
        refusal = exc
    if line is None:
        assert refusal is not None
        assert refusal.hint
        assert "\n" not in str(refusal)
    else:
        assert np.isfinite(line.lat_deg).all()
        assert (np.abs(line.lat_deg) <= 90.0).all()
        assert (np.abs(line.lon_deg) <= 180.0).all()
        assert line.segment_starts[0] == 0


# What the index of the reference folder says of each file: points, kilometres (of the line as it stands).
# 30 segments of tw_hhs are 157 km; the gaps between them, which a joined line has, are not in that figure. The same
# holds for ch_lowres and tg_osm, whose gaps are small.
REAL = {
    "ch_00-grand-tour.gpx": (47362, 1382, True),
    "ch_06-gonten-to-davos.gpx": (6436, 132, True),
    "ch_08-giubiasco-to-zermatt.gpx": (5010, 199, True),
    "ch_lowres_07-davos-to-giubiasco.gpx": (400, 225, True),
    "ch_GiroPassiSvizzeri2025.gpx": (10834, 504, False),
    "ez_Black_Forest_01_Baden.gpx": (23 + 5718, 343, True),
    "ez_invalid_schema.gpx": (4, 0, False),
    "ez_garmin_etrex32_hike_error_1.gpx": (1550, 43, "gaps over 20 km"),
    "ez_VTTrack_1.gpx": (479, 22, False),
    "py_unicode_with_bom.gpx": "has no track or route points",
    "py_unicode2.gpx": "has no track or route points",
    "py_gpx-with-node-with-comments.gpx": "fewer than two different points",
    "py_gpx1.1_with_all_fields.gpx": (5, None, "156 km lie between"),
    "py_gpx1.1_with_extensions_without_namespaces.gpx": "has no track or route points",
    "py_track-with-empty-segment.gpx": (9, 0, False),
    "py_track-with-small-floats.gpx": (3, 9, True),
    "py_track-with-less-sec-time.gpx": (2, 0, False),
    "py_around-visnjan-with-car.gpx": (104, 3, False),
    "tg_empty_ele.gpx": "fewer than two different points",
    "tg_unique_trkpt.gpx": "fewer than two different points",
    "tg_zero_elevation.gpx": (3, 0, False),
    "tg_north_core.gpx": (34, None, "km lie between"),
    "tg_osm.gpx": (420, 10, True),
    "tw_fells_loop.gpx": (46, 11, False),
    "tw_hhs_77yl9msjcr.gpx": (7275, None, "gaps over 20 km"),
}


@pytest.mark.needs_shared
@needs_gpx
@pytest.mark.parametrize("name", REAL)
def test_real_file_reads_as_its_index_says(name: str) -> None:
    expected = REAL[name]
    if isinstance(expected, str):
        with pytest.raises(InputError, match=expected):
            read_gpx(SHARED / name)
        return
    points, km, outcome = expected
    line = read_gpx(SHARED / name)
    assert line.lat_deg.size == points
    if km is not None:
        length_km = float(leg_lengths_m(line.lat_deg, line.lon_deg).sum()) / 1000.0
        assert length_km == pytest.approx(km, rel=0.01, abs=0.6)
    if isinstance(outcome, str):
        with pytest.raises(InputError, match=outcome):
            clean_line(line)
    else:
        assert missing_elevation(clean_line(line)) == outcome


@pytest.mark.needs_shared
@needs_gpx
def test_every_real_file_is_expected() -> None:
    assert {path.name for path in SHARED.glob("*.gpx")} == set(REAL)


@pytest.mark.needs_shared
@needs_gpx
def test_segments_of_a_real_file_add_up_to_its_index() -> None:
    """30 segments, 7275 points, 157 km without what lies between the segments."""
    line = read_gpx(SHARED / "tw_hhs_77yl9msjcr.gpx")
    legs = leg_lengths_m(line.lat_deg, line.lon_deg)
    within = np.ones(legs.size, dtype=bool)
    within[line.segment_starts[1:] - 1] = False
    assert line.segment_starts.size == 30
    assert float(legs[within].sum()) / 1000.0 == pytest.approx(157, rel=0.01)

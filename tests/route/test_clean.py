"""Repeated points, GPS spikes and gaps."""

from dataclasses import replace

import numpy as np
import pytest

from alertd.errors import InputError
from alertd.route.geometry.clean import clean_line
from alertd.route.model import GpxLine


def line_of(lat: list[float], lon: list[float], ele: list[float] | None = None, *, planned: bool = False) -> GpxLine:
    return GpxLine(
        name="n",
        lat_deg=np.array(lat, dtype=float),
        lon_deg=np.array(lon, dtype=float),
        elevation_m=np.full(len(lat), np.nan) if ele is None else np.array(ele, dtype=float),
        segment_starts=np.array([0], dtype=np.intp),
        sha256="",
        where="t.gpx",
        planned=planned,
    )


def dense(n: int = 60, step_deg: float = 0.0005) -> tuple[list[float], list[float]]:
    return [47.0] * n, [-115.0 + step_deg * i for i in range(n)]


def test_repeated_points_go_and_the_known_height_stays() -> None:
    cleaned = clean_line(line_of([47, 47, 47, 47.01], [-115] * 4, [np.nan, 900, 905, 910]))
    assert cleaned.lat_deg.tolist() == [47.0, 47.01]
    assert cleaned.elevation_m.tolist() == [900.0, 910.0]


def test_segment_starts_follow_their_points() -> None:
    lat, lon = dense(6)
    lat[1], lon[1] = lat[0], lon[0]
    line = line_of(lat, lon)
    cleaned = clean_line(replace(line, segment_starts=np.array([0, 3], dtype=np.intp)))
    assert cleaned.segment_starts.tolist() == [0, 2]


def test_gps_spike_is_removed_and_reported() -> None:
    lat, lon = dense()
    lat[30] += 0.02  # 2.2 km aside
    lat[45] = lon[45] = 0.0  # a lost fix
    cleaned = clean_line(line_of(lat, lon))
    assert cleaned.lat_deg.size == 58
    assert set(cleaned.lat_deg.tolist()) == {47.0}
    assert cleaned.findings == ("2 GPS spikes removed from t.gpx",)


def test_hairpin_of_a_dense_and_of_a_sparse_line_stays() -> None:
    for n in (60, 4):  # 40 m and 600 m between points
        up = np.linspace(0.0, 0.025, n)
        lat = [*(47 + up), *(47 + up[::-1])]
        lon = [*([-115.0] * n), *([-114.9996] * n)]
        cleaned = clean_line(line_of(lat, lon))
        assert cleaned.lat_deg.size == 2 * n
        assert cleaned.findings == ()


def test_cleaning_twice_changes_nothing() -> None:
    lat, lon = dense()
    lat[30] += 0.02
    once = clean_line(line_of(lat, lon))
    twice = clean_line(once)
    assert twice.lat_deg.tolist() == once.lat_deg.tolist()
    assert twice.findings == once.findings


def test_gap_over_5_km_is_reported_with_its_place() -> None:
    lat, lon = dense(600)
    lon = [x if i < 300 else x + 0.1 for i, x in enumerate(lon)]
    assert clean_line(line_of(lat, lon)).findings == (
        "gap of 7.6 km in the line at km 11.4: the road there is drawn straight",
    )


@pytest.mark.parametrize("planned", [False, True])
def test_gap_of_300_km_is_refused_in_one_line(planned: bool) -> None:
    lat, lon = dense(60)
    lon = [x if i < 30 else x + 4.0 for i, x in enumerate(lon)]
    with pytest.raises(InputError) as caught:
        clean_line(line_of(lat, lon, planned=planned))
    assert caught.value.field == "points 30 and 31"
    assert "304 km lie between them" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_line_that_is_mostly_gaps_is_refused() -> None:
    with pytest.raises(InputError, match="gaps over 20 km between points make up 61 of 61 km"):
        clean_line(line_of([47.0, 47.0, 47.0], [-115.0, -114.6, -114.2], planned=True))

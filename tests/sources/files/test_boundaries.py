"""Outlines of states and provinces: decoded rings, and one line where a file is broken."""

from pathlib import Path

import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.sources.files.boundaries import read_boundaries

CONFIG = Path(__file__).parents[3] / "config"


def test_boundaries_have_states_provinces_and_countries() -> None:
    """ISO 3166-2 has 13 provinces and territories of Canada; every land with a chain rule file has an outline."""
    folder = CONFIG / "boundaries"
    files = ("us_states.topo.json", "ca_provinces.geojson", "countries.topo.json")
    boundaries = read_boundaries(*(folder / name for name in files))
    codes = [land.code for land in boundaries.lands]
    assert len([code for code in codes if code.startswith("US-")]) == 51
    assert len([code for code in codes if code.startswith("CA-")]) == 13
    assert {"AT", "CH", "DE", "ES", "FI", "FR", "IT", "JP", "LI", "NO", "PL", "SE"} <= set(codes)
    assert len(set(codes)) == len(codes)
    assert boundaries.complete
    assert not read_boundaries(folder / files[0], folder / files[1]).complete
    assert all(
        (ring[0] == ring[-1]).all() for land in boundaries.lands for polygon in land.polygons for ring in polygon
    )


@pytest.mark.parametrize(
    "text", ["{}", "[]", "{", '{"type": "Topology", "transform": {"scale": [1, 1], "translate": [0, 0]}}']
)
def test_broken_boundaries_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "b.json"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        read_boundaries(path)
    assert caught.value.hint == "rebuild the file as its README describes"


def test_arcs_are_decoded_as_the_format_says(tmp_path: Path) -> None:
    """Two lands that share an arc, one of them against its direction (TopoJSON 1.0, sections 2.1.2 and 2.1.4)."""
    path = tmp_path / "two.topo.json"
    path.write_text(
        """{"type": "Topology", "transform": {"scale": [0.5, 2], "translate": [10, 20]},
        "objects": {"states": {"type": "GeometryCollection", "geometries": [
          {"type": "Polygon", "properties": {"code": "US-AA", "name": "A"}, "arcs": [[0, 1]]},
          {"type": "MultiPolygon", "properties": {"code": "US-BB", "name": "B"}, "arcs": [[[2, -1]]]}]}},
        "arcs": [[[2, 0], [0, 1]], [[2, 1], [-2, 0], [0, -1], [2, 0]], [[2, 0], [2, 0], [0, 1], [-2, 0]]]}"""
    )
    a, b = read_boundaries(path).lands
    np.testing.assert_array_equal(a.polygons[0][0], [[11, 20], [11, 22], [10, 22], [10, 20], [11, 20]])
    np.testing.assert_array_equal(b.polygons[0][0], [[11, 20], [12, 20], [12, 22], [11, 22], [11, 20]])

"""Elevation tiles: the form of SRTM HGT (USGS documentation 2.1), small ones of our own, values by hand."""

from pathlib import Path

import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.sources.files.hgt import VOID, HgtTiles, tile_name

# Rows from north to south, columns from west to east, half a degree apart.
ROWS = [[300, 310, 320], [200, 210, VOID], [100, 110, 120]]


def tiles(folder: Path, rows: list[list[int]], name: str = "N47W116.hgt") -> HgtTiles:
    (folder / name).write_bytes(np.array(rows, dtype=">i2").tobytes())
    return HgtTiles(folder)


@pytest.mark.parametrize(
    ("lat", "lon", "height_m"),
    [
        (47.0, -116.0, 100.0),  # the south-west corner names the tile
        (47.5, -116.0, 200.0),
        (47.25, -116.0, 150.0),
        (47.25, -115.75, 155.0),  # the mean of 100, 110, 200 and 210
        (47.75, -115.25, float("nan")),  # beside the void
        (46.99, -116.0, float("nan")),  # in a tile that is not there
    ],
)
def test_heights_lie_between_the_nearest_four(tmp_path: Path, lat: float, lon: float, height_m: float) -> None:
    found = tiles(tmp_path, ROWS).elevations_m(np.array([lat]), np.array([lon]))
    np.testing.assert_allclose(found, [height_m])


@pytest.mark.parametrize(
    ("lat", "lon", "name"),
    [(47.9, -115.1, "N47W116"), (-0.5, 0.5, "S01E000"), (-33.5, 151.2, "S34E151"), (47.0, 180.0, "N47W180")],
)
def test_tiles_are_named_by_their_south_west_corner(lat: float, lon: float, name: str) -> None:
    assert tile_name(lat, lon) == name


def test_absent_tiles_are_named(tmp_path: Path) -> None:
    found = tiles(tmp_path, ROWS).missing(np.array([47.1, 48.1, 46.9]), np.full(3, -115.5))
    assert found == ("N46W116", "N48W116")


def test_what_is_no_tile_is_one_line_with_the_mend(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"holds no \.hgt tiles"):
        HgtTiles(tmp_path)
    broken = tiles(tmp_path, [[1, 2, 3]])
    with pytest.raises(ConfigError, match=r"N47W116\.hgt.*is no square of heights.*unpack it"):
        broken.elevations_m(np.array([47.1]), np.array([-115.5]))

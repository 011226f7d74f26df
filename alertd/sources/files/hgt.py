"""Ground heights from local tiles in the HGT form of the Shuttle Radar Topography Mission, read with numpy alone.

A tile covers one degree and is named by its south-west corner, such as N47W116.hgt. It holds rows of big-endian 16-bit
heights [m] from north to south, 3601 or 1201 a row, the last of each row and column shared with the next tile. -32768
marks a void (SRTM Topography, USGS, documentation of version 2.1). Public-domain tiles exist for most of the world;
`gdal_translate -of SRTMHGT` writes them from other terrain models.
"""

from functools import lru_cache
from math import floor, isqrt
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.errors import ConfigError
from alertd.route.model import Array

VOID: Final = -32768
LOWEST_M, HIGHEST_M = -500.0, 9000.0


class HgtTiles:
    """Heights from a folder of tiles. Raises ConfigError for a folder without tiles."""

    def __init__(self, folder: Path) -> None:
        self._tiles = {path.stem.upper(): path for path in sorted(folder.glob("*")) if path.suffix.lower() == ".hgt"}
        if not self._tiles:
            raise ConfigError(str(folder), "", "holds no .hgt tiles", "name a folder of tiles such as N47W116.hgt")
        self._read = lru_cache(maxsize=4)(_read_tile)

    def elevations_m(self, lat_deg: Array, lon_deg: Array) -> Array:
        """Heights between the nearest four of a tile, weighted by distance, (place,); NaN without a tile or in a void.

        Raises ConfigError for a file that is no tile.
        """
        out = np.full(lat_deg.shape, np.nan)
        names = np.array([tile_name(float(a), float(b)) for a, b in zip(lat_deg, lon_deg, strict=True)])
        for name in dict.fromkeys(names.tolist()):
            path = self._tiles.get(name)
            if path is not None:
                here = names == name
                out[here] = _between(self._read(path), lat_deg[here], lon_deg[here])
        return out

    def missing(self, lat_deg: Array, lon_deg: Array) -> tuple[str, ...]:
        """Names of the tiles that these places need and that are not there."""
        names = dict.fromkeys(tile_name(float(a), float(b)) for a, b in zip(lat_deg, lon_deg, strict=True))
        return tuple(sorted(name for name in names if name not in self._tiles))


def tile_name(lat_deg: float, lon_deg: float) -> str:
    """The name of the tile that holds a place."""
    south, west = floor(lat_deg), floor((lon_deg + 180.0) % 360.0 - 180.0)
    return f"{'N' if south >= 0 else 'S'}{abs(south):02d}{'E' if west >= 0 else 'W'}{abs(west):03d}"


def _read_tile(path: Path) -> NDArray[np.float64]:
    """(row from the south, column from the west), NaN in voids."""
    try:
        raw = np.fromfile(path, dtype=">i2")
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the file's permissions") from exc
    side = isqrt(raw.size)
    if side < 2 or side * side != raw.size or path.stat().st_size != 2 * raw.size:
        raise ConfigError(
            str(path), "", f"is no square of heights ({path.stat().st_size} bytes)", "unpack it, or write it again"
        )
    heights = raw.reshape(side, side)[::-1].astype(np.float64)
    heights[(heights < LOWEST_M) | (heights > HIGHEST_M)] = np.nan
    return heights


def _between(tile: NDArray[np.float64], lat_deg: Array, lon_deg: Array) -> Array:
    last = tile.shape[0] - 1
    row, column = (np.minimum((v - np.floor(v)) * last, last) for v in (lat_deg, lon_deg))
    south, west = (np.minimum(v.astype(np.intp), last - 1) for v in (row, column))
    up, right = row - south, column - west
    lower = tile[south, west] * (1.0 - right) + tile[south, west + 1] * right
    upper = tile[south + 1, west] * (1.0 - right) + tile[south + 1, west + 1] * right
    return np.asarray(lower * (1.0 - up) + upper * up)

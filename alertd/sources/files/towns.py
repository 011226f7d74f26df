"""Reads the list of towns by which places on a road are named: CSV rows of land, name, latitude and longitude."""

import csv
from pathlib import Path

from alertd.errors import ConfigError
from alertd.route.model import Town
from alertd.route.spot import Gazetteer
from alertd.sources.files.toml import read_text

_HINT = "write land,name,latitude,longitude, e.g. US-CO,Georgetown,39.706,-105.697"


def read_towns(path: Path) -> Gazetteer:
    """Read every row; lines that begin with "#" are comments. Raises ConfigError for the first bad row."""
    towns = []
    for n, line in enumerate(read_text(path, str(path), ConfigError).splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        row = next(csv.reader([line]))
        try:
            land, name, lat, lon = row
            town = Town(name=name.strip(), lat_deg=float(lat), lon_deg=float(lon), land=land.strip())
        except ValueError as exc:
            raise ConfigError(str(path), f"line {n}", f"{line[:60]!r} is not a town", _HINT) from exc
        if not town.name or not (abs(town.lat_deg) <= 90.0 and abs(town.lon_deg) <= 180.0):
            raise ConfigError(str(path), f"line {n}", f"{line[:60]!r} has no name or is nowhere on Earth", _HINT)
        towns.append(town)
    return Gazetteer(towns=tuple(towns))

"""Reads and writes stored terrain heights for routes whose GPX file has none, with source and date."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np

from alertd.errors import ConfigError
from alertd.route.model import Array
from alertd.sources.files.zones import write_atomic

FORMAT: Final = "alertd.heights/1"
_SAME_DEG: Final = 1e-4  # 11 m: within this, two positions count as the same place
_HINT: Final = "delete the file and run `alertd gather heights`"


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteHeights:
    """Heights [m] at positions in order along one GPX file's line. `name`: the file's; `obtained_at`: aware, UTC."""

    name: str
    source: str
    obtained_at: datetime
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]
    elevation_m: tuple[float, ...]

    @property
    def describe(self) -> str:
        """Return a sentence for the reader of a plan."""
        return (
            f"heights are of a ground model ({self.source}), gathered {self.obtained_at:%Y-%m-%d}, not of the GPX file"
        )


Heights: TypeAlias = Mapping[str, RouteHeights]  # keyed by the SHA-256 of the GPX file


def heights_for(heights: Heights, sha256: str, lat_deg: Array, lon_deg: Array) -> RouteHeights | None:
    """Return the stored heights of a line at these positions; None when there are none or the positions differ."""
    found = heights.get(sha256)
    if found is None or len(found.lat_deg) != lat_deg.size:
        return None
    same = np.abs(np.asarray(found.lat_deg) - lat_deg) <= _SAME_DEG
    same &= np.abs(np.asarray(found.lon_deg) - lon_deg) <= _SAME_DEG
    return found if bool(same.all()) else None


def read_heights(path: Path) -> Heights:
    """Read a file of `write_heights`. Raises ConfigError for any other content."""
    try:
        content = json.loads(path.read_bytes())
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the path and permissions") from exc
    except ValueError as exc:
        raise ConfigError(str(path), "", f"is not valid JSON ({exc})", _HINT) from exc
    try:
        if content["format"] != FORMAT:
            raise ValueError(f"format is {content['format']}, not {FORMAT}")
        return {sha: _route(about) for sha, about in content["routes"].items()}
    except (KeyError, TypeError, ValueError, AttributeError) as exc:
        raise ConfigError(str(path), "routes", f"invalid entry ({exc!r})", _HINT) from exc


def _route(about: dict[str, Any]) -> RouteHeights:
    columns = [tuple(float(v) for v in about[name]) for name in ("lat_deg", "lon_deg", "elevation_m")]
    obtained_at = datetime.fromisoformat(about["obtained_at"])
    if len({len(c) for c in columns}) != 1 or not np.isfinite(np.asarray(columns)).all():
        raise ValueError("columns differ in length or hold a value that is not a number")
    if obtained_at.utcoffset() is None:
        raise ValueError("a time without a zone")
    return RouteHeights(
        name=str(about["name"]),
        source=str(about["source"]),
        obtained_at=obtained_at.astimezone(UTC),
        lat_deg=columns[0],
        lon_deg=columns[1],
        elevation_m=columns[2],
    )


def write_heights(path: Path, heights: Heights) -> None:
    """Replace the file atomically. Raises InputError when it cannot be written."""
    routes = {
        sha: {
            "name": h.name,
            "source": h.source,
            "obtained_at": h.obtained_at.isoformat(timespec="seconds"),
            "lat_deg": h.lat_deg,
            "lon_deg": h.lon_deg,
            "elevation_m": h.elevation_m,
        }
        for sha, h in sorted(heights.items())
    }
    write_atomic(path, {"format": FORMAT, "routes": routes})

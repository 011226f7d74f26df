"""Reads and writes stored zone outlines: one GeoJSON file with id, source and date per feature."""

import json
import os
import tempfile
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from alertd.errors import ConfigError, InputError
from alertd.plan.warnings.zones import ForecastZone, Zones
from alertd.sources.geojson import geometry_of, read_area

_HINT: Final = "delete the file and run `alertd gather zones`"
SOURCE_WORDS: Final = "US National Weather Service, api.weather.gov, public domain"


def read_zones(path: Path) -> Zones:
    """Read zones by id. Raises ConfigError for a file that `write_zones` did not write."""
    try:
        content = json.loads(path.read_bytes())
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the path and permissions") from exc
    except ValueError as exc:
        raise ConfigError(str(path), "", f"is not valid JSON ({exc})", _HINT) from exc
    try:
        zones = [_zone(feature) for feature in content["features"]]
    except (KeyError, TypeError, ValueError) as exc:
        raise ConfigError(str(path), "features", f"invalid feature ({exc!r})", _HINT) from exc
    return {zone.id: zone for zone in zones}


def _zone(feature: dict[str, Any]) -> ForecastZone:
    about = feature["properties"]
    area = read_area(feature["geometry"])
    obtained_at = datetime.fromisoformat(about["obtained_at"])
    if area is None or obtained_at.utcoffset() is None or not isinstance(about["id"], str):
        raise ValueError(f"no outline, id or time with a zone in {about.get('id')}")
    return ForecastZone(id=about["id"], name=str(about["name"]), area=area, obtained_at=obtained_at.astimezone(UTC))


def write_zones(path: Path, zones: Iterable[ForecastZone]) -> None:
    """Replace the file atomically. Raises InputError when it cannot be written."""
    features = [
        {
            "type": "Feature",
            "properties": {
                "id": zone.id,
                "name": zone.name,
                "obtained_at": zone.obtained_at.isoformat(timespec="seconds"),
                "source": SOURCE_WORDS,
            },
            "geometry": geometry_of(zone.area),
        }
        for zone in sorted(zones, key=lambda z: z.id)
    ]
    write_atomic(path, {"type": "FeatureCollection", "features": features})


def write_atomic(path: Path, content: Any) -> None:
    """Write JSON by rename, so that a reader finds the old file or the new one. Raises InputError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", dir=path.parent, delete=False, encoding="utf-8") as file:
            json.dump(content, file, ensure_ascii=False, separators=(",", ":"))
        os.chmod(file.name, 0o644)
        os.replace(file.name, path)
    except OSError as exc:
        raise InputError(
            str(path), "", f"cannot be written ({exc.strerror})", "free disk space, or name another path"
        ) from exc

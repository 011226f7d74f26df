"""Reads and writes places gathered along routes: one JSON file, by route, with source, day and attribution."""

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final, TypeAlias

from pydantic import TypeAdapter, ValidationError

from alertd.errors import ConfigError
from alertd.route.roadside import Roadside
from alertd.sources.files.zones import write_atomic

FORMAT: Final = "alertd.roadside/1"
ATTRIBUTION: Final = "© OpenStreetMap contributors, ODbL 1.0 (openstreetmap.org/copyright)"
_HINT: Final = "delete the file and run `alertd gather places`"

Roadsides: TypeAlias = Mapping[str, Roadside]  # keyed by the SHA-256 of the GPX file


def read_roadside(path: Path) -> Roadsides:
    """Read a file of `write_roadside`. Raises ConfigError for any other content."""
    try:
        content = json.loads(path.read_bytes())
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the path and permissions") from exc
    except ValueError as exc:
        raise ConfigError(str(path), "", f"is not valid JSON ({exc})", _HINT) from exc
    if not isinstance(content, dict) or content.get("format") != FORMAT or not isinstance(content.get("routes"), dict):
        raise ConfigError(str(path), "format", f"is not {FORMAT}", _HINT)
    return {sha: _entry(path, sha, about) for sha, about in content["routes"].items()}


def _entry(path: Path, sha: str, about: Any) -> Roadside:
    try:
        found = _entry_form().validate_python(about)
    except ValidationError as exc:
        first = exc.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigError(str(path), f"routes.{sha[:12]}.{where}", str(first["msg"]), _HINT) from exc
    if found.obtained_at.utcoffset() is None:
        raise ConfigError(str(path), f"routes.{sha[:12]}.obtained_at", "has no time zone", _HINT)
    return found


def write_roadside(path: Path, roadsides: Roadsides) -> None:
    """Replace the file atomically. Raises InputError when it cannot be written."""
    routes = {sha: _entry_form().dump_python(found, mode="json") for sha, found in sorted(roadsides.items())}
    write_atomic(path, {"format": FORMAT, "attribution": ATTRIBUTION, "routes": routes})


@cache
def _entry_form() -> TypeAdapter[Roadside]:
    """Made at the first use: there may be no file."""
    return TypeAdapter(Roadside)

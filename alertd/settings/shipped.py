"""Locates what is shipped with the program: starting settings, demo data and published schemas."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import alertd


def data_root() -> Path:
    """Return the folder that holds config/, fixtures/ and shared/: inside an installed wheel, else the checkout."""
    inside = inside_package()
    return inside if inside.is_dir() else inside.parent.parent


def inside_package() -> Path:
    """Return the data folder of an installed wheel; it does not exist in a checkout."""
    return Path(alertd.__file__).resolve().parent / "_data"


@cache
def event_schema() -> dict[str, Any]:
    """Return the published JSON Schema of a webhook event. Do not change it."""
    found: dict[str, Any] = json.loads(
        (data_root() / "shared" / "webhook-event.schema.json").read_text(encoding="utf-8")
    )
    return found

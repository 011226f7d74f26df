"""Reads OpenStreetMap tags: road numbers and classes, speed limits, kinds of stops.

Meanings of tags: wiki.openstreetmap.org, pages Key:highway, Key:maxspeed, Key:oneway, Key:hgv, Key:mountain_pass.
"""

import re
from collections.abc import Mapping
from typing import Final

from alertd.route.stops import StopKind
from alertd.sources.openstreetmap.overpass import CHAIN_WORDS
from alertd.units import KMH_MPS, MPH_MPS

CLASSES: Final = ("unclassified", "tertiary", "secondary", "primary", "trunk", "motorway")  # by rising rank
_CHAIN: Final = re.compile(CHAIN_WORDS, re.IGNORECASE)
_YES: Final = ("yes", "designated")
_ONLY_IF_FOR_TRUCKS: Final = ("no", "customers")  # of cars; a place for trucks says so by hgv
_CLOSED: Final = ("private", "permit")
# As for an operator's own limits: a figure outside is a typing error or another unit.
_SLOWEST_MPS, _FASTEST_MPS = 5 * MPH_MPS, 85 * MPH_MPS


def rank(tags: Mapping[str, str]) -> int:
    """Rank of a road's class, 0 for a ramp; -1 for what is no road of ours."""
    name = tags.get("highway", "")
    if name.endswith("_link"):
        return 0
    return CLASSES.index(name) + 1 if name in CLASSES else -1


def one_way(tags: Mapping[str, str]) -> int:
    """1 where traffic runs only along a way's points, -1 only against them, 0 both ways. Motorways imply 1."""
    value = tags.get("oneway", "")
    if value in ("-1", "reverse"):
        return -1
    if value in ("yes", "true", "1"):
        return 1
    implied = tags.get("highway") in ("motorway", "motorway_link") or tags.get("junction") == "roundabout"
    return 1 if implied and value != "no" else 0


def road_ref(tags: Mapping[str, str]) -> str:
    """The road's number for a reader: "I-70" of "I 70;US 6", "A13" of "A 13"; "" without a number."""
    refs = [" ".join(part.split()) for part in tags.get("ref", "").split(";") if part.strip()]
    if not refs:
        return ""
    first = next((r for r in refs if r.startswith("I ")), refs[0])
    prefix, _, number = first.partition(" ")
    if not number or not prefix.isalpha():
        return first
    return f"{prefix}-{number}" if prefix == "I" or len(prefix) == 2 else prefix + number


def truck_limit_mps(tags: Mapping[str, str], *, forward: bool) -> float | None:
    """The posted limit for trucks along a way's points or against them, m/s; None where none is a plain figure.

    The limit of all vehicles binds trucks too. Conditional limits are left out.
    """
    way = "forward" if forward else "backward"
    for key in (f"maxspeed:hgv:{way}", "maxspeed:hgv", f"maxspeed:{way}", "maxspeed"):
        if key in tags:
            return _speed_mps(tags[key])
    return None


def _speed_mps(text: str) -> float | None:
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?(mph|km/h|kmh)?", text.strip())
    if found is None:
        return None
    speed = float(found[1]) * (MPH_MPS if found[2] == "mph" else KMH_MPS)
    return speed if _SLOWEST_MPS <= speed <= _FASTEST_MPS else None


def is_tunnel(tags: Mapping[str, str]) -> bool:
    """True for a closed tunnel. A snow shed is open to one side, and its road may be snow-covered."""
    return tags.get("tunnel") == "yes"


def is_bridge(tags: Mapping[str, str]) -> bool:
    """True for a bridge of any form."""
    return tags.get("bridge", "no") not in ("no", "")


def structure_name(tags: Mapping[str, str], kind: str) -> str:
    """The own name of a bridge or tunnel: `bridge:name` or `tunnel:name`; `name` is that of the road."""
    return " ".join(tags.get(f"{kind}:name", "").split())


def stop_kind(tags: Mapping[str, str]) -> StopKind | None:
    """Kind of a place where a truck can stop; None for another place, or one closed to trucks or to the public."""
    access = tags.get("access", "yes")
    hgv = tags.get("hgv", "")
    if hgv in ("no", "private") or access in _CLOSED or (access in _ONLY_IF_FOR_TRUCKS and hgv not in _YES):
        return None
    highway, amenity = tags.get("highway"), tags.get("amenity")
    if amenity == "parking" and tags.get("parking") == "layby":
        kind = StopKind.TURNOUT
    elif highway == "rest_area" or (amenity == "parking" and hgv in _YES):
        kind = StopKind.REST_AREA
    elif highway == "services" or (amenity == "fuel" and (hgv in _YES or tags.get("fuel:HGV_diesel") == "yes")):
        kind = StopKind.TRUCK_STOP
    elif amenity != "parking" or not _CHAIN.search(tags.get("name", "")):
        return None
    else:
        kind = StopKind.CHAIN_UP_AREA
    return StopKind.CHAIN_UP_AREA if _CHAIN.search(tags.get("name", "")) else kind


def spaces(tags: Mapping[str, str]) -> int | None:
    """Truck spaces: `capacity:hgv`, or `capacity` of a parking place that is for trucks."""
    text = tags.get("capacity:hgv") or (tags.get("capacity", "") if tags.get("hgv") == "designated" else "")
    return int(text) if text.isdigit() and len(text) <= 4 else None


def height_m(tags: Mapping[str, str]) -> float | None:
    """`ele` in metres; None without a plain figure."""
    try:
        value = float(tags.get("ele", ""))
    except ValueError:
        return None
    return value if -500.0 <= value <= 6_000.0 else None

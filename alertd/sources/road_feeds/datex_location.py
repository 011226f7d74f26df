"""The places of a DATEX II location reference: latitude and longitude of points, posList of lines and areas.

References by code alone (OpenLR, Alert-C, distance along a road) are not placed, and the record then counts as
somewhere on the jurisdiction's roads. From memory, not read in the schemas: the LinearRing of areas.
"""

from collections.abc import Iterator
from typing import Final
from xml.etree.ElementTree import Element

from alertd.plan.posted import ControlLocation, LatLon
from alertd.sources.road_feeds.xml_names import child, local, text

_XSI_TYPE: Final = "{http://www.w3.org/2001/XMLSchema-instance}type"
# Reference systems whose posList has latitude first, in degrees equivalent to WGS 84 at a road's accuracy.
_LAT_LON: Final = (
    "EPSG::4326",
    "EPSG:4326",
    "EPSG/0/4326",
    "EPSG::4258",
    "EPSG:4258",
    "EPSG/0/4258",
    "WGS84",
    "WGS 84",
)
_LON_LAT: Final = ("CRS84",)
# The ends of a stretch by name: `to` stands before `from` in TpegLinearLocation.
_ENDS: Final = (("from", "to"), ("fromPoint", "toPoint"))


def wheres(reference: Element | None) -> tuple[ControlLocation, ...]:
    """Return lines, or else points; several where the location is a group. Empty for other references."""
    if reference is None:
        return ()
    lines = [(_line(e, srs), ring) for e, srs, ring in _pos_lists(reference, "", ring=False)]
    if any(line is None for line, _ in lines):
        return ()  # the unreadable part may be the one on this road
    found = [ControlLocation(outline=x) if ring else ControlLocation(line=x) for x, ring in lines if x is not None]
    if found:
        return tuple(found)
    ends = _named_ends(reference)
    if ends is not None:
        return (ControlLocation(near=ends[0]) if ends[0] == ends[1] else ControlLocation(between=ends),)
    points = [p for p in map(point, _coordinates(reference)) if p is not None]
    kind = reference.get(_XSI_TYPE, "").rpartition("}")[2]
    if len(points) > 1 and not kind.startswith("PointLocation") and points[0] != points[-1] and "Group" not in kind:
        return (ControlLocation(between=(points[0], points[-1])),)
    return tuple(ControlLocation(near=p) for p in dict.fromkeys(points))


def _named_ends(reference: Element) -> tuple[LatLon, LatLon] | None:
    """The places of the elements that name the start and the end, where there is one of each."""
    for first, last in _ENDS:
        pair = [[e for e in reference.iter() if local(e) == name] for name in (first, last)]
        if all(len(one) == 1 for one in pair):
            places = [next((p for p in map(point, _coordinates(e)) if p is not None), None) for (e,) in pair]
            if places[0] is not None and places[1] is not None:
                return places[0], places[1]
    return None


def _coordinates(reference: Element) -> list[Element]:
    """Return elements with latitude and longitude; a position for map display only if there is no other."""
    both = [e for e in reference.iter() if child(e, "latitude") is not None]
    drawn = [e for e in both if local(e) == "coordinatesForDisplay"]
    return [e for e in both if local(e) != "coordinatesForDisplay"] or drawn


def point(e: Element) -> LatLon | None:
    """The latitude and longitude of an element, None if they are not degrees on Earth."""
    try:
        lat, lon = (float(text(child(e, name))) for name in ("latitude", "longitude"))
    except ValueError:
        return None
    return (lat, lon) if abs(lat) <= 90.0 and abs(lon) <= 180.0 else None


def first_point(reference: Element | None) -> LatLon | None:
    """The first place of a reference, for what stands at one place."""
    if reference is None:
        return None
    return next((p for p in map(point, _coordinates(reference)) if p is not None), None)


def _line(e: Element, srs: str) -> tuple[LatLon, ...] | None:
    lon_first = any(name in srs for name in _LON_LAT)
    if srs and not lon_first and not any(name in srs for name in _LAT_LON):
        return None
    try:
        numbers = [float(x) for x in text(e).split()]
    except ValueError:
        return None
    size = 3 if _attribute(e, "srsDimension") == "3" else 2
    if len(numbers) < 2 * size or len(numbers) % size:
        return None
    pairs = [tuple(numbers[i : i + 2]) for i in range(0, len(numbers), size)]
    places = [(b, a) if lon_first else (a, b) for a, b in pairs]
    if not all(abs(lat) <= 90.0 and abs(lon) <= 180.0 for lat, lon in places):
        return None
    return tuple(places)


def _pos_lists(e: Element, srs: str, *, ring: bool) -> Iterator[tuple[Element, str, bool]]:
    """Yield each posList below, its srsName ("" for none), and whether it is a ring of an area."""
    srs, ring = _attribute(e, "srsName") or srs, ring or local(e) == "LinearRing"
    if local(e) == "posList":
        yield e, srs, ring
    for below in e:
        yield from _pos_lists(below, srs, ring=ring)


def _attribute(e: Element, name: str) -> str:
    return next((v for k, v in e.attrib.items() if k.rpartition("}")[2] == name), "")

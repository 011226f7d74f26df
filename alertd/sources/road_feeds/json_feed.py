"""Parses any JSON or GeoJSON feed of posted conditions by the JMESPath expressions of its feed file."""

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from alertd.errors import SourceChanged
from alertd.plan.posted import ControlLocation, LatLon
from alertd.sources.http.errors import parse_json
from alertd.sources.road_feeds.model import FeedContent, FeedRow, short

BEARINGS: Final = {
    "N": 0.0, "NE": 45.0, "E": 90.0, "SE": 135.0, "S": 180.0, "SW": 225.0, "W": 270.0, "NW": 315.0,
    "NORTH": 0.0, "EAST": 90.0, "SOUTH": 180.0, "WEST": 270.0,
    "NORTHBOUND": 0.0, "EASTBOUND": 90.0, "SOUTHBOUND": 180.0, "WESTBOUND": 270.0, "NB": 0.0, "EB": 90.0, "SB": 180.0,
    "WB": 270.0,
}  # fmt: skip
MAX_ROWS: Final = 20_000
_DATE: Final = re.compile(r"/Date\((-?\d+)(?:[+-]\d{4})?\)/")
_MILLISECONDS_FROM: Final = 1e11  # as seconds this is the year 5138


def read_feed_json(source: str, body: bytes, read: Mapping[str, str], zone: str) -> FeedContent:
    """Parse the entries by the expressions `read`, by key; "" for a key that is not mapped.

    zone: IANA name for times without an offset, "" if there are none. Raises SourceChanged when the list is not where
    the expression points: a feed of another shape is not an empty feed.
    """
    answer = parse_json(source, body)
    listed = _found(source, "list", read["list"], answer)
    if not isinstance(listed, list):
        raise SourceChanged(source, f'has no list where read.list = "{read["list"]}" looks; its shape has changed')
    if len(listed) > MAX_ROWS:
        raise SourceChanged(source, f"lists more than {MAX_ROWS} entries")
    published = _found(source, "published", read["published"], answer)
    rows = [_row(source, row, read, zone) for row in listed]
    return FeedContent(rows=tuple(rows), published=read_time(published, zone))


def _row(source: str, row: Any, read: Mapping[str, str], zone: str) -> FeedRow:
    def value(key: str) -> Any:
        return _found(source, key, read[key], row)

    text = _words(value("text"))
    between = (_place(value("from")), _place(value("to")))
    geometry = value("geometry")
    wheres: tuple[ControlLocation, ...] = ()
    if between[0] is not None and between[1] is not None:
        wheres = (
            (ControlLocation(near=between[0]),)
            if between[0] == between[1]
            else (ControlLocation(between=(between[0], between[1])),)
        )
    elif geometry is not None:
        wheres = geometry_wheres(geometry)
    elif between[0] is not None:
        wheres = (ControlLocation(near=between[0]),)
    return FeedRow(
        id=short(_words(value("id"))),
        text=text,
        quote=short(text),
        since=read_time(value("since"), zone),
        until=read_time(value("until"), zone),
        wheres=wheres,
        place=short(_words(value("place"))),
        bearing_deg=BEARINGS.get(_words(value("direction")).upper()),
    )


def _found(source: str, key: str, expression: str, value: Any) -> Any:
    if not expression:
        return None
    import jmespath  # here: plans without feeds need no parser of expressions
    from jmespath.exceptions import JMESPathError

    try:
        return jmespath.search(expression, value)
    except (JMESPathError, RecursionError) as exc:
        raise SourceChanged(source, f"read.{key} cannot be applied ({short(str(exc))})") from exc


def _words(value: Any) -> str:
    """Return the text of a value; lists are joined, since feeds often have one line per lane."""
    if isinstance(value, list):
        return "; ".join(filter(None, map(_words, value)))
    if isinstance(value, bool) or value is None or isinstance(value, dict):
        return ""
    return " ".join(str(value).split())


def _place(value: Any) -> LatLon | None:
    """Parse [latitude, longitude], numbers or numeric text."""
    if not isinstance(value, list) or len(value) != 2:
        return None
    try:
        lat, lon = float(value[0]), float(value[1])
    except (TypeError, ValueError):
        return None
    return (lat, lon) if _on_earth(lat, lon) else None


def _on_earth(lat: float, lon: float) -> bool:
    return abs(lat) <= 90.0 and abs(lon) <= 180.0  # NaN is not


def geometry_wheres(geometry: Any) -> tuple[ControlLocation, ...]:
    """Parse a GeoJSON geometry (RFC 7946: longitude first), one location per part; empty if any part is unreadable.

    Two points of a MultiPoint are the ends of a stretch (WZDx 4.2, RoadEventFeature). A text is a polyline of latitudes
    and longitudes in turn, as in CIFS (closure and incident feeds).
    """
    if isinstance(geometry, str):
        return _polyline(geometry)
    if not isinstance(geometry, dict):
        return ()
    if geometry.get("type") == "GeometryCollection":
        members = geometry.get("geometries")
        parts = [geometry_wheres(g) for g in members] if isinstance(members, list) else []
        return tuple(w for part in parts for w in part) if all(parts) else ()
    coordinates: Any = geometry.get("coordinates")
    try:
        match geometry.get("type"):
            case "Point":
                return (ControlLocation(near=_corner(coordinates)),)
            case "MultiPoint":
                corners = tuple(_corner(c) for c in coordinates)
                if len(corners) == 2 and corners[0] != corners[1]:
                    return (ControlLocation(between=(corners[0], corners[1])),)
                return tuple(ControlLocation(near=c) for c in dict.fromkeys(corners))
            case "LineString":
                return (ControlLocation(line=_line(coordinates)),)
            case "MultiLineString":
                return tuple(ControlLocation(line=_line(c)) for c in coordinates)
            case "Polygon":
                return (ControlLocation(outline=_line(coordinates[0], least=4)),)
            case "MultiPolygon":
                return tuple(ControlLocation(outline=_line(c[0], least=4)) for c in coordinates)
    except (TypeError, ValueError, IndexError, KeyError):
        return ()
    return ()


def _polyline(text: str) -> tuple[ControlLocation, ...]:
    try:
        numbers = [float(x) for x in text.replace(",", " ").split()]
    except ValueError:
        return ()
    places = tuple(zip(numbers[::2], numbers[1::2], strict=False))
    if not places or len(numbers) % 2 or not all(_on_earth(lat, lon) for lat, lon in places):
        return ()
    return (ControlLocation(line=places) if len(places) > 1 else ControlLocation(near=places[0]),)


def _corner(c: Any) -> LatLon:
    lon, lat = float(c[0]), float(c[1])
    if not _on_earth(lat, lon):
        raise ValueError("nowhere on Earth")
    return lat, lon


def _line(corners: Any, least: int = 2) -> tuple[LatLon, ...]:
    line = tuple(_corner(c) for c in corners)
    if len(line) < least:
        raise ValueError("too few corners")
    return line


def read_time(value: Any, zone: str) -> datetime | None:
    """Parse ISO 8601, or seconds or milliseconds since 1970; None otherwise, and for a local time without a zone.

    `/Date(1736899200000-0800)/` is milliseconds since 1970; the offset is for display and changes nothing.
    """
    dated = _DATE.fullmatch(value.strip()) if isinstance(value, str) else None
    try:
        if dated is not None:
            return _since_1970(int(dated[1]) / 1000.0)
        if isinstance(value, str) and value.strip().lstrip("-").isdigit() and len(value.strip()) >= 9:
            value = int(value)
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return _since_1970(value / 1000.0 if abs(value) >= _MILLISECONDS_FROM else float(value))
        if not isinstance(value, str):
            return None
        when = datetime.fromisoformat(value.strip())
        if when.utcoffset() is None:
            return when.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) if zone else None
        return when.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _since_1970(seconds: float) -> datetime | None:
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except OverflowError:
        return None

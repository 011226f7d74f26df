"""Parses GPX files (1.0, 1.1 or without a namespace) as a stream into a line, with hard limits.

The input is untrusted: the parser never builds a tree. It refuses a DOCTYPE (GPX needs none, and entity bombs need one)
and counts depth, attributes and points while it reads.
"""

import hashlib
import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from xml.parsers import expat

import numpy as np

from alertd.errors import InputError
from alertd.route.model import GpxLine

_CHUNK: Final = 1 << 16
_MAX_NAME: Final = 200
# Land heights on Earth are within these limits. Values outside are void marks such as -32768 of SRTM tiles.
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0
_COMPRESSED: Final = {
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "zip",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"7z\xbc\xaf": "7z",
    b"\x28\xb5\x2f\xfd": "zstd",
}

# (south, west, north, east) in degrees
Bbox = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class GpxLimits:
    """Limits of one file. A day's drive recorded every second is about 40,000 points and 8 MB."""

    max_bytes: int = 20_000_000
    max_points: int = 200_000
    max_depth: int = 32
    max_attributes: int = 64


def read_gpx(path: Path, *, limits: GpxLimits | None = None, expected_bbox: Bbox | None = None) -> GpxLine:
    """Read a GPX file. Raises InputError."""
    limits = limits or GpxLimits()
    where = path.name
    try:
        if path.is_dir():
            raise InputError(where, "", "is a folder", "name the GPX file itself")
        _check_size(path.stat().st_size, where, limits)
        data = path.read_bytes()
    except OSError as exc:
        raise InputError(where, "", f"cannot be read ({exc.strerror})", "check the path and its permissions") from exc
    return parse_gpx(data, where, limits=limits, expected_bbox=expected_bbox)


def parse_gpx(
    data: bytes, where: str, *, limits: GpxLimits | None = None, expected_bbox: Bbox | None = None
) -> GpxLine:
    """Parse the bytes of a GPX file.

    Parameters
    ----------
    where: the file's name, for messages.
    expected_bbox: (south, west, north, east) [deg] of the operator's area. A line outside it that would be inside with
        latitude and longitude exchanged is refused as swapped.

    Raises
    ------
    InputError: with the file, the field and a hint, for anything that is not a usable line.
    """
    limits = limits or GpxLimits()
    _check_size(len(data), where, limits)
    _refuse_other_formats(data, where)
    reader = _Reader(where=where, limits=limits)
    reader.read(data)
    line = reader.line(hashlib.sha256(data).hexdigest())
    if expected_bbox is not None:
        _refuse_swapped(line, expected_bbox)
    return line


def _check_size(size: int, where: str, limits: GpxLimits) -> None:
    if size > limits.max_bytes:
        raise InputError(
            where,
            "size",
            f"{size / 1e6:.1f} MB exceeds the limit of {limits.max_bytes / 1e6:.0f} MB",
            "export the route alone, without other tracks, photos or sensor data",
        )
    if size == 0:
        raise InputError(where, "", "is empty", "export the route again")


def _refuse_other_formats(data: bytes, where: str) -> None:
    for magic, kind in _COMPRESSED.items():
        if data.startswith(magic):
            raise InputError(where, "", f"is compressed ({kind})", "unpack it and use the GPX file inside")
    head = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if not head:
        raise InputError(where, "", "contains only whitespace", "export the route again")
    if head.startswith((b"<!doctype html", b"<html")):
        raise InputError(
            where, "", "is a web page, not GPX", "download the GPX file itself; a login page may have come instead"
        )
    if head.startswith((b"{", b"[")):
        raise InputError(where, "", "is JSON, not GPX", "export the route as GPX")


def _refuse_swapped(line: GpxLine, bbox: Bbox) -> None:
    south, west, north, east = bbox

    def inside(lat: float, lon: float) -> bool:
        return south <= lat <= north and west <= lon <= east

    lat, lon = float(np.median(line.lat_deg)), float(np.median(line.lon_deg))
    if not inside(lat, lon) and inside(lon, lat):
        raise InputError(
            line.where,
            "lat, lon",
            f"the line is near latitude {lat:.2f}, longitude {lon:.2f}, outside the area served",
            "exchange the two: they look swapped",
        )


@dataclass(slots=True)
class _Points:
    """Points of one kind (tracks or routes), in file order."""

    word: str
    lines: int = 0
    name: str = ""
    lat: "array[float]" = field(default_factory=lambda: array("d"))
    lon: "array[float]" = field(default_factory=lambda: array("d"))
    ele: "array[float]" = field(default_factory=lambda: array("d"))
    starts: list[int] = field(default_factory=list)

    def new_segment(self) -> None:
        if not self.starts or self.starts[-1] < len(self.lat):
            self.starts.append(len(self.lat))

    def distinct(self) -> bool:
        return any(bool((v != v[:1]).any()) for v in (np.frombuffer(self.lat), np.frombuffer(self.lon)) if v.size)


class _Reader:
    """Handles expat events and keeps only points. `stack` holds the local names of the open elements."""

    def __init__(self, *, where: str, limits: GpxLimits) -> None:
        self.where, self.limits = where, limits
        self.tracks, self.routes = _Points("track"), _Points("route")
        self.file_name = ""
        self.stack: list[str] = []
        self.text: list[str] | None = None
        self.parser = expat.ParserCreate()
        self.shape_points = 0
        self.void_heights = 0

    def read(self, data: bytes) -> None:
        # No namespace handling, because files with undeclared prefixes in their extensions are common.
        parser = self.parser
        parser.StartDoctypeDeclHandler = self._doctype
        parser.StartElementHandler = self._fast_start()
        parser.EndElementHandler = self._fast_end()
        parser.buffer_text = True
        parser.ordered_attributes = True
        try:
            for begin in range(0, len(data), _CHUNK):
                parser.Parse(data[begin : begin + _CHUNK], False)
            parser.Parse(b"", True)
        except expat.ExpatError as exc:
            why = expat.ErrorString(exc.code)
            raise InputError(
                self.where,
                f"line {exc.lineno} column {exc.offset + 1}",
                f"invalid XML here ({why})",
                "the file is truncated or damaged: export or download it again",
            ) from exc
        except (LookupError, ValueError) as exc:
            raise InputError(
                self.where, "encoding", "the declared text encoding cannot be read", "save the file as UTF-8"
            ) from exc

    def line(self, sha256: str) -> GpxLine:
        points = self.tracks if self.tracks.distinct() or not self.routes.distinct() else self.routes
        if not points.lat:
            raise InputError(self.where, "", "has no track or route points", "export the route as a track")
        if not points.distinct():
            raise InputError(
                self.where, points.word, "has fewer than two different points", "export the whole route as a track"
            )
        return GpxLine(
            name=points.name or self.file_name or self.where.rsplit(".", 1)[0],
            lat_deg=np.array(points.lat),
            lon_deg=np.array(points.lon),
            elevation_m=np.array(points.ele),
            segment_starts=np.array([s for s in points.starts if s < len(points.lat)], dtype=np.intp),
            sha256=sha256,
            where=self.where,
            planned=points is self.routes and not self.shape_points,
            findings=tuple(self._findings(points)),
        )

    def _findings(self, points: _Points) -> list[str]:
        findings = []
        if self.tracks.lat and self.routes.lat:
            findings.append(f"{self.where} holds tracks and routes: the {points.word} points are used")
        if points.lines > 1:
            findings.append(f"{points.lines} {points.word}s in {self.where} are joined in the order of the file")
        if points is self.routes and self.shape_points:
            findings.append(f"{self.shape_points} shape points from the route's extensions are used")
        if self.void_heights:
            findings.append(
                f"heights outside {_LOWEST_M:.0f} to {_HIGHEST_M:.0f} m count as missing: {self.void_heights}"
            )
        return findings

    def _fast_start(self) -> Callable[[str, list[str]], None]:
        """`_start`, with short ways for sound track points, their heights, and elements of which nothing is kept."""
        stack, slow, push = self.stack, self._start, self.stack.append
        add_lat, add_lon, add_ele = self.tracks.lat.append, self.tracks.lon.append, self.tracks.ele.append
        deepest, left_n, lat, routes = self.limits.max_depth, self.limits.max_points, self.tracks.lat, self.routes.lat
        parser, nan, ours = self.parser, math.nan, self._NAMES
        most_attributes = 2 * self.limits.max_attributes  # names and values

        def start(tag: str, attributes: list[str]) -> None:
            # The attributes are names and values in the order of the file.
            if tag == "trkpt" and stack and stack[-1] == "trkseg" and len(stack) < deepest:
                try:
                    lat_name, a, lon_name, b = attributes
                    lat_deg, lon_deg = float(a), float(b)
                except ValueError:
                    return slow(tag, attributes)
                if (
                    -90.0 <= lat_deg <= 90.0
                    and -180.0 <= lon_deg <= 180.0
                    and lat_name == "lat"
                    and lon_name == "lon"
                    and "_" not in a
                    and "_" not in b
                    and a.isascii()
                    and b.isascii()
                    and len(lat) + len(routes) < left_n
                ):
                    push(tag)
                    add_lat(lat_deg)
                    add_lon(lon_deg)
                    return add_ele(nan)
            elif tag == "ele" and not attributes and stack and stack[-1] == "trkpt" and len(stack) < deepest:
                push(tag)
                text: list[str] = []
                self.text = text
                parser.CharacterDataHandler = text.append
                return None
            elif stack and len(stack) < deepest and len(attributes) <= most_attributes:
                name = tag.rpartition(":")[2]
                if name not in ours:  # such as times and sensor data, of which some files mostly consist
                    return push(name)
            return slow(tag, attributes)

        return start

    def _fast_end(self) -> Callable[[str], None]:
        """`_end_of_text`, with short ways for elements without a text of ours, and for sound heights."""
        stack, pop, slow = self.stack, self.stack.pop, self._end_of_text
        parser, heights = self.parser, self.tracks.ele

        def end(_tag: str) -> None:
            name, text = pop(), self.text
            if text is None:
                return
            if name == "ele" and len(text) == 1 and stack[-1] == "trkpt":
                height = text[0]
                try:
                    height_m = float(height)
                except ValueError:
                    return slow(name, "trkpt")
                if _LOWEST_M <= height_m <= _HIGHEST_M and "_" not in height and height.isascii():
                    heights[-1], self.text, parser.CharacterDataHandler = height_m, None, None
                    return
            slow(name, stack[-1] if stack else "")

        return end

    def _begin_text(self) -> None:
        """Collect text until the element ends. Between such elements the parser calls for no text."""
        self.text = []
        self.parser.CharacterDataHandler = self.text.append

    def _doctype(self, *_: object) -> None:
        raise InputError(
            self.where, "DOCTYPE", "document types and entities are refused", "remove the DOCTYPE: GPX needs none"
        )

    def _start(self, tag: str, named: list[str]) -> None:
        attributes = dict(zip(named[::2], named[1::2], strict=True))
        name = tag.rpartition(":")[2]
        parent = self.stack[-1] if self.stack else ""
        self.stack.append(name)
        if len(self.stack) > self.limits.max_depth:
            raise InputError(
                self.where,
                f"<{name[:40]}>",
                f"elements are nested deeper than {self.limits.max_depth}",
                "export without extensions",
            )
        if len(attributes) > self.limits.max_attributes:
            raise InputError(
                self.where,
                f"<{name[:40]}>",
                f"has more than {self.limits.max_attributes} attributes",
                "export without extensions",
            )
        if not parent and name != "gpx":
            raise InputError(
                self.where, f"<{name[:40]}>", "the first element is not <gpx>", "export the route as GPX 1.1"
            )
        opener = self._OPENERS.get((parent, name))
        if (parent, name) in self._TEXTS:
            self._begin_text()
        elif opener is not None:
            opener(self, attributes)
        elif name == "rpt" and "rtept" in self.stack[:-1]:
            self.shape_points += 1
            self._add(self.routes, attributes)

    def _end_of_text(self, name: str, parent: str) -> None:
        if self.text is None or (parent, name) not in self._TEXTS:
            return
        text, self.text = "".join(self.text).strip(), None
        self.parser.CharacterDataHandler = None
        if name == "ele":
            self._height(self.tracks if parent == "trkpt" else self.routes, text)
        elif parent in ("trk", "rte"):
            points = self.tracks if parent == "trk" else self.routes
            points.name = points.name or text[:_MAX_NAME]
        else:
            self.file_name = self.file_name or text[:_MAX_NAME]

    def _track(self, _attributes: dict[str, str]) -> None:
        self.tracks.lines += 1

    def _route(self, _attributes: dict[str, str]) -> None:
        self.routes.lines += 1
        self.routes.new_segment()

    def _segment(self, _attributes: dict[str, str]) -> None:
        self.tracks.new_segment()

    def _track_point(self, attributes: dict[str, str]) -> None:
        self._add(self.tracks, attributes)

    def _route_point(self, attributes: dict[str, str]) -> None:
        self._add(self.routes, attributes)

    def _add(self, points: _Points, attributes: dict[str, str]) -> None:
        if len(self.tracks.lat) + len(self.routes.lat) >= self.limits.max_points:
            raise InputError(
                self.where,
                "points",
                f"more than {self.limits.max_points:,} points",
                "export the route alone, or simplify it to a point every 20 m",
            )
        label = f"{points.word} point {len(points.lat) + 1}"
        lat, lon = self._degrees(attributes, "lat", label), self._degrees(attributes, "lon", label)
        if not abs(lat) <= 90.0:
            hint = "correct the point"
            if abs(lon) <= 90.0 and abs(lat) <= 180.0:
                hint = "exchange lat and lon: they look swapped"
            raise InputError(self.where, f"{label} lat", f"{lat:g} is not within -90 to 90", hint)
        if not abs(lon) <= 180.0:
            raise InputError(self.where, f"{label} lon", f"{lon:g} is not within -180 to 180", "correct the point")
        points.lat.append(lat)
        points.lon.append(lon)
        points.ele.append(math.nan)

    def _degrees(self, attributes: dict[str, str], key: str, label: str) -> float:
        text = attributes.get(key)
        if text is None:
            raise InputError(self.where, f"{label} {key}", "is missing", "export the route again")
        value = _number(text)
        if value is None or not math.isfinite(value):
            raise InputError(
                self.where,
                f"{label} {key}",
                f"{text[:30]!r} is not a number of degrees",
                "write decimal degrees with a point, e.g. 47.4545",
            )
        return value

    def _height(self, points: _Points, text: str) -> None:
        if not text:
            return
        value = _number(text)
        if value is None:
            raise InputError(
                self.where,
                f"{points.word} point {len(points.lat)} ele",
                f"{text[:30]!r} is not a height in metres",
                "write metres with a decimal point, or leave <ele> out",
            )
        if _LOWEST_M <= value <= _HIGHEST_M:
            points.ele[-1] = value
        elif not math.isnan(value):
            self.void_heights += 1

    _TEXTS: Final = frozenset(
        [("trkpt", "ele"), ("rtept", "ele"), ("trk", "name"), ("rte", "name"), ("gpx", "name"), ("metadata", "name")]
    )
    _OPENERS: Final[dict[tuple[str, str], Callable[["_Reader", dict[str, str]], None]]] = {
        ("gpx", "trk"): _track,
        ("gpx", "rte"): _route,
        ("trk", "trkseg"): _segment,
        ("trkseg", "trkpt"): _track_point,
        ("rte", "rtept"): _route_point,
    }
    _NAMES: Final = frozenset(name for _, name in (*_TEXTS, *_OPENERS)) | {"rpt"}  # what `_start` looks at


def _number(text: str) -> float | None:
    """Parse a decimal number, exponents allowed; Python's extras (digit groups, other scripts) are not accepted."""
    if "_" in text or not text.isascii():
        return None
    try:
        return float(text)
    except ValueError:
        return None

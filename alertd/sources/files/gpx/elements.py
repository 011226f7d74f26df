"""Parses a GPX file element by element into a line, with hard limits.

The input is untrusted: the parser never builds a tree. It refuses a DOCTYPE (GPX needs none, and entity bombs need one)
and counts depth, attributes and points while it reads.
"""

import math
from collections.abc import Callable
from typing import Final
from xml.parsers import expat

import numpy as np

from alertd.errors import InputError
from alertd.route.model import GpxLine
from alertd.sources.files.gpx.points import HIGHEST_M, LOWEST_M, GpxLimits, LinePoints

_CHUNK: Final = 1 << 16
_MAX_NAME: Final = 200


class ElementReader:
    """Handles expat events and keeps only points. `stack` holds the local names of the open elements."""

    def __init__(self, *, where: str, limits: GpxLimits) -> None:
        self.where, self.limits = where, limits
        self.tracks, self.routes = LinePoints("track"), LinePoints("route")
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

    def _findings(self, points: LinePoints) -> list[str]:
        findings = []
        if self.tracks.lat and self.routes.lat:
            findings.append(f"{self.where} holds tracks and routes: the {points.word} points are used")
        if points.lines > 1:
            findings.append(f"{points.lines} {points.word}s in {self.where} are joined in the order of the file")
        if points is self.routes and self.shape_points:
            findings.append(f"{self.shape_points} shape points from the route's extensions are used")
        if self.void_heights:
            findings.append(
                f"heights outside {LOWEST_M:.0f} to {HIGHEST_M:.0f} m count as missing: {self.void_heights}"
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
                if LOWEST_M <= height_m <= HIGHEST_M and "_" not in height and height.isascii():
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

    def _add(self, points: LinePoints, attributes: dict[str, str]) -> None:
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

    def _height(self, points: LinePoints, text: str) -> None:
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
        if LOWEST_M <= value <= HIGHEST_M:
            points.ele[-1] = value
        elif not math.isnan(value):
            self.void_heights += 1

    _TEXTS: Final = frozenset(
        [("trkpt", "ele"), ("rtept", "ele"), ("trk", "name"), ("rte", "name"), ("gpx", "name"), ("metadata", "name")]
    )
    _OPENERS: Final[dict[tuple[str, str], Callable[["ElementReader", dict[str, str]], None]]] = {
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

"""Reads runs of plain points of a GPX file with one regular expression, and the rest of the file element by element.

A plain point has two plain attributes, at most a height, and elements of which nothing is kept. Most files consist of
them. Each run of them is cut out of the file, and a processing instruction takes its place. The parser of elements
then reads what is left. At each instruction it reports where in the file the run was, and the run's points are added.

The result is that of the parser alone:

- What is cut out is well-formed, because the expression describes whole elements of ASCII without references.
- An instruction is reported only where an element may be. Within a comment, CDATA or an attribute, it is not.
- The open elements around an instruction decide whether its points count, as they do for single points.

Where one of these does not hold, the file counts as not plain, and the parser reads all of it.
"""

import re
from dataclasses import dataclass
from math import nan
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydantic_core import from_json

from alertd.sources.files.gpx.elements import ElementReader
from alertd.sources.files.gpx.points import HIGHEST_M, LOWEST_M

# Bytes that are searched at once, in short and in long files. They bound memory, because a point is about 250 bytes of
# objects until it is an array; each window takes about 50 us of its own.
_LEAST_WINDOW: Final = 14_000
_MOST_WINDOW: Final = 1 << 15
_RUN: Final = "alertd-run"  # target of the processing instructions
_DEEPEST: Final = 4  # levels within a plain point, itself included

_SPACE: Final = rb"[ \t\r\n]*+"
_NUMBER: Final = rb"[-+.0-9eE]{1,32}+"
_TEXT: Final = rb"[\t\r\n -%'-;=?-~]*+"  # printable ASCII without < > &
_CDATA: Final = rb"(?:<!\[CDATA\[[\t\r\n -%'-;=?-\\^-~]*+\]\]>)?"
_ATTRIBUTE: Final = rb"(?: [A-Za-z_][-.:0-9A-Z_a-z]*+=\"[ !#-%'-;=?-~]*+\")?"  # one at most, which none can repeat
_NAME: Final = rb"[A-Za-z_][-.:0-9A-Z_a-z]*+"


def _leaf(group: bytes) -> bytes:
    """An element of one text, and not a height or a shape point. Names that merely end like these are left out too."""
    start = rb"<(?P<%b>%b)(?<!ele|rpt)%b ?" % (group, _NAME, _ATTRIBUTE)
    return start + rb"(?:/>|>%b</(?P=%b)>)%b" % (_TEXT + _CDATA + _TEXT, group, _SPACE)


def _branch(group: bytes, inner: bytes) -> bytes:
    """An element of elements, and not one below which the parser of elements keeps something."""
    kept = rb"(?<!ele|rpt|trk|rte|gpx)(?<!trkpt|rtept)(?<!trkseg)(?<!metadata)"
    start = rb"<(?P<%b>%b)%b%b>%b" % (group, _NAME, kept, _ATTRIBUTE, _SPACE)
    return start + rb"(?:%b)+</(?P=%b)>%b" % (inner, group, _SPACE)


_INNER: Final = rb"%b|%b" % (_leaf(b"leaf_3"), _branch(b"branch_3", _leaf(b"leaf_4")))
_RUN_OF: Final = re.compile(
    rb'<((?:trk|rte|w)pt|(?:[A-Za-z][0-9A-Z_a-z]*+:)?rpt|extensions)(?: lat="(%b)" lon="(%b)")?%b'
    % (_NUMBER, _NUMBER, _SPACE)
    + rb"(?:/>|>%b(?:<ele>(%b)</ele>%b)?" % (_SPACE, _NUMBER, _SPACE)
    + rb"(?:%b|%b)*</\1>)%b" % (_leaf(b"leaf_2"), _branch(b"branch_2", _INNER), _SPACE)
)
_STRIDE: Final = _RUN_OF.groups + 1  # of what `split` gives: a gap, then the groups of an element
_WITHOUT_POINTS: Final = (b"wpt", b"extensions")


class NotPlainError(Exception):
    """The file is not plain: read all of it element by element."""


@dataclass(frozen=True, slots=True)
class _Run:
    """Elements of one kind beside one another; coordinates and heights have the shape (element,)."""

    kind: bytes
    lat_deg: NDArray[np.float64]
    lon_deg: NDArray[np.float64]
    height_m: NDArray[np.float64]


class PlainPointReader(ElementReader):
    """Reads plain points from runs, and other elements as its base does. Raises NotPlainError or InputError."""

    def read(self, data: bytes) -> None:
        if _RUN.encode() in data:
            raise NotPlainError
        rest, self._runs = _cut(data)
        self._added = 0
        self.parser.ProcessingInstructionHandler = self._add_run
        super().read(rest)
        if self._added < len(self._runs):
            raise NotPlainError
        for points in (self.tracks, self.routes):
            heights = np.frombuffer(points.ele)
            void = (heights < LOWEST_M) | (heights > HIGHEST_M)
            self.void_heights += int(np.count_nonzero(void))
            heights[void] = nan

    def _add_run(self, target: str, index: str) -> None:
        if target != _RUN:
            return
        run, stack = self._runs[self._added], self.stack
        if int(index) != self._added or self.text is not None or len(stack) + _DEEPEST > self.limits.max_depth:
            raise NotPlainError
        self._added += 1
        if run.kind in _WITHOUT_POINTS and stack:
            return
        height_m = run.height_m
        if run.kind == b"trkpt" and stack == ["gpx", "trk", "trkseg"]:
            points = self.tracks
        elif run.kind == b"rtept" and stack == ["gpx", "rte"]:
            points = self.routes
        elif run.kind.endswith(b"rpt") and "rtept" in stack:
            points, height_m = self.routes, np.full(run.lat_deg.size, nan)  # shape points have no heights
            self.shape_points += run.lat_deg.size
        else:
            raise NotPlainError
        if len(self.tracks.lat) + len(self.routes.lat) + run.lat_deg.size > self.limits.max_points:
            raise NotPlainError
        points.lat.frombytes(run.lat_deg.tobytes())
        points.lon.frombytes(run.lon_deg.tobytes())
        points.ele.frombytes(height_m.tobytes())


def _cut(data: bytes) -> tuple[bytes, list[_Run]]:
    """What is left of the file, and the runs that its instructions name. Raises NotPlainError."""
    left: list[bytes] = []
    runs: list[_Run] = []
    window = min(_MOST_WINDOW, max(_LEAST_WINDOW, len(data) // 8))
    for begin in range(0, len(data), window):
        parts = _RUN_OF.split(data[begin : begin + window])
        gaps, kinds = parts[::_STRIDE], parts[1::_STRIDE]
        left.append(gaps[0])
        if not kinds:
            continue
        lat, lon, height_m = _numbers(parts[2::_STRIDE], parts[3::_STRIDE], parts[4::_STRIDE])
        outside = ~((np.abs(lat) <= 90.0) & (np.abs(lon) <= 180.0))
        if outside.any() and any(kinds[i] != b"extensions" for i in np.flatnonzero(outside)):
            raise NotPlainError
        n, first = len(kinds), 0
        alike = kinds.count(kinds[0]) == n and not any(gaps[1:n])
        for i in (n,) if alike else range(1, n + 1):
            if i == n or gaps[i] or kinds[i] != kinds[first]:
                left += b"<?%b %d?>" % (_RUN.encode(), len(runs)), gaps[i]
                runs.append(_Run(kinds[first], lat[first:i], lon[first:i], height_m[first:i]))
                first = i
    return b"".join(left), runs


def _numbers(*columns: list[bytes | None]) -> NDArray[np.float64]:
    """Nearest doubles of decimal numbers, NaN for none, shape (column, element). Raises NotPlainError.

    A reader of JSON takes a third of the time of `float`. What it reads otherwise or not at all is left to `float`.
    """
    found = np.full((len(columns), len(columns[0])), nan)
    given = [i for i, column in enumerate(columns) if any(column)]
    texts = [text or b"NaN" for i in given for text in columns[i]]
    joined = b"[%b]" % b",".join(texts)
    try:
        if b"-0," in joined or b"-0]" in joined:  # JSON reads -0 as an integer, which has no sign
            raise ValueError
        values = np.array(from_json(joined), dtype=np.float64)
    except (ValueError, OverflowError):
        try:
            values = np.array([float(text) for text in texts], dtype=np.float64)
        except ValueError:
            raise NotPlainError from None
    found[given] = values.reshape(len(given), found.shape[1])
    return found

"""Reads a GPX file (1.0, 1.1 or without a namespace) into a line, and refuses files of other formats or sizes."""

import hashlib
from pathlib import Path
from typing import Final

import numpy as np

from alertd.errors import InputError
from alertd.route.model import GpxLine
from alertd.sources.files.gpx.elements import ElementReader
from alertd.sources.files.gpx.plain_points import NotPlainError, PlainPointReader
from alertd.sources.files.gpx.points import GpxLimits

_COMPRESSED: Final = {
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "zip",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"7z\xbc\xaf": "7z",
    b"\x28\xb5\x2f\xfd": "zstd",
}

# Below this, reading elements takes no longer than looking for plain points. [A] measured on files of 1 to 12 kB.
_SHORT_BYTES: Final = 6000

# (south, west, north, east) in degrees
Bbox = tuple[float, float, float, float]


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
    sha256 = hashlib.sha256(data).hexdigest()
    line = _plain_line(data, where, limits, sha256) if len(data) >= _SHORT_BYTES else None
    if line is None:
        line = _line(ElementReader(where=where, limits=limits), data, sha256)
    if expected_bbox is not None:
        _refuse_swapped(line, expected_bbox)
    return line


def _plain_line(data: bytes, where: str, limits: GpxLimits, sha256: str) -> GpxLine | None:
    """The line of a plain file; None of any other, and of a bad file, of which only its elements tell the place."""
    try:
        return _line(PlainPointReader(where=where, limits=limits), data, sha256)
    except (NotPlainError, InputError):
        return None


def _line(reader: ElementReader, data: bytes, sha256: str) -> GpxLine:
    reader.read(data)
    return reader.line(sha256)


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

"""Road fields in files of a temporary folder, mapped into memory: the system may take their pages back at any time.

One folder serves all planning processes of a daemon, so a field that one of them wrote need not be computed by another.
A file is complete once it has its name. A full disk or a folder that is gone costs time only.
"""

import json
import logging
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.clock import system_clock
from alertd.road.corridor import MemberQuantiles, RoadField

log = logging.getLogger(__name__)

PREFIX: Final = "road-fields-"
MOST_BYTES: Final = 2 << 30  # of all files [A]: 200 roads of 300 km, 31 members and 4 days
LEAST_FREE_BYTES: Final = 1 << 30  # on the disk, left to the store and the archive [A]
LEFT_BY_A_CRASH: Final = timedelta(days=2)  # a folder without a new file for so long has no user [A]
_ALIGN: Final = 64
_HEAD_BYTES: Final = 8  # the length of the description that follows
_QUANTILES: Final = "quantiles."


class FieldShelf:
    """Fields by name, a digest of all that they are computed from."""

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES, least_free_bytes: int = LEAST_FREE_BYTES) -> None:
        """most_bytes: of all files. least_free_bytes: left on the disk."""
        self.folder = folder
        self._most_bytes, self._least_free_bytes = most_bytes, least_free_bytes
        self._reported = False

    def put(self, name: str, field: RoadField) -> RoadField | None:
        """Write a field; returns it mapped. None where the disk does not take it."""
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            data = list(_parts(field))
            if not self._make_room(sum(len(part) for part in data)):
                return None
            handle, temporary = tempfile.mkstemp(dir=self.folder, suffix=".tmp")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.writelines(data)
                os.replace(temporary, self.folder / name)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
        except OSError as exc:
            if not self._reported:
                self._reported = True
                log.warning("road fields cannot be written to %s (%s); planning is slower", self.folder, exc.strerror)
            return None
        return self.get(name)

    def get(self, name: str) -> RoadField | None:
        """The field of a name, mapped; None where there is none, or a damaged file."""
        try:
            with (self.folder / name).open("rb") as file:
                return _mapped(mmap(file.fileno(), 0, access=ACCESS_READ))
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def drop(self, name: str) -> None:
        """Remove a file. Processes that map it keep their view."""
        with suppress(OSError):
            (self.folder / name).unlink(missing_ok=True)

    def _make_room(self, bytes_n: int) -> bool:
        """Remove the oldest files beyond the bytes; False where the disk has too little room."""
        entries = [entry for entry in os.scandir(self.folder) if entry.is_file()]
        files = sorted((e.stat().st_mtime, e.stat().st_size, e.name) for e in entries)
        total_n = bytes_n + sum(size for _, size, _ in files)
        for _, size, name in files:
            if total_n <= self._most_bytes:
                break
            self.drop(name)
            total_n -= size
        return total_n <= self._most_bytes and shutil.disk_usage(self.folder).free - bytes_n >= self._least_free_bytes


@contextmanager
def open_shelf(parent: Path) -> Iterator[FieldShelf]:
    """A shelf in a new folder below `parent`, which is removed at the end. Folders that a crash left are removed."""
    oldest = system_clock() - LEFT_BY_A_CRASH  # the times of files are of this clock
    for left in parent.glob(f"{PREFIX}*"):
        with suppress(OSError):
            if datetime.fromtimestamp(left.stat().st_mtime, UTC) < oldest:
                shutil.rmtree(left, ignore_errors=True)
    shelf = FieldShelf(parent.absolute() / f"{PREFIX}{secrets.token_hex(8)}")
    try:
        yield shelf
    finally:
        shutil.rmtree(shelf.folder, ignore_errors=True)


def _parts(field: RoadField) -> Iterator[bytes | memoryview]:
    """A description in JSON, then each array at a multiple of _ALIGN bytes."""
    arrays = dict(_arrays(field))
    rows: list[tuple[str, str, tuple[int, ...], int]] = []
    offset = 0
    for name, array in arrays.items():
        rows.append((name, array.dtype.str, array.shape, offset))
        offset += -(-array.nbytes // _ALIGN) * _ALIGN
    words = {"first_epoch_s": field.first_epoch_s, "notes": field.notes, "remarks": field.remarks, "arrays": rows}
    head = json.dumps(words).encode()
    head += b" " * (-(_HEAD_BYTES + len(head)) % _ALIGN)
    yield len(head).to_bytes(_HEAD_BYTES)
    yield head
    for array in arrays.values():
        whole = np.ascontiguousarray(array)
        yield whole.reshape(-1).view(np.uint8).data
        yield bytes(-whole.nbytes % _ALIGN)


def _arrays(field: RoadField) -> Iterator[tuple[str, NDArray[Any]]]:
    for name in field.__slots__:
        if isinstance(part := getattr(field, name), np.ndarray):
            yield name, part
    for name in field.quantiles.__slots__:
        yield _QUANTILES + name, getattr(field.quantiles, name)


def _mapped(pages: mmap) -> RoadField:
    head_n = int.from_bytes(pages[:_HEAD_BYTES])
    words = json.loads(pages[_HEAD_BYTES : _HEAD_BYTES + head_n])
    begin = _HEAD_BYTES + head_n
    arrays: dict[str, NDArray[Any]] = {
        name: np.ndarray(tuple(shape), dtype, buffer=pages, offset=begin + offset)
        for name, dtype, shape, offset in words["arrays"]
    }
    quantiles = {name: arrays.pop(_QUANTILES + name) for name in MemberQuantiles.__slots__}
    return RoadField(
        first_epoch_s=words["first_epoch_s"],
        quantiles=MemberQuantiles(**quantiles),
        notes=tuple(words["notes"]),
        remarks=tuple(words["remarks"]),
        **arrays,
    )

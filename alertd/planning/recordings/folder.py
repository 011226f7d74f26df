"""A recording on disk: raw answers once each, and for each day what was asked and what stations and roads reported.

    contents/xx/DIGEST          one raw answer, compressed; the same answer is stored once
    rounds/DATE.jsonl.gz        one line a place and round: the answers that it used, by digest
    observations/DATE.jsonl.gz  one line a station report, each once
    posted/DATE.jsonl.gz        one line a round in which the posted controls changed

All times are UTC. Each file is written under a temporary name and renamed. Lines that cannot be read are an error,
never skipped: a score over half a recording would mislead.
"""

import gzip
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from alertd.errors import InputError, StoreError
from alertd.store.archive import Archive

T = TypeVar("T")

FORMAT: Final = "alertd.recording/1"
ROUNDS, OBSERVATIONS, POSTED = "rounds", "observations", "posted"
_MARK: Final = "FORMAT"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a day's file, and its place for errors."""

    where: str
    value: dict[str, Any]


class RecordingFolder:
    """Raises StoreError when the disk fails, InputError for a file that is not as alertd wrote it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.contents = Archive(folder)

    @property
    def exists(self) -> bool:
        """Whether this is a recording."""
        return (self.folder / _MARK).is_file()

    def create(self) -> None:
        """Mark the folder as a recording; nothing else in it is touched."""
        if not self.exists:
            self._write(self.folder / _MARK, FORMAT.encode())

    def check(self) -> None:
        """Raises InputError for a recording of another form."""
        found = (self.folder / _MARK).read_text(encoding="utf-8", errors="replace").strip()
        if found != FORMAT:
            raise InputError(
                str(self.folder / _MARK), "", f"is {found[:40]!r}, this alertd reads {FORMAT}", "use that alertd"
            )

    def add(self, kind: str, day: datetime, values: Iterable[dict[str, Any]]) -> int:
        """Add lines to a day's file; a line that is there already is not added. Returns how many are new."""
        path = self.folder / kind / f"{day:%Y-%m-%d}.jsonl.gz"
        before = self._text(path) if path.is_file() else ""
        known = set(before.splitlines())
        lines = (json.dumps(v, sort_keys=True, allow_nan=False, separators=(",", ":")) for v in values)
        new = [line for line in dict.fromkeys(lines) if line not in known]
        if new:
            self._write(path, gzip.compress((before + "\n".join(new) + "\n").encode(), 9, mtime=0))
        return len(new)

    def days(self, kind: str) -> list[Path]:
        """The files of a kind, oldest first."""
        return sorted((self.folder / kind).glob("????-??-??.jsonl.gz"))

    def lines(self, kind: str) -> Iterator[Line]:
        """All lines of a kind, in order of days."""
        for path in self.days(kind):
            yield from self.lines_of(path)

    def lines_of(self, path: Path) -> Iterator[Line]:
        """The lines of one day's file."""
        for number, text in enumerate(self._text(path).splitlines(), 1):
            where = f"{path} line {number}"
            try:
                value = json.loads(text)
            except ValueError as exc:
                raise InputError(where, "", f"is not JSON ({exc})", "use an unaltered copy of the recording") from exc
            if not isinstance(value, dict):
                raise InputError(where, "", "is not an object", "use an unaltered copy of the recording")
            yield Line(where=where, value=value)

    def rewrite(self, path: Path, values: Iterable[dict[str, Any]]) -> None:
        """Replace a day's file."""
        text = "".join(json.dumps(v, sort_keys=True, separators=(",", ":")) + "\n" for v in values)
        self._write(path, gzip.compress(text.encode(), 9, mtime=0))

    def size_bytes(self) -> int:
        """Bytes of all files."""
        return sum(path.stat().st_size for path in self.folder.rglob("*") if path.is_file())

    def drop_unused(self) -> int:
        """Remove contents that no round names; returns how many."""
        used = {digest for line in self.lines(ROUNDS) for digest in digests_of(line.value)}
        removed = 0
        for path in self.folder.glob("contents/*/*"):
            if path.name not in used:
                path.unlink(missing_ok=True)
                removed += 1
        return removed

    def _text(self, path: Path) -> str:
        try:
            return gzip.decompress(path.read_bytes()).decode("utf-8")
        except (OSError, EOFError, UnicodeDecodeError) as exc:
            raise InputError(
                str(path), "", f"cannot be read ({exc})", "use an unaltered copy of the recording"
            ) from exc

    def _write(self, path: Path, data: bytes) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                os.replace(temporary, path)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
        except OSError as exc:
            raise StoreError(
                f"recording {self.folder}: cannot be written ({exc.strerror}); check the folder and the free disk space"
            ) from exc


def digests_of(round_: dict[str, Any]) -> list[str]:
    """The contents that a line of a round names."""
    return [str(round_.get("settings", "")), *(str(r["body"]) for r in round_.get("heard", ()) if r.get("body"))]


def parsed(line: Line, read: Callable[[dict[str, Any]], T]) -> T:
    """The value of a line. Raises InputError where it has another form."""
    try:
        return read(line.value)
    except (KeyError, TypeError, ValueError) as exc:
        raise InputError(
            line.where, "", f"has another form ({type(exc).__name__}: {str(exc)[:80]})", "use the alertd that wrote it"
        ) from exc

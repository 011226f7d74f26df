"""Archive on disk of the input data of each plan, addressed by SHA-256 digest.

A content is stored once, however many plans use it. A file is written under a temporary name and renamed, so a crash
never leaves a partial file. A content that does not match its digest is refused. Each use sets the file's modification
time, so pruning needs no list of the remaining plans.
"""

import hashlib
import os
import re
import tempfile
import zlib
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from alertd.errors import StoreError

MAX_BYTES: Final = 64_000_000  # of one unpacked content; the largest input file is 20 MB
# A plan's contents are written before the plan, so they must be pruned after it.
CONTENTS_KEPT_LONGER: Final = timedelta(days=1)
_SYNCED_AT_ONCE: Final = 8
_LEVEL: Final = 6
_PLAN_ID: Final = re.compile(r"plan_[0-9a-f]{32}")
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")


def is_plan_id(text: str) -> bool:
    """Return whether `text` has the form of a plan's id."""
    return _PLAN_ID.fullmatch(text) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedContent:
    """A content as the archive keeps it, and the SHA-256 digest (hex) of the content itself."""

    digest: str
    data: bytes

    @classmethod
    def of(cls, content: bytes) -> "PackedContent":
        """Pack a content."""
        return cls(digest=hashlib.sha256(content).hexdigest(), data=zlib.compress(content, _LEVEL))


class Archive:
    """One archive folder. Every method raises StoreError when the disk fails or a file is damaged."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, content: bytes, now_utc: datetime) -> str:
        """Store a content and return its SHA-256 digest (hex)."""
        digest = hashlib.sha256(content).hexdigest()
        path = self._content(digest)
        if not self._used(path, now_utc):
            self._write(path, zlib.compress(content, _LEVEL), now_utc)
        return digest

    def put_packed(self, packed: PackedContent, now_utc: datetime) -> str:
        """Store a content that is packed already, and return its digest."""
        path = self._content(packed.digest)
        if not self._used(path, now_utc):
            self._write(path, packed.data, now_utc)
        return packed.digest

    @contextmanager
    def together(self) -> Iterator["Archive"]:
        """An archive whose files appear at the end of the block, all or none, after one wait for the disk."""
        batch = _Batch(self.folder)
        try:
            yield batch
            batch.finish()
        finally:
            batch.discard()

    def get(self, digest: str) -> bytes:
        """Return the content with this digest. Raises StoreError when it is missing, damaged or altered."""
        if not _DIGEST.fullmatch(digest):
            raise self._error(f"{digest[:80]!r} is not a content digest", "use an archive that alertd wrote")
        content = _unpacked(self._read(self._content(digest), f"content {digest[:12]}... is missing"))
        if hashlib.sha256(content).hexdigest() != digest:
            raise self._damaged(digest)
        return content

    def file_plan(self, plan_id: str, digest: str, now_utc: datetime) -> None:
        """Record which content holds a plan's inputs. Store that content first."""
        self.file_plans([plan_id], digest, now_utc)

    def file_plans(self, plan_ids: Sequence[str], digest: str, now_utc: datetime) -> None:
        """`file_plan` of plans whose inputs one content holds. A plan is a second name of the content's file."""
        for path in [self._plan(plan_id) for plan_id in dict.fromkeys(plan_ids)]:
            if _DIGEST.fullmatch(digest):
                self._write_same(path, self._content(digest), digest.encode(), now_utc)
            else:
                self._write(path, digest.encode(), now_utc)

    def of_plan(self, plan_id: str) -> str:
        """Return the digest recorded for a plan. Raises StoreError when the plan is not in the archive."""
        found = self._read(self._plan(plan_id), f"{plan_id} is missing")
        # Earlier versions, and file systems without second names, have the digest.
        if _DIGEST.fullmatch(digest := found.decode("ascii", errors="replace").strip()):
            return digest
        # An altered record has another digest than the name of its file.
        digest = hashlib.sha256(record := _unpacked(found)).hexdigest()
        if not record or not self._content(digest).exists():
            raise self._damaged(plan_id if not record else digest)
        return digest

    def note_store(self, place: str, now_utc: datetime) -> tuple[str, ...]:
        """Note whose plans are filed here, by the place of a store; return the places of all other such stores."""
        own = self.folder / "stores" / hashlib.sha256(place.encode()).hexdigest()[:16]
        if not self._used(own, now_utc):
            self._write(own, place.encode(), now_utc)
        others = [path for path in self.folder.glob("stores/*") if path != own and not path.suffix]
        return tuple(self._read(path, "is missing").decode(errors="replace") for path in sorted(others))

    def plans(self) -> list[str]:
        """Return the ids of all plans, sorted."""
        return sorted(path.name for path in self.folder.glob("plans/*/plan_*"))

    def prune(self, *, unused_since: datetime) -> int:
        """Remove old plans and unused contents; return the number of removed files.

        Removes plans written before `unused_since`, and contents not used since one day before that.
        """
        removed = sum(self._remove(path, unused_since) for path in self._files("plans"))
        return removed + self.remove_contents(unused_since=unused_since - CONTENTS_KEPT_LONGER)

    def plans_filed(self, before: datetime) -> list[str]:
        """Return the ids of the plans filed before a time, sorted."""
        return [path.name for path in self._files("plans") if is_plan_id(path.name) and self._is_older(path, before)]

    def remove_plans(self, plan_ids: Sequence[str]) -> int:
        """Remove these plans, without their contents; return the number of removed files."""
        return sum(self._remove(self._plan(plan_id)) for plan_id in plan_ids)

    def remove_content(self, digest: str) -> None:
        """Remove a content that no plan uses any more."""
        self._remove(self._content(digest))

    def remove_contents(self, *, unused_since: datetime, but: Collection[str] = ()) -> int:
        """Remove contents not used since a time, except these digests; return the number of removed files."""
        return sum(self._remove(path, unused_since) for path in self._files("contents") if path.name not in but)

    def _files(self, kind: str) -> list[Path]:
        return sorted(self.folder.glob(f"{kind}/*/*"))

    def _remove(self, path: Path, before: datetime | None = None) -> bool:
        """Remove a file, if it is older than `before`. Another process may have removed it."""
        if before is not None and not self._is_older(path, before):
            return False
        try:
            path.unlink()
        except FileNotFoundError:
            return False
        except OSError as exc:
            raise self._failed("cannot be cleaned", exc) from exc
        return True

    def _is_older(self, path: Path, before: datetime) -> bool:
        """Whether a file is there and was last used before a time."""
        try:
            return path.stat().st_mtime < before.timestamp()
        except FileNotFoundError:
            return False
        except OSError as exc:
            raise self._failed("cannot be cleaned", exc) from exc

    def _content(self, digest: str) -> Path:
        return self.folder / "contents" / digest[:2] / digest

    def _plan(self, plan_id: str) -> Path:
        if not is_plan_id(plan_id):
            raise self._error(f"{plan_id[:80]!r} is not a plan id", "write plan_ and 32 hexadecimal digits")
        return self.folder / "plans" / plan_id[5:7] / plan_id

    def _used(self, path: Path, now_utc: datetime) -> bool:
        """Set the file's modification time to now; return False when the file does not exist."""
        try:
            os.utime(path, (now_utc.timestamp(),) * 2)
        except FileNotFoundError:
            return False
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc
        return True

    def _write(self, path: Path, data: bytes, now_utc: datetime) -> None:
        try:
            temporary = _write_temporary(path, data, now_utc)
            try:
                _sync(temporary)
                os.replace(temporary, path)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc

    def _write_same(self, path: Path, written: Path, data: bytes, now_utc: datetime) -> None:
        """Give a written file a second name, which counts as a use: a file of its own takes a whole block of disk.

        Where the file system has no second names, it is a file that holds `data`.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            name = path.with_name(f".{path.name}.tmp")
            name.unlink(missing_ok=True)
            os.link(written, name)
            os.replace(name, path)
            os.utime(path, (now_utc.timestamp(),) * 2)
        except OSError:
            Archive._write(self, path, data, now_utc)

    def _read(self, path: Path, missing: str) -> bytes:
        try:
            return path.read_bytes()
        except FileNotFoundError:
            raise self._error(missing, "name the archive that holds it; old plans and contents are pruned") from None
        except OSError as exc:
            raise self._failed("cannot be read", exc) from exc

    def _damaged(self, name: str) -> StoreError:
        return self._error(
            f"content {name[:12]}... is damaged or altered", "replay from an unaltered copy of the archive"
        )

    def _failed(self, what: str, exc: OSError) -> StoreError:
        return self._error(f"{what} ({exc.strerror})", "check the folder, its permissions and the free disk space")

    def _error(self, problem: str, hint: str) -> StoreError:
        return StoreError(f"archive {self.folder}: {problem}; {hint}")


class _Batch(Archive):
    """See `Archive.together`. Files are synced in threads, because a disk syncs many files in about the time of one."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._waiting: dict[Path, Path] = {}  # temporary file by its final path, in the order of writing
        self._same: list[tuple[Path, Path, bytes, datetime]] = []  # see `_write_same`

    def finish(self) -> None:
        """Move all files to their places; contents before the plans that name them, as they were written."""
        try:
            with ThreadPoolExecutor(_SYNCED_AT_ONCE) as pool:
                list(pool.map(_sync, self._waiting.values()))
            for path, temporary in self._waiting.items():
                os.replace(temporary, path)
            self._waiting.clear()
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc
        for path, written, data, now_utc in self._same:
            super()._write_same(path, written, data, now_utc)

    def discard(self) -> None:
        """Remove the files that were not moved."""
        for temporary in self._waiting.values():
            temporary.unlink(missing_ok=True)
        self._waiting.clear()

    def _used(self, path: Path, now_utc: datetime) -> bool:
        return path in self._waiting or super()._used(path, now_utc)

    def _write(self, path: Path, data: bytes, now_utc: datetime) -> None:
        try:
            temporary = _write_temporary(path, data, now_utc)
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc
        before = self._waiting.pop(path, None)
        if before is not None:
            before.unlink(missing_ok=True)
        self._waiting[path] = temporary

    def _write_same(self, path: Path, written: Path, data: bytes, now_utc: datetime) -> None:
        self._same.append((path, written, data, now_utc))


def _unpacked(packed: bytes) -> bytes:
    """The content of a file; empty for a damaged one."""
    try:
        return zlib.decompressobj().decompress(packed, MAX_BYTES)
    except zlib.error:
        return b""


def _write_temporary(path: Path, data: bytes, now_utc: datetime) -> Path:
    """Write a file beside its final path, not yet synced. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.utime(name, (now_utc.timestamp(),) * 2)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""What plans were made from, on disk: contents filed under their own digest, and which of them each plan stands on.

A content is stored once, however many plans use it. A file appears by rename, so a crash leaves it whole or not at all,
and what does not match the digest it is filed under is refused. Every use of a file sets its time to the clock's, so
what was not used since a given moment can go without asking which plans are left.
"""

import hashlib
import os
import re
import tempfile
import zlib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from alertd.errors import StoreError

MAX_BYTES: Final = 64_000_000  # of one content unpacked; the largest file that is read is 20 MB
# A plan's contents are filed before the plan is, so they must not go before it.
CONTENTS_KEPT_LONGER: Final = timedelta(days=1)
_PLAN_ID: Final = re.compile(r"plan_[0-9a-f]{32}")
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")


def is_plan_id(text: str) -> bool:
    return _PLAN_ID.fullmatch(text) is not None


class Archive:
    """One archive. Every method raises StoreError when the disk fails or what it holds cannot be trusted."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, content: bytes, now_utc: datetime) -> str:
        """Keep a content; returns its digest."""
        digest = hashlib.sha256(content).hexdigest()
        path = self._content(digest)
        if not self._used(path, now_utc):
            self._write(path, zlib.compress(content, 6), now_utc)
        return digest

    def get(self, digest: str) -> bytes:
        """A content by its digest."""
        if not _DIGEST.fullmatch(digest):
            raise self._error(f"{digest[:80]!r} is no digest of a content", "use an archive that alertd wrote")
        packed = self._read(self._content(digest), f"content {digest[:12]}... is not there")
        unpacking = zlib.decompressobj()
        try:
            content = unpacking.decompress(packed, MAX_BYTES)
        except zlib.error:
            content = b""
        if hashlib.sha256(content).hexdigest() != digest:
            raise self._error(
                f"content {digest[:12]}... is damaged or was changed", "replay it from an untouched copy of the archive"
            )
        return content

    def file_plan(self, plan_id: str, digest: str, now_utc: datetime) -> None:
        """Say which content tells what a plan was made from. Keep that content first."""
        self._write(self._plan(plan_id), digest.encode(), now_utc)

    def of_plan(self, plan_id: str) -> str:
        """The digest that was filed for a plan."""
        path = self._plan(plan_id)
        return self._read(path, f"{plan_id} is not there").decode("ascii", errors="replace").strip()

    def plans(self) -> list[str]:
        """The ids of all plans, in the order of their letters."""
        return sorted(path.name for path in self.folder.glob("plans/*/plan_*"))

    def prune(self, *, unused_since: datetime) -> int:
        """Remove plans filed before a moment, and contents that none has used since a day before; returns how many."""
        removed = 0
        limits = (("plans", unused_since), ("contents", unused_since - CONTENTS_KEPT_LONGER))
        for kind, since in limits:
            for path in sorted(self.folder.glob(f"{kind}/*/*")):
                try:
                    if path.stat().st_mtime < since.timestamp():
                        path.unlink()
                        removed += 1
                except FileNotFoundError:  # another process was here first
                    continue
                except OSError as exc:
                    raise self._failed("cannot be cleaned", exc) from exc
        return removed

    def _content(self, digest: str) -> Path:
        return self.folder / "contents" / digest[:2] / digest

    def _plan(self, plan_id: str) -> Path:
        if not is_plan_id(plan_id):
            raise self._error(f"{plan_id[:80]!r} is no plan's id", "write plan_ and 32 letters or digits")
        return self.folder / "plans" / plan_id[5:7] / plan_id

    def _used(self, path: Path, now_utc: datetime) -> bool:
        """Mark a file as used now; False when it is not there."""
        try:
            os.utime(path, (now_utc.timestamp(),) * 2)
        except FileNotFoundError:
            return False
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc
        return True

    def _write(self, path: Path, data: bytes, now_utc: datetime) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                os.utime(temporary, (now_utc.timestamp(),) * 2)
                os.replace(temporary, path)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
        except OSError as exc:
            raise self._failed("cannot be written", exc) from exc

    def _read(self, path: Path, missing: str) -> bytes:
        try:
            return path.read_bytes()
        except FileNotFoundError:
            raise self._error(
                missing, "name the archive that holds it; what is older than its days was removed"
            ) from None
        except OSError as exc:
            raise self._failed("cannot be read", exc) from exc

    def _failed(self, what: str, exc: OSError) -> StoreError:
        return self._error(f"{what} ({exc.strerror})", "check the folder, its permissions and the room on its disk")

    def _error(self, problem: str, hint: str) -> StoreError:
        return StoreError(f"archive {self.folder}: {problem}; {hint}")

"""Uploaded routes: checked in a separate worker process, then stored under a generated name.

The name contains the content's hash, so the same file is the same route, and the name never matches an operator's file.
No file is ever overwritten.
"""

import asyncio
import hashlib
import json
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from alertd.errors import InputError, StoreError
from alertd.sources.files.gpx_worker import LIMITS as GPX_LIMITS
from alertd.web.problems import ProblemError

__all__ = ["GPX_LIMITS", "RouteUploads", "SavedRoute", "routes_on_file"]

SENT: Final = "sent-"
NAME_PATTERN: Final = "^[A-Za-z0-9_-]{1,40}$"
MAX_SENT: Final = 1000  # in the routes folder; the operator deletes those that no trip needs
INSPECT_TIMEOUT_S: Final = 15.0
MAX_CONCURRENT: Final = 1  # concurrent workers; further uploads wait
MAX_IN_PROGRESS: Final = 8  # files held in memory, waiting included
_PACKAGE: Final = Path(__file__).resolve().parents[3]


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedRoute:
    """name: the route name for trips. new: it did not exist before."""

    name: str
    points: int
    findings: tuple[str, ...]
    new: bool


class RouteUploads:
    """The routes folder, for uploads."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._turns = asyncio.Semaphore(MAX_CONCURRENT)
        self._under_way = 0

    @contextmanager
    def slot(self) -> Iterator[None]:
        """Reserve a place for an upload before its file is read. Raises ProblemError."""
        if self._under_way >= MAX_IN_PROGRESS:
            raise ProblemError(503, "busy", "too many routes are being sent; try again in 5 s", {"Retry-After": "5"})
        self._under_way += 1
        try:
            yield
        finally:
            self._under_way -= 1

    async def save(self, name: str, data: bytes) -> SavedRoute:
        """Check a GPX file and store it. Raises InputError for its mistakes, ProblemError, StoreError."""
        if not re.fullmatch(NAME_PATTERN, name):
            raise InputError("request", "name", "cannot be a route's name", "give 1 to 40 of A-Z a-z 0-9 _ -")
        async with self._turns:
            seen = await _inspect(data)
        if mistake := seen.get("mistake"):
            raise InputError("request", mistake["field"], mistake["problem"], mistake["hint"])
        own = f"{SENT}{name}-{hashlib.sha256(data).hexdigest()[:12]}"
        new = await asyncio.to_thread(self._write, f"{own}.gpx", data)
        return SavedRoute(name=own, points=seen["points"], findings=tuple(seen["findings"]), new=new)

    def _write(self, name: str, data: bytes) -> bool:
        """Write the whole file or nothing, never over an existing file; returns whether it is new."""
        path = self._folder / name
        try:
            if path.exists():
                return self._is_there(path, data)
            if sum(1 for _ in self._folder.glob(f"{SENT}*.gpx")) >= MAX_SENT:
                raise ProblemError(507, "no room", f"{MAX_SENT} routes were sent; the operator must delete old ones")
            return self._put(path, data)
        except OSError as exc:
            raise StoreError(
                f"the routes folder cannot be written ({exc.strerror}); "
                "give the daemon's user the right to write in places.routes"
            ) from exc

    def _put(self, path: Path, data: bytes) -> bool:
        half = self._folder / f".{path.name}.{os.getpid()}"
        try:
            with half.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.link(half, path)  # fails when the name exists, including a link that leads out of the folder
        except FileExistsError:
            return self._is_there(path, data)
        finally:
            half.unlink(missing_ok=True)
        return True

    def _is_there(self, path: Path, data: bytes) -> bool:
        if path.is_symlink() or path.read_bytes() != data:
            raise ProblemError(
                409, "the name is taken", f"another file is called {path.name}; send it under another name"
            )
        return False


def routes_on_file(folder: Path) -> list[dict[str, Any]]:
    """The routes of the folder by name, with their origin. Raises StoreError when it cannot be read."""
    try:
        found = [(path, path.stat()) for path in sorted(folder.rglob("*.gpx")) if path.is_file()]
    except OSError as exc:
        raise StoreError(f"the routes folder cannot be read ({exc.strerror}); correct places.routes") from exc
    return [
        {
            "name": path.relative_to(folder).with_suffix("").as_posix(),
            "bytes": stat.st_size,
            "changed_at": datetime.fromtimestamp(stat.st_mtime, UTC).isoformat(timespec="seconds"),
            "sent": path.name.startswith(SENT),
        }
        for path, stat in found
    ]


async def _inspect(data: bytes) -> dict[str, Any]:
    """Findings of a worker process in `data`. A worker that dies or takes too long counts as an error in the file."""
    worker = await asyncio.create_subprocess_exec(
        sys.executable,
        "-P",
        "-m",
        "alertd.sources.files.gpx_worker",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        cwd="/",
        # Threads of a linear algebra library would count against the worker's memory limit.
        env={"PYTHONPATH": str(_PACKAGE), "OPENBLAS_NUM_THREADS": "1"},
        start_new_session=True,
    )
    try:
        async with asyncio.timeout(INSPECT_TIMEOUT_S):
            output, _ = await worker.communicate(data)
    except TimeoutError:
        output = b""
    finally:
        if worker.returncode is None:
            with suppress(ProcessLookupError):
                worker.kill()
            await worker.wait()
    try:
        seen: dict[str, Any] = json.loads(output)
    except ValueError:
        raise InputError(
            "request", "", "costs more time or memory than a route may", "export the route alone, without other data"
        ) from None
    return seen

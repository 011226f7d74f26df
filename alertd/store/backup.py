"""Backs up a SQLite store while the daemon runs: one consistent, checked copy.

It never overwrites an existing file.
"""

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from alertd.errors import StoreError
from alertd.store.url import StoreLocation


def back_up(place: StoreLocation, to: Path) -> int:
    """Write a checked copy of the SQLite store at `place` to the new file `to`; return its size in bytes.

    Raises StoreError, and leaves no file, when the copy cannot be made or fails its integrity check.
    """
    if not isinstance(place, Path):
        raise StoreError(
            f"store {place}: a PostgreSQL database is not backed up as a file; use pg_dump --format=custom"
        )
    if not place.is_file():
        raise StoreError(f"store {place}: no such file; set daemon.store to the store that the daemon uses")
    if to.exists():
        raise StoreError(f"backup {to}: the file exists and is not overwritten; name another file")
    temporary = None
    try:
        handle, name = tempfile.mkstemp(dir=to.parent, prefix=f".{to.name}.", suffix=".part")
        temporary = Path(name)
        os.close(handle)
        _copy(place, temporary)
        _sync(temporary)
        os.link(temporary, to)  # unlike a rename, a link never replaces an existing file
        _sync(to.parent)
        return to.stat().st_size
    except FileExistsError:
        raise StoreError(f"backup {to}: the file exists and is not overwritten; name another file") from None
    except OSError as exc:
        raise StoreError(
            f"backup {to}: cannot be written ({exc.strerror}); name a writable folder with free space"
        ) from exc
    except sqlite3.Error as exc:
        raise StoreError(f"backup {to}: the store {place} cannot be copied ({exc}); check its disk") from exc
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _copy(place: Path, to: Path) -> None:
    with closing(sqlite3.connect(place, timeout=60.0, isolation_level=None)) as source:
        source.execute("VACUUM INTO ?", (str(to),))  # a consistent snapshot while other connections read and write
    with closing(sqlite3.connect(to)) as copy:
        found = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        strays = copy.execute("PRAGMA foreign_key_check").fetchall()
    if found != ["ok"] or strays:
        raise StoreError(
            f"backup {to}: the copy fails its integrity check ({'; '.join(found[:3])}); the store's disk may be failing"
        )


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

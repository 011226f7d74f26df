"""A copy of a store while the daemon runs: whole, checked, and never over a file that is there."""

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from alertd.errors import StoreError
from alertd.store.url import StoreLocation


def back_up(place: StoreLocation, to: Path) -> int:
    """Write a sound copy of the SQLite store at `place` to the new file `to`; returns its size in bytes.

    Raises StoreError, and leaves no file, when that cannot be done or the copy is not sound.
    """
    if not isinstance(place, Path):
        raise StoreError(
            f"store {place}: a server is not copied as a file; use pg_dump --format=custom, with its tools"
        )
    if not place.is_file():
        raise StoreError(f"store {place}: there is no such file; name the store that the daemon uses in daemon.store")
    if to.exists():
        raise StoreError(f"backup {to}: it is there already and is not written over; name another file")
    temporary = None
    try:
        handle, name = tempfile.mkstemp(dir=to.parent, prefix=f".{to.name}.", suffix=".part")
        temporary = Path(name)
        os.close(handle)
        _copy(place, temporary)
        _sync(temporary)
        os.link(temporary, to)  # unlike a rename, never over another
        _sync(to.parent)
        return to.stat().st_size
    except FileExistsError:
        raise StoreError(f"backup {to}: it is there already and is not written over; name another file") from None
    except OSError as exc:
        raise StoreError(
            f"backup {to}: cannot be written ({exc.strerror}); name a folder with room that you may write"
        ) from exc
    except sqlite3.Error as exc:
        raise StoreError(f"backup {to}: the store {place} cannot be copied ({exc}); check its disk") from exc
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _copy(place: Path, to: Path) -> None:
    with closing(sqlite3.connect(place, timeout=60.0, isolation_level=None)) as source:
        source.execute("VACUUM INTO ?", (str(to),))  # one moment of the store, while others read and write
    with closing(sqlite3.connect(to)) as copy:
        found = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        strays = copy.execute("PRAGMA foreign_key_check").fetchall()
    if found != ["ok"] or strays:
        raise StoreError(
            f"backup {to}: the copy is not sound ({'; '.join(found[:3])}); the store's disk may be failing"
        )


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

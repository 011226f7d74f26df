"""Returns memory that is no longer used to the system."""

import ctypes
import gc
import os
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, Final

_M_ARENA_MAX: Final = -8  # malloc.h of the GNU C library; see mallopt(3)
_LARGE_MB: Final = 450.0  # [A] imports, reference data and a road with three kinds of rig take some 350
_PYTHONS_SEARCHES: Final = (700, 10, 10)  # new objects, and searches of younger ones; the documentation of `gc`


@cache
def _trim() -> Any:
    """`malloc_trim` of the GNU C library; None on systems without it."""
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return None


def limit_memory() -> None:
    """Have a process that runs for days hold little memory that it does not use. Call it before threads start.

    Garbage is searched for as often as Python itself does; commands search less often. All threads allocate from one
    arena of the GNU C library: steps of planning run in several threads, and each would keep the freed memory of its
    own largest step. Elsewhere than on Linux with that library this part does nothing.
    """
    gc.set_threshold(*_PYTHONS_SEARCHES)
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)


def release_memory() -> None:
    """Collect what is unused, and return freed memory to the system. What is left is not searched until the next call.

    Rules and roads stay for many cycles, and a search of all objects takes long. Threads that computed arrays keep
    freed memory for themselves otherwise. Elsewhere than on Linux with the GNU C library only the first part is done.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()
    _return_freed()


def release_when_large() -> None:
    """After a road, `release_memory` of what is newer than the last call of that, where this process is large.

    What was computed for a road refers to itself, so that it stays until a search, and the next road's is added. A
    small process is left alone, because its next road takes the memory again.
    """
    if resident_mb(os.getpid()) > _LARGE_MB:
        gc.collect()
        _return_freed()


def resident_mb(pid: int) -> float:
    """Resident memory of a process but for mapped files [MB]; 0 where the system does not show it."""
    try:
        _, resident, shared = map(int, Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[:3])
    except (OSError, ValueError):
        return 0.0
    return (resident - shared) * os.sysconf("SC_PAGE_SIZE") / 1e6


def _return_freed() -> None:
    trim = _trim()
    if trim is not None:
        trim(0)

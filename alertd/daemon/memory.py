"""Returns memory that a cycle no longer uses to the system."""

import ctypes
import gc
from contextlib import suppress
from functools import cache
from typing import Any, Final

_M_ARENA_MAX: Final = -8  # malloc.h of the GNU C library; see mallopt(3)


@cache
def _trim() -> Any:
    """`malloc_trim` of the GNU C library; None on systems without it."""
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return None


def share_arena() -> None:
    """Have all threads allocate from one arena of the GNU C library. Call it before threads start.

    Steps of planning run in several threads; each would keep the freed memory of its own largest step. Elsewhere than
    on Linux with that library nothing is done.
    """
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
    trim = _trim()
    if trim is not None:
        trim(0)

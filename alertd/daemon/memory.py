"""Returns memory that a cycle no longer uses to the system."""

import ctypes
import gc
from functools import cache
from typing import Any


@cache
def _trim() -> Any:
    """`malloc_trim` of the GNU C library; None on systems without it."""
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return None


def release_memory() -> None:
    """Collect what is unused, and return freed memory to the system.

    Threads that computed arrays keep freed memory for themselves otherwise. Elsewhere than on Linux with the GNU C
    library only the first part is done.
    """
    gc.collect()
    trim = _trim()
    if trim is not None:
        trim(0)

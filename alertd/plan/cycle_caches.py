"""Caches of large values that serve one cycle, and are emptied when it has ended: a daemon at rest is then small."""

from collections.abc import Callable
from functools import lru_cache
from typing import Final, ParamSpec, TypeVar

_P = ParamSpec("_P")
_R = TypeVar("_R")
_CLEAR: Final[list[Callable[[], None]]] = []


def cached_in_cycle(most_n: int) -> Callable[[Callable[_P, _R]], Callable[_P, _R]]:
    """`functools.lru_cache` of at most so many values, until `clear_cycle_caches`."""

    def kept(function: Callable[_P, _R]) -> Callable[_P, _R]:
        found = lru_cache(maxsize=most_n)(function)
        clear_with_cycle(found.cache_clear)
        return found  # type: ignore[return-value] # lru_cache forgets the parameters

    return kept


def clear_with_cycle(clear: Callable[[], None]) -> None:
    """Have `clear` called by `clear_cycle_caches`."""
    _CLEAR.append(clear)


def clear_cycle_caches() -> None:
    """Empty these caches."""
    for clear in _CLEAR:
        clear()

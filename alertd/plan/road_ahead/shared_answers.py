"""Keeps what trips on one road have in common, by everything it was computed from."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, Final, TypeVar

Answer = TypeVar("Answer")

# Of each kind. [A] Comparisons and single departures are a few hundred bytes a departure, and a day and a half has 145
# of them. A solution holds arrays (member, section), some 0.3 MB, and trips of one kind leave at few minutes of a day.
MOST_KEPT: Final = {"comparison": 64, "departure": 512, "solution": 24, "stretches": 4, "surfaces": 4}


class SharedAnswers:
    """Answers of pure functions; the oldest of a kind is dropped first. Thread-safe.

    An answer must depend on nothing but its key and on the object that holds these answers.
    """

    def __init__(self) -> None:
        self._kept: dict[str, OrderedDict[Hashable, Any]] = {}
        self._lock = Lock()

    def answer(self, kind: str, key: Hashable, compute: Callable[[], Answer]) -> Answer:
        """The kept answer, or that of `compute`."""
        with self._lock:
            kept = self._kept.setdefault(kind, OrderedDict())
            if key in kept:
                kept.move_to_end(key)
                known: Answer = kept[key]
                return known
        found = compute()
        with self._lock:
            kept[key] = found
            while len(kept) > MOST_KEPT[kind]:
                kept.popitem(last=False)
        return found

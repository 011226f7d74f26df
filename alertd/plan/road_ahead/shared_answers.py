"""Keeps what trips on one road have in common, by everything it was computed from."""

from collections.abc import Callable, Hashable, Sequence
from typing import Any, Final, TypeVar

Answer = TypeVar("Answer")

# Of each kind. [A] Comparisons and single departures are a few hundred bytes a departure, and a day and a half has 145
# of them. A solution holds arrays (member, section), and trips of one kind leave at few minutes of a day.
# A need holds some 7 MB for a road of 300 km and three days, and a few kinds of rig share a road. The roads of all
# departures of one need hold as much as two needs, so they are kept for one kind of rig and while a road is planned.
MOST_KEPT: Final = {
    "comparison": 64,
    "departure": 512,
    "solution": 24,
    "stretches": 4,
    "surfaces": 4,
    "need": 6,
    "roads": 1,
    "likely": 2,
    "places": 32,
    "offered": 4,
    "pavement": 2,
    "speeds": 2,
    "posting": 2,
    "rigless": 2,
    "descent": 2,
    "wind": 6,
    "gust": 1,
}
_NONE: Final = object()


class SharedAnswers:
    """Answers of pure functions; the one of a kind that was asked for longest ago is dropped first.

    An answer must depend on nothing but its key and on the object that holds these answers. Threads may share this:
    each step is a single operation of a dict, and two that ask at once may both compute.
    """

    def __init__(self) -> None:
        self._kept: dict[str, dict[Hashable, Any]] = {kind: {} for kind in MOST_KEPT}

    def clear(self) -> None:
        """Forget all answers."""
        for kept in self._kept.values():
            kept.clear()

    def forget(self, kind: str) -> None:
        """Forget the answers of a kind."""
        self._kept[kind].clear()

    def answer(self, kind: str, key: Hashable, compute: Callable[[], Answer]) -> Answer:
        """The kept answer, or that of `compute`."""
        kept = self._kept[kind]
        known = kept.pop(key, _NONE)
        found: Answer = compute() if known is _NONE else known
        kept[key] = found
        while len(kept) > MOST_KEPT[kind]:
            oldest, *_ = kept
            kept.pop(oldest, None)
        return found

    def answers(
        self, kind: str, keys: Sequence[Hashable], compute: Callable[[list[int]], Sequence[Answer]]
    ) -> tuple[Answer, ...]:
        """`answer` for each key; `compute` gets the indices of those that are not kept, and answers them together."""
        kept = self._kept[kind]
        missing = [n for n, key in enumerate(keys) if key not in kept]
        new = dict(zip(missing, compute(missing), strict=True)) if missing else {}
        # A kept one may be dropped in between, by another thread or for the answers before it.
        return tuple(
            self.answer(kind, key, lambda n=n: new[n] if n in new else compute([n])[0])  # type: ignore[misc]
            for n, key in enumerate(keys)
        )

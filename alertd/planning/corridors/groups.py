"""In what order the trips of one road are planned, and when those planned so far are handed over to be recorded.

The first trip is handed over alone, and each group after it may be larger, so that an urgent message waits for one plan
and a large road costs few transactions.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from time import monotonic
from typing import Final

from alertd.rules.rig import Rig
from alertd.sources.files.trips import TripRequest

GROWTH: Final = 3  # a group is so many times as large as the one before [A]
MOST_UNRECORDED: Final = 27  # trips of one group [A]
MOST_UNRECORDED_S: Final = 1.0  # planning that waits to be recorded; a group ends with the trip that exceeds it [A]


def sizes() -> Iterator[int]:
    """The sizes of groups without a limit: 1, 3, 9 and so on."""
    size = 1
    while True:
        yield size
        size *= GROWTH


def in_turn(trips: Sequence[TripRequest], rigs: Mapping[str, Rig]) -> list[TripRequest]:
    """The trips in blocks of growing size in the order given, within a block those of one kind of rig together.

    What a road asks of a kind of rig is cached for a few kinds at a time, so each is computed once a block at most.
    """
    out: list[TripRequest] = []
    growing = sizes()
    while len(out) < len(trips):
        kinds: dict[object, list[TripRequest]] = {}
        for trip in trips[len(out) : len(out) + next(growing)]:
            rig = rigs.get(trip.rig)
            kinds.setdefault(None if rig is None else rig.nameless, []).append(trip)
        out += [trip for same in kinds.values() for trip in same]
    return out


class GroupEnds:
    """Says after each planned trip of a road whether the group ends.

    by_time: also when planning takes long. Without it, the same trips always make the same groups.
    """

    def __init__(self, *, by_time: bool = True, clock_s: Callable[[], float] = monotonic) -> None:
        self._clock_s, self._most_s = clock_s, MOST_UNRECORDED_S if by_time else float("inf")
        self._sizes = sizes()
        self._size, self._planned_n, self._begun_s = next(self._sizes), 0, clock_s()

    def ends(self) -> bool:
        """Count one more trip. True: hand over the group; the next trip begins another."""
        self._planned_n += 1
        if self._planned_n < self._size and self._clock_s() - self._begun_s < self._most_s:
            return False
        if self._planned_n >= self._size:
            self._size = min(next(self._sizes), MOST_UNRECORDED)
        self._planned_n, self._begun_s = 0, self._clock_s()
        return True

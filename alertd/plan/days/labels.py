"""What the search for rests works on: labels, the road as a table, stops to serve, and its result."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Labels: TypeAlias = NDArray[np.int64]  # (label, column)

STEP_MIN: Final = 15  # minutes between the departures of a road table


class Stand(IntEnum):
    """What is done at a place."""

    NONE = 0
    BREAK = 1
    REST = 2
    SHORT_REST = 3
    SPLIT_FIRST = 4
    SPLIT_SECOND = 5
    RESTART = 6
    BREAK_FIRST = 7
    BREAK_SECOND = 8
    WEEK = 9
    SHORT_WEEK = 10
    DWELL = 11


class Col(IntEnum):
    """Columns of a label, in minutes.

    began: start of the duty window, moved by parts of a rest. true: the same without a part that is not paired yet.
    split: 0, or the minutes that still complete a rest in two parts. driven_1, began_1: since the end of its first
    part. half: 1 after the first part of a break. long_left: longer days of driving that are left.
    week_began: end of the last weekly rest. reduced_left: reduced weekly rests that are left.
    """

    TIME = 0
    DRIVEN = 1
    BEGAN = 2
    WORKED = 3
    SINCE_BREAK = 4
    CYCLE = 5
    PRICE = 6
    SHORT_LEFT = 7
    SPLIT = 8
    DRIVEN_1 = 9
    BEGAN_1 = 10
    TRUE = 11
    HALF = 12
    LONG_LEFT = 13
    WEEK_BEGAN = 14
    REDUCED_LEFT = 15


# The sign with which a smaller value is better.
BETTER: Final = np.asarray([1, 1, -1, 1, 1, 1, 1, -1, 0, 1, -1, -1, -1, -1, -1, -1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """A stop to serve: minutes after the first departure of its table; a minute late costs `late_price` minutes [A].

    An early truck waits, on duty. service: minutes.
    """

    opens: int
    closes: int
    service: int
    late_price: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadTable:
    """The road between places, by departure every STEP_MIN minutes from the start of the search.

    drive, work, price: minutes, (place - 1, departure): driving, work for chains, and prices.
    rest_price, break_price: minutes, (place, departure).
    can_rest: (place,). changes: (place,), the road ahead depends on the hour, so that waiting may help.
    dwells: stops to serve between a place and the next one, which is at the same point of the road.
    """

    drive: NDArray[np.int64]
    work: NDArray[np.int64]
    price: NDArray[np.int64]
    rest_price: NDArray[np.int64]
    break_price: NDArray[np.int64]
    can_rest: NDArray[np.bool_]
    changes: NDArray[np.bool_]
    dwells: Mapping[int, Dwell] = field(default_factory=dict)

    @property
    def places(self) -> int:
        return int(self.can_rest.size)

    def column(self, time: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the departure at a minute."""
        return np.clip(time // STEP_MIN, 0, self.drive.shape[1] - 1)

    def from_minute(self, minute: int) -> "RoadTable":
        """The table of a departure so many minutes after the first; whole steps."""
        n = min(minute // STEP_MIN, self.drive.shape[1] - 1)
        later = STEP_MIN * n
        return replace(
            self,
            **{name: getattr(self, name)[:, n:] for name in ("drive", "work", "price", "rest_price", "break_price")},
            dwells={p: replace(d, opens=d.opens - later, closes=d.closes - later) for p, d in self.dwells.items()},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """When the trip may end, in minutes after departure; a minute late costs `late_price` minutes [A].

    An early truck waits.
    """

    opens: int = 0
    closes: int = 10**6
    late_price: float = 2.0


class PlacedStand(NamedTuple):
    """A stand of the result: place, what it is, its begin and its minutes."""

    place: int
    stand: Stand
    begins: int
    minutes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RestPlan:
    """The best way: minutes to the end, the price besides, the cost of both with the window, and the stands.

    work: minutes of chain work among these.
    """

    minutes: int
    price: int
    cost: float
    stands: tuple[PlacedStand, ...]
    work: int = 0

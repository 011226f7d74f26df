"""Planned stands of a trip, such as rests and breaks: each shifts the clock of every later place."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Stands:
    """Places at which the truck stands, how long, and whether the driver works: arrays (stand,)."""

    at_m: Array
    takes_s: Array
    on_duty: NDArray[np.bool_]

    def before_s(self, at_m: ArrayLike) -> Array:
        """Seconds stood before each place is reached, any shape. A stand counts for the road behind it only."""
        at = np.asarray(at_m, dtype=np.float64)
        if not self.at_m.size:
            return np.zeros(at.shape)
        return np.asarray((self.takes_s * (at[..., None] > self.at_m)).sum(axis=-1))

    @property
    def total_s(self) -> float:
        """Seconds of all stands."""
        return float(self.takes_s.sum())


def stands_of(stands: Sequence[tuple[float, float, bool]]) -> Stands:
    """Stands from (distance_m, seconds, on duty)."""
    at_m, takes_s, on_duty = np.asarray(stands, dtype=np.float64).reshape(-1, 3).T
    return Stands(at_m, takes_s, on_duty.astype(np.bool_))


NO_STANDS: Final = stands_of(())

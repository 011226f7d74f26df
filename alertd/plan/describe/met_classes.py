"""Counts the members that meet pavement classes anywhere on some sections, with one bit per class."""

from collections.abc import Iterable
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.road.road_class import RoadClass

Bits: TypeAlias = NDArray[np.uint16]

_CLASSES: Final = tuple(RoadClass)
_BIT: Final = np.left_shift(1, np.arange(len(RoadClass))).astype(np.uint16)  # by RoadClass + 1
_ALL: Final = slice(None)


def class_bits(road_class: NDArray[np.int8]) -> Bits:
    """The bit of each class, of the shape of `road_class`."""
    return np.asarray(_BIT[road_class + 1])


class MetClasses:
    """The classes that each member meets on the sections `here`, from bits (member, section)."""

    def __init__(self, bits: Bits, here: slice = _ALL) -> None:
        self._met: Bits = np.bitwise_or.reduce(bits[:, here], axis=1)

    def frac(self, classes: Iterable[RoadClass]) -> float:
        """Share of members that meet any of these classes."""
        wanted = sum(int(_BIT[c + 1]) for c in set(classes))
        return int(np.count_nonzero(self._met & np.uint16(wanted))) / self._met.size

    def shares(self) -> dict[RoadClass, float]:
        """Share of members that meet each class, of classes that any member meets."""
        counts = ((self._met[:, None] & _BIT) != 0).sum(axis=0).tolist()
        return {c: n / self._met.size for c, n in zip(_CLASSES, counts, strict=True) if n}

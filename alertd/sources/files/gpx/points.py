"""The points of a GPX file while it is read, and the limits of one file."""

from array import array
from dataclasses import dataclass, field
from typing import Final

import numpy as np

# Land heights on Earth are within these limits. Values outside are void marks such as -32768 of SRTM tiles.
LOWEST_M: Final = -500.0
HIGHEST_M: Final = 9000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GpxLimits:
    """Limits of one file. A day's drive recorded every second is about 40,000 points and 8 MB."""

    max_bytes: int = 20_000_000
    max_points: int = 200_000
    max_depth: int = 32
    max_attributes: int = 64


@dataclass(slots=True)
class LinePoints:
    """Points of one kind (tracks or routes), in file order."""

    word: str
    lines: int = 0
    name: str = ""
    lat: "array[float]" = field(default_factory=lambda: array("d"))
    lon: "array[float]" = field(default_factory=lambda: array("d"))
    ele: "array[float]" = field(default_factory=lambda: array("d"))
    starts: list[int] = field(default_factory=list)

    def new_segment(self) -> None:
        if not self.starts or self.starts[-1] < len(self.lat):
            self.starts.append(len(self.lat))

    def distinct(self) -> bool:
        return any(bool((v != v[:1]).any()) for v in (np.frombuffer(self.lat), np.frombuffer(self.lon)) if v.size)

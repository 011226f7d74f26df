"""What road weather stations measure on the pavement, in one plain form, whatever the service.

A station stands at one place of one lane. It says what the road is there and then, not what it is on the next slope.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from alertd.forecast.observations import Station

_UNKNOWN: Final = float("nan")


class SurfaceState(StrEnum):
    """State of a road surface; names after WMO BUFR table 0 20 138, with slush."""

    UNKNOWN = ""
    DRY = "dry"
    MOIST = "moist"
    WET = "wet"
    SLUSH = "slush"
    FROST = "frost"
    SNOW = "snow"
    ICE = "ice"


SLICK: Final = frozenset((SurfaceState.SLUSH, SurfaceState.FROST, SurfaceState.SNOW, SurfaceState.ICE))
# Friction of optical sensors: 0.8 is dry; Finnish winter maintenance counts below 0.3 as slippery, 0.2 as very slippery
# (from memory of the Finnish road authority's quality classes).
SLICK_FRICTION: Final = 0.30

# Words of services, the worse first: "ice" also of "icy" and "black ice". Each is looked for in lower-case text.
_WORDS: Final[tuple[tuple[SurfaceState, tuple[str, ...]], ...]] = (
    (SurfaceState.UNKNOWN, ("fault", "error", "unknown", "other")),
    (SurfaceState.ICE, ("ice", "icy", "glaze", "freezing")),
    (SurfaceState.SLUSH, ("slush",)),
    (SurfaceState.SNOW, ("snow",)),
    (SurfaceState.FROST, ("frost", "rime", "hoar")),
    (SurfaceState.WET, ("wet", "water", "absorption")),
    (SurfaceState.MOIST, ("moist", "damp", "dew", "trace")),
    (SurfaceState.DRY, ("dry", "clear")),
)
# NTCIP 1204: a watch is a wet road that may freeze, a warning is ice.
_AS_WET: Final = ("chemically wet", "no ice", "ice watch", "snow watch")


def state_of(words: Iterable[str]) -> SurfaceState:
    """The worst state that any of the texts names; UNKNOWN where none is understood, and for a sensor's fault."""
    found = []
    for word in words:
        text = " ".join(word.lower().split())
        for odd in _AS_WET:
            text = text.replace(odd, "wet")
        found.append(next((state for state, names in _WORDS if any(n in text for n in names)), SurfaceState.UNKNOWN))
    order = list(SurfaceState)
    return max(found, key=order.index, default=SurfaceState.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadReport:
    """One observation of a road weather station. NaN is unknown. Time aware and UTC.

    name: of the station, for people. source, licence: to credit. surface_temp_c: of the coldest of its lanes.
    friction: coefficient by an optical sensor, 0-1, the lowest. depth_temp_c: in the road's body or the ground below.
    freezing_c: at which the surface freezes with the salt on it. visibility_m: a lower bound where the scale ends.
    """

    station: Station
    name: str
    source: str
    licence: str
    observed_at: datetime
    surface_temp_c: float = _UNKNOWN
    state: SurfaceState = SurfaceState.UNKNOWN
    friction: float = _UNKNOWN
    depth_temp_c: float = _UNKNOWN
    freezing_c: float = _UNKNOWN
    air_temp_c: float = _UNKNOWN
    dew_point_c: float = _UNKNOWN
    rh_frac: float = _UNKNOWN
    wind_mps: float = _UNKNOWN
    gust_mps: float = _UNKNOWN
    visibility_m: float = _UNKNOWN

    def __post_init__(self) -> None:
        if self.observed_at.utcoffset() is None:
            raise ValueError("observation times must be aware")

    @property
    def slick(self) -> bool:
        """Whether the surface is wintry by its state or slippery by its friction."""
        return self.state in SLICK or self.friction < SLICK_FRICTION

    @property
    def is_empty(self) -> bool:
        """Whether it tells nothing of the road surface."""
        return self.surface_temp_c != self.surface_temp_c and not self.state and self.friction != self.friction


# [A] Field -> lowest and highest value that can be true; beyond them it is unknown.
BOUNDS: Final = {
    "surface_temp_c": (-60.0, 80.0),
    "friction": (0.0, 1.0),
    "depth_temp_c": (-50.0, 60.0),
    "freezing_c": (-60.0, 5.0),
    "air_temp_c": (-60.0, 60.0),
    "dew_point_c": (-80.0, 40.0),
    "rh_frac": (0.0, 1.05),
    "wind_mps": (0.0, 115.0),
    "gust_mps": (0.0, 150.0),
    "visibility_m": (0.0, 200_000.0),
}


def within(field: str, value: float) -> float:
    """The value, NaN where it cannot be true."""
    low, high = BOUNDS[field]
    return value if low <= value <= high else _UNKNOWN

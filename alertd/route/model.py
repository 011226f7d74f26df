"""The route as arrays over samples about 250 m apart, and the features along it."""

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from tzfpy import get_tz

from alertd.route.stops import RouteStop

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GpxLine:
    """A line as its file gives it, before cleaning. Arrays have shape (point,) and are read-only.

    elevation_m: heights [m], NaN where the file gives none.
    segment_starts: index of the first point of each segment.
    planned: True for points of a planned route (few, at turns), False for a recorded or drawn track.
    sha256: hash of the file's bytes.
    where: the file's name, for messages.
    """

    name: str
    lat_deg: Array
    lon_deg: Array
    elevation_m: Array
    segment_starts: NDArray[np.intp]
    sha256: str
    where: str
    planned: bool = False
    findings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for values in (self.lat_deg, self.lon_deg, self.elevation_m, self.segment_starts):
            values.flags.writeable = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Climb:
    """A sustained upgrade, from foot to top in the direction of travel."""

    start_m: float
    end_m: float
    rise_m: float
    mean_grade: float
    max_grade: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summit:
    """A high point of the route whose prominence along the route reaches the requested minimum."""

    distance_m: float
    elevation_m: float
    prominence_m: float
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JurisdictionSpan:
    """A run of the route in one state or province. `code` is ISO 3166-2, e.g. "US-MT"; "" if unknown."""

    code: str
    name: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeSpan:
    """A run of the route on a bridge. `name` is "" where none is known."""

    name: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TunnelSpan:
    """A run of the route in a tunnel, from portal to portal. `name` is "" where none is known."""

    name: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSpan:
    """A run of the route under a speed limit for trucks, and the source of that limit.

    axles_least: the limit is for vehicles or combinations with this many axles or more.
    mass_least_kg: the limit is for a gross mass of this or more.
    """

    start_m: float
    end_m: float
    speed_mps: float
    source: str
    axles_least: int = 0
    mass_least_kg: float = 0.0


class LandmarkKind(StrEnum):
    """Kind of a landmark beside the road."""

    EXIT = "exit"
    MILEPOST = "milepost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """An exit or milepost beside the route. `text` is its number, e.g. "219" or "62B"."""

    kind: LandmarkKind
    text: str
    distance_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Town:
    """A town by which a place is named. `land` is an ISO 3166 code; "" if unknown."""

    name: str
    lat_deg: float
    lon_deg: float
    land: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadSpan:
    """A run of the route on one numbered road. `ref` is for the reader, e.g. "I-70"; `road_class`: OpenStreetMap's."""

    ref: str
    road_class: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True, weakref_slot=True, kw_only=True, eq=False)
class Route:
    """A line in the direction of travel. All arrays have shape (sample,) and are read-only.

    distance_m: geodesic distance along the line from its start.
    elevation_m: smoothed height (see route.elevation).
    grade: rise over run, positive uphill in the direction of travel.
    bearing_deg: azimuth of travel, clockwise from north, 0 to 360.
    curve_mps: speed that the curves around each sample allow a truck, +inf on straight road, see route.curves. None
        where the line is too coarse to know.
    passes: those of the whole line where this route is only its end, see route.passes.
    roads, landmarks, towns: what names a place on it, see route.spot.
    credits: owners and licences of the places along it, with their day.
    passes, sustained: those of the whole line where this route is only its end, see route.passes and
        route.sustained_grade.
    """

    name: str
    lat_deg: Array
    lon_deg: Array
    distance_m: Array
    elevation_m: Array
    grade: Array
    bearing_deg: Array
    climbs: tuple[Climb, ...] = ()
    summits: tuple[Summit, ...] = ()
    jurisdictions: tuple[JurisdictionSpan, ...] = ()
    stops: tuple[RouteStop, ...] = ()
    bridges: tuple[BridgeSpan, ...] = ()
    tunnels: tuple[TunnelSpan, ...] = ()
    limits: tuple[LimitSpan, ...] = ()
    passes: tuple[tuple[float, float], ...] | None = None
    roads: tuple[RoadSpan, ...] = ()
    landmarks: tuple[Landmark, ...] = ()
    towns: tuple[Town, ...] = ()
    credits: tuple[str, ...] = ()
    sustained: Array | None = None
    findings: tuple[str, ...] = ()
    curve_mps: Array | None = None

    def __post_init__(self) -> None:
        for values in (
            self.lat_deg,
            self.lon_deg,
            self.distance_m,
            self.elevation_m,
            self.grade,
            self.bearing_deg,
            self.curve_mps,
        ):
            if values is not None:
                values.flags.writeable = False

    @property
    def length_m(self) -> float:
        """Distance [m] of the end of the line from its start."""
        return float(self.distance_m[-1])


@lru_cache(maxsize=4096)
def zone_at(lat_deg: float, lon_deg: float) -> str:
    """IANA time zone at a place, or "Etc/UTC" at sea where none applies. Simplified polygons, accurate to ~1 km."""
    return get_tz(lon_deg, lat_deg) or "Etc/UTC"

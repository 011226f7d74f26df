"""Places where a truck can stand off the traffic lanes, and where they lie along a route."""

from dataclasses import dataclass
from enum import StrEnum


class StopKind(StrEnum):
    CHAIN_UP_AREA = "chain-up area"
    TRUCK_STOP = "truck stop"
    REST_AREA = "rest area"
    WEIGH_STATION = "weigh station"
    TURNOUT = "turnout"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A place as the operator's GeoJSON gives it.

    `serves_bearing_deg` is the compass bearing of the traffic that can pull in (None: not stated, then the side
    of the line it lies on decides); `serves_both` when both directions can, as at an interchange.
    `spaces` is None when unknown. `listed` is False of a place that is in no file and only to be looked for.
    `milepost` is words for the reader, e.g. "I-90 MP 5".
    """

    id: str
    name: str
    kind: StopKind
    lat_deg: float
    lon_deg: float
    serves_bearing_deg: float | None = None
    serves_both: bool = False
    spaces: int | None = None
    lit: bool | None = None
    milepost: str = ""
    invented: bool = False
    listed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteStop:
    """A stop that this route can use: where along it, and how far off the line (positive to the right)."""

    stop: Stop
    distance_m: float
    offset_m: float

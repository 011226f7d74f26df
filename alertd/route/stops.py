"""Places where a truck can stop off the traffic lanes, and their positions along a route."""

from dataclasses import dataclass
from enum import StrEnum


class StopKind(StrEnum):
    """Kind of a stop, with the values used in GeoJSON files and plans."""

    CHAIN_UP_AREA = "chain-up area"
    TRUCK_STOP = "truck stop"
    REST_AREA = "rest area"
    WEIGH_STATION = "weigh station"
    TURNOUT = "turnout"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A place of the operator's GeoJSON, of the list of published chain-up areas, or gathered from OpenStreetMap.

    serves_bearing_deg: compass bearing of the traffic that can enter. None: not stated; the side of the line then
        decides.
    serves_both: True when both directions can enter, as at an interchange.
    spaces: number of spaces, None when unknown.
    listed: False for a place in no file, which the driver has to look for.
    milepost: text for the reader, e.g. "I-90 MP 5".
    source: origin of the facts, "" for the operator's own.
    caution: what to mind about them, e.g. an uncertain position; "" for nothing.
    within_m: uncertainty of the position; the route may pass it that far off.
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
    source: str = ""
    caution: str = ""
    within_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteStop:
    """A stop that this route can use, with its distance along the route and its offset [m], positive to the right."""

    stop: Stop
    distance_m: float
    offset_m: float

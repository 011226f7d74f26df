"""A made road in the form of an Overpass answer: a motorway from west to east at 47.4 N, 0.3 degrees (22.6 km) long.

The form is that of wiki.openstreetmap.org/wiki/Overpass_API/Overpass_QL, `[out:json]` with `out body geom` and
`out body center`: elements with type, id, tags, nodes and geometry of ways, center of areas; osm3s has the time of the
data.
"""

from typing import Any

LAT, WEST, EAST = 47.4, -115.9, -115.6
M_PER_DEG_LON = 75_400.0  # at 47.4 N on WGS 84, rounded
NORTH_LANES, SOUTH_LANES = LAT + 0.0001, LAT - 0.0001  # westbound and eastbound, 22 m apart


def lon_at(distance_m: float) -> float:
    """Longitude at a distance from the west end."""
    return WEST + distance_m / M_PER_DEG_LON


def node(id_: int, distance_m: float, north_m: float = 0.0, **tags: str) -> dict[str, Any]:
    """A node beside the road; tag names with ":" are written with "__"."""
    return {
        "type": "node", "id": id_, "lat": LAT + north_m / 111_200.0, "lon": lon_at(distance_m), "tags": named(tags),
    }  # fmt: skip


def area(id_: int, distance_m: float, north_m: float, **tags: str) -> dict[str, Any]:
    """A closed way with its center, as for a rest area."""
    center = {"lat": LAT + north_m / 111_200.0, "lon": lon_at(distance_m)}
    return {"type": "way", "id": id_, "center": center, "nodes": [9001, 9002, 9001], "tags": named(tags)}


def way(
    id_: int, start_m: float, end_m: float, *, lat: float = SOUTH_LANES, nodes: tuple[int, ...] = (), **tags: Any
) -> dict[str, Any]:
    """A way of the eastbound road; of the westbound one with start_m > end_m and lat=NORTH_LANES."""
    at = [start_m + (end_m - start_m) * n / 4 for n in range(5)]
    return {
        "type": "way", "id": id_, "nodes": list(nodes) or [id_ * 1000, id_ * 1000 + 1],
        "geometry": [{"lat": lat, "lon": lon_at(m)} for m in at], "tags": named(tags),
    }  # fmt: skip


def named(tags: dict[str, Any]) -> dict[str, str]:
    """Tags with ":" for "__"."""
    return {key.replace("__", ":"): value for key, value in tags.items()}


ROAD: dict[str, Any] = {"highway": "motorway", "oneway": "yes", "ref": "I 90;US 10"}


def answer() -> dict[str, Any]:
    """The whole answer."""
    east = [
        way(1, 0, 6_000, nodes=(11, 12), maxspeed="75 mph", **ROAD),
        way(2, 6_000, 8_000, nodes=(12, 13), maxspeed="75 mph", maxspeed__hgv="65 mph", **ROAD),
        way(3, 8_000, 8_200, bridge="yes", bridge__name="Made Bridge", maxspeed__hgv="65 mph", **ROAD),
        way(4, 8_200, 12_000, nodes=(14, 15), maxspeed__hgv="65 mph", **ROAD),
        way(5, 12_000, 13_500, tunnel="yes", tunnel__name="Made Tunnel", maxspeed__hgv="50 mph", **ROAD),
        way(6, 13_500, 22_620, nodes=(16, 17), maxspeed__hgv="65 mph", **ROAD),
    ]
    west = [
        way(21, 22_620, 13_000, lat=NORTH_LANES, nodes=(31,), maxspeed__hgv="60 mph", **ROAD),
        way(22, 13_000, 12_200, lat=NORTH_LANES, tunnel="yes", maxspeed__hgv="60 mph", **ROAD),
        way(23, 12_200, 0, lat=NORTH_LANES, nodes=(32,), maxspeed__hgv="60 mph", **ROAD),
    ]
    crossing = {
        "type": "way", "id": 40, "nodes": [401, 402], "tags": {"highway": "primary", "bridge": "yes", "ref": "MT 7"},
        "geometry": [{"lat": LAT - 0.002, "lon": lon_at(5_000)}, {"lat": LAT + 0.002, "lon": lon_at(5_000)}],
    }  # fmt: skip
    beside = [
        node(12, 6_000, -11, highway="motorway_junction", ref="10"),
        node(15, 12_000, -11, highway="motorway_junction", ref="14"),
        node(31, 14_500, 11, highway="motorway_junction", ref="15"),  # of the other carriageway alone
        node(50, 16_100, -20, highway="milestone", distance="17"),
        node(51, 11_000, -30, name="Made Pass", **{"mountain_pass": "yes"}, ele="1390"),
        node(52, 9_000, 3_000, place="town", name="Madeville", population="3000"),
        area(60, 4_000, -120, highway="rest_area", name="Larch Rest Area", capacity__hgv="24", lit="yes"),
        area(61, 4_200, 120, highway="rest_area", name="Fir Rest Area"),
        node(62, 4_050, -140, amenity="parking", hgv="designated"),  # of the same rest area
        node(63, 6_600, 400, amenity="fuel", hgv="yes", name="Made Fuel"),  # reached by exit 10
        node(64, 16_300, -40, amenity="parking", parking="layby"),
        node(65, 19_000, -60, amenity="parking", name="Chain-up area", lit="no"),
        node(66, 20_000, -60, amenity="fuel", name="cars only"),
        node(67, 20_500, -60, amenity="parking", hgv="designated", access="private"),
    ]
    return {
        "version": 0.6,
        "generator": "Overpass API",
        "osm3s": {
            "timestamp_osm_base": "2026-11-20T06:00:00Z",
            "copyright": "The data included in this document is from www.openstreetmap.org. The data is made available "
            "under ODbL.",
        },
        "elements": [*east, *west, crossing, *beside],
    }

"""Fake api.weather.gov responses for synthetic zones and alerts; no forecasts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

BASE = "https://api.weather.gov"  # base of URLs inside responses, whichever server sends them

Box = tuple[float, float, float, float]  # west, south, east, north [deg]


@dataclass(frozen=True, slots=True, kw_only=True)
class FakeNws:
    """`zones`: by id, such as "forecast/MTZ001". `alerts`: features of the list. `updated`: the list's own time."""

    zones: Mapping[str, Box]
    alerts: Sequence[Mapping[str, Any]]
    updated: str

    def answer(self, path: str, params: Mapping[str, str]) -> Mapping[str, Any] | None:
        """Return the body for a request; None for an unknown path."""
        if path == "/alerts/active":
            return {"type": "FeatureCollection", "features": self._listed(params), "updated": self.updated}
        if path.startswith("/points/"):
            lat, lon = (float(part) for part in path.removeprefix("/points/").split(","))
            kinds = {"forecast": "forecastZone", "county": "county", "fire": "fireWeatherZone"}
            found = {kinds[z.partition("/")[0]]: f"{BASE}/zones/{z}" for z in self._at(lat, lon)}
            return {"type": "Feature", "properties": found}
        zone = self.zones.get(path.removeprefix("/zones/"))
        if zone is None:
            return None
        west, south, east, north = zone
        ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
        id_ = path.rpartition("/")[2]
        about = {"id": id_, "name": f"Made zone {id_}", "type": "public"}
        return {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}, "properties": about}

    def _at(self, lat: float, lon: float) -> list[str]:
        return [
            z for z, (west, south, east, north) in self.zones.items() if west <= lon < east and south <= lat < north
        ]

    def _listed(self, params: Mapping[str, str]) -> list[Mapping[str, Any]]:
        if "point" not in params:
            return list(self.alerts)
        lat, lon = (float(part) for part in params["point"].split(","))
        here = {f"{BASE}/zones/{z}" for z in self._at(lat, lon)}
        return [a for a in self.alerts if here & set(a["properties"]["affectedZones"])]


def make_alert(zones: Sequence[str], **changes: Any) -> dict[str, Any]:
    """An invented Winter Storm Warning for zones, on the morning of the demo; office and words are invented too."""
    properties = {
        "id": "urn:oid:made.1",
        "areaDesc": "Made Mountains",
        "geocode": {"UGC": [z.rpartition("/")[2] for z in zones]},
        "affectedZones": [f"{BASE}/zones/{z}" for z in zones],
        "sent": "2027-01-14T02:00:00-07:00",
        "onset": "2027-01-14T02:00:00-07:00",
        "expires": "2027-01-14T05:00:00-07:00",
        "ends": "2027-01-14T16:00:00-07:00",
        "status": "Actual",
        "messageType": "Update",
        "event": "Winter Storm Warning",
        "senderName": "NWS Made",
        "instruction": "If you must travel, carry chains.",
        "parameters": {"VTEC": ["/O.CON.KXXX.WS.W.0003.000000T0000Z-270114T2300Z/"]},
    }
    return {"type": "Feature", "geometry": None, "properties": properties | changes}

"""Fake api.weather.gov responses for synthetic zones and alerts, and for invented weather with its stations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from alertd.testing.nws.grid_format import OFFICE, Ground, Weather, cell_of, gridpoint, ring_of
from alertd.testing.nws.stations import FakeStation, FakeStations

BASE = "https://api.weather.gov"  # base of URLs inside responses, whichever server sends them

Box = tuple[float, float, float, float]  # west, south, east, north [deg]


@dataclass(frozen=True, slots=True, kw_only=True)
class Redirect:
    """An answer with status 301."""

    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FakeNwsWeather:
    """Forecast cells of invented weather over `ground`, and the reports of its stations."""

    stations: FakeStations
    ground: Ground

    def answer(self, path: str, params: Mapping[str, str], now_utc: datetime) -> Mapping[str, Any] | Redirect | None:
        """Return the body for a request about weather; None for another path."""
        parts = path.strip("/").split("/")
        match parts:
            case ["gridpoints", office, place] if office == OFFICE:
                x, y = (int(part) for part in place.split(","))
                return gridpoint(self.stations.storm, self.ground, x, y, now_utc)
            case ["gridpoints", office, place, "stations"] if office == OFFICE:
                x, y = (int(part) for part in place.split(","))
                west_north, east_south = ring_of(x, y)[0], ring_of(x, y)[2]
                lon, lat = (0.5 * (a + b) for a, b in zip(west_north, east_south, strict=True))
                return self.stations.near(lat, lon)
            case ["points", place, "stations"]:
                x, y = cell_of(*(float(part) for part in place.split(",")))
                return Redirect(path=f"/gridpoints/{OFFICE}/{x},{y}/stations")
            case ["stations", id_, "observations"]:
                return self.stations.observations(id_, params, now_utc)
        return None


def _cell_properties(lat_deg: float, lon_deg: float) -> dict[str, Any]:
    x, y = cell_of(lat_deg, lon_deg)
    cell = f"{BASE}/gridpoints/{OFFICE}/{x},{y}"
    return {
        "@type": "wx:Point",
        "cwa": OFFICE,
        "forecastOffice": f"{BASE}/offices/{OFFICE}",
        "gridId": OFFICE,
        "gridX": x,
        "gridY": y,
        "forecast": f"{cell}/forecast",
        "forecastHourly": f"{cell}/forecast/hourly",
        "forecastGridData": cell,
        "observationStations": f"{cell}/stations",
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class FakeNws:
    """`zones`: by id, such as "forecast/MTZ001". `alerts`: features of the list. `updated`: the list's own time, that
    of the request where it is empty. `weather`: forecasts and observations, none without it.
    """

    zones: Mapping[str, Box]
    alerts: Sequence[Mapping[str, Any]]
    updated: str
    weather: FakeNwsWeather | None = None

    def answer(
        self, path: str, params: Mapping[str, str], now_utc: datetime | None = None
    ) -> Mapping[str, Any] | Redirect | None:
        """Return the body for a request; None for an unknown path. now_utc: only for weather."""
        if path == "/alerts/active":
            updated = self.updated or (now_utc.isoformat() if now_utc else "")
            title = "Current watches, warnings, and advisories"
            return {
                "type": "FeatureCollection",
                "features": self._listed(params),
                "title": title,
                "updated": updated,
            }
        if self.weather is not None and now_utc is not None:
            found = self.weather.answer(path, params, now_utc)
            if found is not None:
                return found
        if path.startswith("/points/"):
            lat, lon = (float(part) for part in path.removeprefix("/points/").split(","))
            properties = {} if self.weather is None else _cell_properties(lat, lon)
            return {"type": "Feature", "properties": properties | self._zone_links(lat, lon)}
        zone = self.zones.get(path.removeprefix("/zones/"))
        if zone is None:
            return None
        west, south, east, north = zone
        ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
        id_ = path.rpartition("/")[2]
        about = {"id": id_, "name": f"Made zone {id_}", "type": "public"}
        return {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}, "properties": about}

    def _zone_links(self, lat: float, lon: float) -> dict[str, str]:
        kinds = {"forecast": "forecastZone", "county": "county", "fire": "fireWeatherZone"}
        return {kinds[z.partition("/")[0]]: f"{BASE}/zones/{z}" for z in self._at(lat, lon)}

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


def nws_of(storm: Weather, ground: Ground, stations: Sequence[FakeStation]) -> FakeNws:
    """The service for invented weather over a terrain, with stations and without any warning."""
    weather = FakeNwsWeather(stations=FakeStations(storm=storm, stations=stations), ground=ground)
    return FakeNws(zones={}, alerts=(), updated="", weather=weather)


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

"""Weather stations in invented weather, and their reports as METAR text, as api.weather.gov and as airport reports.

Routine reports at 53 minutes past each hour, as by automated stations of the United States: hourly and six-hourly
totals of water in hundredths of an inch (groups P and 6), none where nothing fell, snow depth (4/) where some lies.
Formats: FMH-1 (2019), recorded answers of both services. The snow depth is ten times the water of two days' snow.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any, Final

import numpy as np

from alertd.testing.nws.grid_format import Array, Weather
from alertd.units import HOUR_S, INCH_MM, KMH_MPS, KNOT_MPS

MINUTE: Final = 53
PUBLISHED_AFTER: Final = timedelta(minutes=5)
MOST_HISTORY_H: Final = 7 * 24
SNOW_RATIO: Final = 10.0
SNOW_LIES_BELOW_C: Final = 0.5
_GROUPS: Final[dict[int, str]] = {
    45: "FG", 48: "FZFG", 51: "-DZ", 53: "DZ", 55: "+DZ", 56: "-FZDZ", 57: "FZDZ", 61: "-RA", 63: "RA", 65: "+RA",
    66: "-FZRA", 67: "FZRA", 71: "-SN", 73: "SN", 75: "+SN", 77: "SG", 79: "-PL", 80: "-SHRA", 81: "SHRA", 82: "+SHRA",
    85: "-SHSN", 86: "+SHSN", 95: "TSRA",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FakeStation:
    """A station: its name as in reports, place and height."""

    id: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Report:
    """Values as in a report: rounded as there, water in hundredths of an inch. None where there is none."""

    at: datetime
    temp_c: float
    dew_c: float
    wind_kt: int
    wind_from_deg: int
    cover: str
    group: str
    hour_hundredths: int | None
    six_hours_hundredths: int | None
    snow_depth_in: int | None
    raw: str


@dataclass(kw_only=True)
class FakeStations:
    """The stations of a storm. silent: names of those that report nothing; silent_from: for reports from then on."""

    storm: Weather
    stations: Sequence[FakeStation]
    silent: frozenset[str] = frozenset()
    is_silent: Callable[[str, datetime], bool] = field(default=lambda _id, _at: False)

    def by_id(self, id_: str) -> FakeStation | None:
        return next((s for s in self.stations if s.id == id_), None)

    def near(self, lat_deg: float, lon_deg: float, count: int = 50) -> dict[str, Any]:
        """The body of /gridpoints/{}/stations: the nearest ones first."""

        def away(s: FakeStation) -> float:
            return float(np.hypot(s.lat_deg - lat_deg, (s.lon_deg - lon_deg) * np.cos(np.radians(lat_deg))))

        listed = sorted(self.stations, key=away)[:count]
        return {"type": "FeatureCollection", "features": [_station_feature(s) for s in listed]}

    def observations(self, id_: str, params: Mapping[str, str], now_utc: datetime) -> dict[str, Any] | None:
        """The body of /stations/{id}/observations, newest first; None for an unknown station."""
        station = self.by_id(id_)
        if station is None:
            return None
        end = min(_time(params.get("end")) or now_utc, now_utc)
        start = _time(params.get("start")) or now_utc - timedelta(hours=MOST_HISTORY_H)
        reports = self._reports(station, max(start, now_utc - timedelta(hours=MOST_HISTORY_H)), end, now_utc)
        newest = reports[::-1][: int(params.get("limit", 500))]
        return {"type": "FeatureCollection", "features": [_observation(station, r) for r in newest]}

    def metars(self, params: Mapping[str, str], now_utc: datetime) -> list[dict[str, Any]]:
        """The body of /api/data/metar for `ids` or a `bbox`, of the last `hours`; the newest report without them."""
        hours = float(params.get("hours", 0.0))
        if "ids" in params:
            named = [s for id_ in params["ids"].split(",") if (s := self.by_id(id_)) is not None]
        else:
            south, west, north, east = (float(edge) for edge in params["bbox"].split(","))
            named = [s for s in self.stations if south <= s.lat_deg <= north and west <= s.lon_deg <= east]
        out = []
        for station in named:
            reports = self._reports(station, now_utc - timedelta(hours=max(hours, 1.5)), now_utc, now_utc)
            out += [_airport_report(station, r) for r in reports[::-1][: None if hours else 1]]
        return out[:400]

    def _reports(self, station: FakeStation, start: datetime, end: datetime, now_utc: datetime) -> list[_Report]:
        first = start.astimezone(UTC).replace(minute=MINUTE, second=0, microsecond=0)
        count = int((end - first) / timedelta(hours=1)) + 2
        times = [first + timedelta(hours=h) for h in range(max(count, 0))]
        times = [at for at in times if start <= at <= end and at + PUBLISHED_AFTER <= now_utc]
        if station.id in self.silent or not times:
            return []
        reports = _make_reports(self.storm, station, times)
        return [r for r in reports if not self.is_silent(station.id, r.at)]


def stations_along(lat_deg: Array, lon_deg: Array, elevation_m: Array, every_km: float = 60.0) -> list[FakeStation]:
    """Stations for any road: one at the lowest place of each stretch, three kilometres beside it. Passes have none."""
    km = np.concatenate(
        ([0.0], np.cumsum(111.2 * np.hypot(np.diff(lat_deg), np.diff(lon_deg) * np.cos(np.radians(lat_deg[:-1])))))
    )
    stretch = (km // every_km).astype(int)
    names = ("".join(letters) for letters in product("ABCDEFGHIJ", repeat=2))
    out = []
    for part in np.unique(stretch):
        inside = np.flatnonzero(stretch == part)
        lowest = inside[int(np.argmin(elevation_m[inside]))]
        lat, lon = float(lat_deg[lowest]) + 0.027, float(lon_deg[lowest])
        out.append(FakeStation(id=f"KZ{next(names)}", lat_deg=lat, lon_deg=lon, elevation_m=float(elevation_m[lowest])))
    return out


def _make_reports(storm: Weather, station: FakeStation, times: Sequence[datetime]) -> list[_Report]:
    place = (station.lat_deg, station.lon_deg, station.elevation_m)
    epoch = np.asarray([at.timestamp() for at in times])
    now = storm.weather(*place, epoch)
    # Water of each of the 48 hours before each report, the last one first.
    back_s = HOUR_S * np.arange(48.0)[None, :, None] + HOUR_S * (np.arange(6.0) + 0.5) / 6.0
    before = storm.weather(*place, epoch[:, None, None] - back_s)
    water_mm = before["precipitation"].mean(axis=-1)
    lying = before["snowfall_water_equivalent"].mean(axis=-1).sum(axis=1)
    lying = np.where(now["temperature_2m"] < SNOW_LIES_BELOW_C, lying, 0.0)
    out = []
    for i, at in enumerate(times):
        synoptic = (at + timedelta(minutes=60 - MINUTE)).hour
        group = _GROUPS.get(int(now["weather_code"][i]), "")
        hour = round(float(water_mm[i, 0]) / INCH_MM * 100.0)
        six = round(float(water_mm[i, :6].sum()) / INCH_MM * 100.0)
        depth = round(SNOW_RATIO * float(lying[i]) / INCH_MM)
        fields: dict[str, Any] = dict(
            at=at,
            temp_c=round(float(now["temperature_2m"][i]), 1),
            dew_c=round(float(now["dew_point_2m"][i]), 1),
            wind_kt=round(float(now["wind_speed_10m"][i]) / KNOT_MPS),
            wind_from_deg=int(np.round(now["wind_direction_10m"][i] / 10.0) * 10) or 360,
            cover=_cover(float(now["cloud_cover"][i])),
            group=group,
            hour_hundredths=hour if water_mm[i, 0] > 0.0 else None,
            six_hours_hundredths=six if synoptic % 6 == 0 and six else None,
            snow_depth_in=depth if synoptic % 6 == 0 and depth else None,
        )
        out.append(_Report(raw=_text(station, fields), **fields))
    return out


def _cover(percent: float) -> str:
    """The amount of a layer by its oktas, FMH-1 table 9-2."""
    oktas = percent / 100.0 * 8.0
    amounts = ((0.4, "CLR"), (2.5, "FEW"), (4.5, "SCT"), (7.0, "BKN"))
    return next((amount for limit, amount in amounts if oktas < limit), "OVC")


def _text(station: FakeStation, r: Mapping[str, Any]) -> str:
    """A report as METAR text, FMH-1 chapter 12."""

    def whole(value: float) -> str:
        rounded = round(abs(value))
        return f"M{rounded:02}" if value < 0.0 else f"{rounded:02}"

    def tenths(value: float) -> str:
        return f"{int(value < 0.0)}{round(abs(value) * 10):03}"

    wind = "00000KT" if r["wind_kt"] == 0 else f"{r['wind_from_deg']:03}{r['wind_kt']:02}KT"
    sky = "CLR" if r["cover"] == "CLR" else f"{r['cover']}040"
    remarks = ["RMK", "AO2"]
    if r["hour_hundredths"] is not None:
        remarks.append(f"P{r['hour_hundredths']:04}")
    if r["six_hours_hundredths"] is not None:
        remarks.append(f"6{r['six_hours_hundredths']:04}")
    if r["snow_depth_in"] is not None:
        remarks.append(f"4/{r['snow_depth_in']:03}")
    remarks.append(f"T{tenths(r['temp_c'])}{tenths(r['dew_c'])}")
    temps = f"{whole(r['temp_c'])}/{whole(r['dew_c'])}"
    body = [station.id, f"{r['at']:%d%H%M}Z", "AUTO", wind, "10SM", r["group"], sky, temps]
    return " ".join([*filter(None, body), "A2992", *remarks])


def _time(text: str | None) -> datetime | None:
    return None if not text else datetime.fromisoformat(text)


def _station_feature(s: FakeStation) -> dict[str, Any]:
    return {
        "id": f"https://api.weather.gov/stations/{s.id}",
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [s.lon_deg, s.lat_deg]},
        "properties": {
            "@id": f"https://api.weather.gov/stations/{s.id}",
            "@type": "wx:ObservationStation",
            "elevation": {"unitCode": "wmoUnit:m", "value": s.elevation_m},
            "stationIdentifier": s.id,
            "name": f"Made Station {s.id}",
            "timeZone": "Etc/UTC",
        },
    }


def _observation(s: FakeStation, r: _Report) -> dict[str, Any]:
    def quantity(unit: str, value: float | None) -> dict[str, Any]:
        return {"unitCode": f"wmoUnit:{unit}", "value": value, "qualityControl": "Z" if value is None else "V"}

    def water(hundredths: int | None) -> float | None:
        return None if hundredths is None else round(hundredths * INCH_MM / 100.0, 3)

    url = f"https://api.weather.gov/stations/{s.id}"
    weather = [{"intensity": None, "modifier": None, "weather": "made", "rawString": r.group}] if r.group else []
    return {
        "id": f"{url}/observations/{r.at.isoformat()}",
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [s.lon_deg, s.lat_deg]},
        "properties": {
            "@id": f"{url}/observations/{r.at.isoformat()}",
            "@type": "wx:ObservationStation",
            "elevation": {"unitCode": "wmoUnit:m", "value": s.elevation_m},
            "station": url,
            "timestamp": r.at.isoformat(),
            "rawMessage": r.raw,
            "textDescription": "Made",
            "presentWeather": weather,
            "temperature": quantity("degC", r.temp_c),
            "dewpoint": quantity("degC", r.dew_c),
            "windDirection": quantity("degree_(angle)", r.wind_from_deg),
            "windSpeed": quantity("km_h-1", round(r.wind_kt * KNOT_MPS / KMH_MPS, 3)),
            "windGust": quantity("km_h-1", None),
            "visibility": quantity("m", 16090),
            "precipitationLastHour": quantity("mm", water(r.hour_hundredths)),
            "precipitationLast3Hours": quantity("mm", None),
            "precipitationLast6Hours": quantity("mm", water(r.six_hours_hundredths)),
            "relativeHumidity": quantity("percent", None),
            "cloudLayers": [{"base": {"unitCode": "wmoUnit:m", "value": 1220}, "amount": r.cover}],
        },
    }


def _airport_report(s: FakeStation, r: _Report) -> dict[str, Any]:
    def inches(hundredths: int | None) -> dict[str, float]:
        return {} if hundredths is None else {"v": round(hundredths / 100.0, 2)}

    report: dict[str, Any] = {
        "icaoId": s.id,
        "obsTime": int(r.at.timestamp()),
        "reportTime": f"{(r.at + timedelta(minutes=60 - MINUTE)):%Y-%m-%dT%H:%M:%S.000Z}",
        "temp": r.temp_c,
        "dewp": r.dew_c,
        "wdir": r.wind_from_deg,
        "wspd": r.wind_kt,
        "visib": "10+",
        "metarType": "METAR",
        "rawOb": f"METAR {r.raw}",
        "lat": s.lat_deg,
        "lon": s.lon_deg,
        "elev": round(s.elevation_m),
        "name": f"Made Station {s.id}",
        "cover": r.cover,
        "clouds": [{"cover": r.cover, "base": 4000}],
    }
    report |= {"wxString": r.group} if r.group else {}
    report |= {"precip": v["v"]} if (v := inches(r.hour_hundredths)) else {}
    report |= {"pcp6hr": v["v"]} if (v := inches(r.six_hours_hundredths)) else {}
    return report | ({"snow": r.snow_depth_in} if r.snow_depth_in is not None else {})

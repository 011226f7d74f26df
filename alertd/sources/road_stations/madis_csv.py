"""Road weather stations as a table of comma-separated values with the names of variables of NOAA's MADIS system.

The names are those of its mesonet and surface sets (roadTemperature1 to 4, roadState1 to 4, roadSubsurfaceTemp1 to 4,
stationId, latitude, longitude, elevation, observationTime, temperature, dewpoint, relHumidity, windSpeed, windGust,
visibility, and <name>DD for the check's letter). Units there: kelvin, metres, metres per second, percent; a table may
state others in a second row. Codes of roadState are from memory of its table of values and count only where the table
gives words in their place, or these codes.
"""

import csv
import io
from datetime import UTC, datetime
from typing import Final

from alertd.errors import SourceChanged
from alertd.forecast.observations import Station, on_earth
from alertd.forecast.road_observations import RoadReport, SurfaceState, state_of, within
from alertd.units import KELVIN_AT_0C, KMH_MPS, KNOT_MPS, MILE_M, MPH_MPS

MAX_ROWS: Final = 50_000
REFUSED: Final = frozenset("XQB")  # failed a check, questioned by one, or judged bad by hand (MADIS quality notes)
# NTCIP 1204 essSurfaceStatus, which MADIS passes on. A "warning" of ice or snow is its presence, a "watch" a wet road
# that may get there.
_CODES: Final = {
    "1": SurfaceState.UNKNOWN, "2": SurfaceState.UNKNOWN, "3": SurfaceState.DRY, "4": SurfaceState.MOIST,
    "5": SurfaceState.WET, "6": SurfaceState.WET, "7": SurfaceState.ICE, "8": SurfaceState.WET, "9": SurfaceState.SNOW,
    "10": SurfaceState.WET, "11": SurfaceState.WET, "12": SurfaceState.MOIST, "13": SurfaceState.FROST,
    "14": SurfaceState.MOIST,
}  # fmt: skip
# Name of a variable -> field and the unit that MADIS gives it in.
_NAMES: Final = {
    "roadtemperature": ("surface_temp_c", "kelvin"),
    "roadsubsurfacetemp": ("depth_temp_c", "kelvin"),
    "roadliquidfreezetemp": ("freezing_c", "kelvin"),
    "temperature": ("air_temp_c", "kelvin"),
    "dewpoint": ("dew_point_c", "kelvin"),
    "relhumidity": ("rh_frac", "percent"),
    "windspeed": ("wind_mps", "m/s"),
    "windgust": ("gust_mps", "m/s"),
    "visibility": ("visibility_m", "meter"),
    "friction": ("friction", ""),
    "roadfriction": ("friction", ""),
}
_UNITS: Final = {
    "kelvin": (1.0, -KELVIN_AT_0C), "k": (1.0, -KELVIN_AT_0C), "celsius": (1.0, 0.0), "degc": (1.0, 0.0),
    "c": (1.0, 0.0), "fahrenheit": (1.0 / 1.8, -32.0 / 1.8), "degf": (1.0 / 1.8, -32.0 / 1.8),
    "f": (1.0 / 1.8, -32.0 / 1.8), "percent": (0.01, 0.0), "%": (0.01, 0.0), "m/s": (1.0, 0.0),
    "meter/sec": (1.0, 0.0), "km/h": (KMH_MPS, 0.0), "mph": (MPH_MPS, 0.0), "knot": (KNOT_MPS, 0.0),
    "kt": (KNOT_MPS, 0.0), "meter": (1.0, 0.0), "m": (1.0, 0.0), "km": (1000.0, 0.0), "mile": (MILE_M, 0.0),
    "": (1.0, 0.0),
}  # fmt: skip
_LOWEST: Final = frozenset(("surface_temp_c", "friction", "depth_temp_c", "freezing_c", "visibility_m"))


def read_madis_csv(source: str, licence: str, body: bytes) -> tuple[RoadReport, ...]:
    """The newest report of each station. Raises SourceChanged for a table without the columns of a road station.

    A row that cannot be read is left out.
    """
    try:
        rows = list(csv.reader(io.StringIO(body.decode("utf-8-sig"))))
    except (UnicodeDecodeError, csv.Error) as exc:
        raise SourceChanged(source, f"is no table of comma-separated values ({exc})") from exc
    rows = [row for row in rows if row and not row[0].startswith("#")]
    if not rows or len(rows) > MAX_ROWS:
        raise SourceChanged(source, f"holds no rows, or more than {MAX_ROWS}")
    names = [cell.strip().lower() for cell in rows[0]]
    needed = ("stationid", "latitude", "longitude", "observationtime")
    if not all(name in names for name in needed) or not any(n.startswith("roadtemperature") for n in names):
        raise SourceChanged(source, f"has no columns {', '.join(needed)} and roadTemperature1")
    units, first = {}, 1
    if len(rows) > 1 and all(cell.strip().lower() in _UNITS for cell in rows[1]):
        units, first = dict(zip(names, (cell.strip().lower() for cell in rows[1]), strict=False)), 2
    newest: dict[str, RoadReport] = {}
    for row in rows[first:]:
        report = _report(source, licence, dict(zip(names, (c.strip() for c in row), strict=False)), units)
        if report is None:
            continue
        known = newest.get(report.station.id)
        if known is None or report.observed_at > known.observed_at:
            newest[report.station.id] = report
    return tuple(newest.values())


def _report(source: str, licence: str, row: dict[str, str], units: dict[str, str]) -> RoadReport | None:
    at = _time(row.get("observationtime", ""))
    lat, lon = _number(row.get("latitude", "")), _number(row.get("longitude", ""))
    id_ = row.get("stationid", "")
    if at is None or not id_ or not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
        return None
    fields: dict[str, float] = {}
    states: list[SurfaceState] = []
    for column, text in row.items():
        name = column.rstrip("1234")
        if not text or row.get(f"{column}dd", "") in REFUSED:
            continue
        if name == "roadstate":
            states.append(_CODES.get(text.removesuffix(".0")) or state_of([text]))
        elif name in _NAMES:
            field, unit = _NAMES[name]
            factor, offset = _UNITS[units.get(column, unit)]
            value = within(field, _number(text) * factor + offset)
            if value == value:
                worse = min if field in _LOWEST else max
                fields[field] = worse(fields.get(field, value), value)
    height_m = on_earth(_number(row.get("elevation", "")))
    order = list(SurfaceState)
    report = RoadReport(
        station=Station(id=id_, lat_deg=lat, lon_deg=lon, elevation_m=height_m), name=row.get("stationname", "") or id_,
        source=source, licence=licence, observed_at=at,
        state=max(states, key=order.index, default=SurfaceState.UNKNOWN), **fields,
    )  # fmt: skip
    return None if report.is_empty else report


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _time(text: str) -> datetime | None:
    """Seconds since 1970, or ISO 8601; without an offset it is UTC, as MADIS writes it."""
    try:
        if text.replace(".", "", 1).isdigit():
            return datetime.fromtimestamp(float(text), UTC)
        when = datetime.fromisoformat(text)
        return when.replace(tzinfo=UTC) if when.utcoffset() is None else when.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return None

"""Road weather stations in DATEX II: MeasuredDataPublication, at the sites of a MeasurementSiteTablePublication.

Read by local name, so that version 2 and 3 and the profiles of nations parse alike: TemperatureInformation,
RoadSurfaceConditionInformation, WeatherRelatedRoadConditions, WindInformation, VisibilityInformation and
HumidityInformation (CEN/TS 16157-5). Units are the model's own: degrees Celsius, km/h for wind, metres, percent.
Element names come from public answers of national operators and from memory; the schema of this part was not at hand.
"""

from datetime import datetime
from typing import Final
from xml.etree.ElementTree import Element

from alertd.errors import SourceChanged
from alertd.forecast.observations import Station
from alertd.forecast.road_observations import RoadReport, state_of, within
from alertd.sources.iso_time import iso_utc
from alertd.sources.road_feeds.datex import parse_xml
from alertd.sources.road_feeds.datex_location import first_point
from alertd.sources.road_feeds.xml_names import child, children, local, text
from alertd.units import KMH_MPS

MAX_SITES: Final = 50_000
# Element that holds a value, or one below it -> field, factor to SI.
_VALUES: Final = {
    "roadSurfaceTemperature": ("surface_temp_c", 1.0),
    "temperatureBelowRoadSurface": ("depth_temp_c", 1.0),
    "protectionTemperature": ("freezing_c", 1.0),
    "airTemperature": ("air_temp_c", 1.0),
    "dewPointTemperature": ("dew_point_c", 1.0),
    "relativeHumidity": ("rh_frac", 0.01),
    "windSpeed": ("wind_mps", KMH_MPS),
    "maximumWindSpeed": ("gust_mps", KMH_MPS),
    "minimumVisibilityDistance": ("visibility_m", 1.0),
    "friction": ("friction", 1.0),
    "coefficientOfFriction": ("friction", 1.0),
}
_STATES: Final = ("weatherRelatedRoadConditionType", "roadSurfaceCondition", "roadSurfaceConditionType")
_LOWEST: Final = frozenset(("surface_temp_c", "friction", "depth_temp_c", "visibility_m"))


def read_datex_measured(source: str, licence: str, sites: bytes, body: bytes) -> tuple[RoadReport, ...]:
    """The report of each site whose place the table gives. Raises SourceChanged for another document.

    sites: the table of sites; empty where the measurements give their places themselves.
    """
    root = parse_xml(source, body)
    measured = [e for e in root.iter() if local(e) == "siteMeasurements"]
    if not measured and not any("MeasuredDataPublication" in _kind(e) for e in root.iter()):
        raise SourceChanged(source, "holds no DATEX II MeasuredDataPublication")
    if len(measured) > MAX_SITES:
        raise SourceChanged(source, f"has more than {MAX_SITES} sites")
    table = _sites(parse_xml(source, sites)) if sites else {}
    reports = (_report(source, licence, table, one) for one in measured)
    return tuple(r for r in reports if r is not None)


def _kind(e: Element) -> str:
    return f"{local(e)[:1].upper()}{local(e)[1:]} " + " ".join(
        v.rpartition(":")[2].rpartition("}")[2] for k, v in e.attrib.items() if k.endswith("}type")
    )


def _sites(root: Element) -> dict[str, tuple[Station, str]]:
    """Station and name by the id of each site record."""
    found = {}
    for e in root.iter():
        if local(e) not in ("measurementSiteRecord", "measurementSite"):
            continue
        place = first_point(e)
        id_ = e.get("id", "")
        if place is not None and id_:
            names = [text(v) for n in children(e, "measurementSiteName") for v in n.iter() if local(v) == "value"]
            station = Station(id=id_, lat_deg=place[0], lon_deg=place[1], elevation_m=float("nan"))
            found[id_] = (station, names[0] if names and names[0] else id_)
    return found


def _report(source: str, licence: str, table: dict[str, tuple[Station, str]], e: Element) -> RoadReport | None:
    reference = child(e, "measurementSiteReference")
    id_ = (reference.get("id") or text(reference)) if reference is not None else ""
    known = table.get(id_)
    if known is None:
        place = first_point(e)
        if place is None or not id_:
            return None
        known = (Station(id=id_, lat_deg=place[0], lon_deg=place[1], elevation_m=float("nan")), id_)
    at = _measured_at(e)
    if at is None:
        return None
    fields: dict[str, float] = {}
    words: list[str] = []
    for one in e.iter():
        name = local(one)
        if name in _STATES:
            words.append(_spaced(text(one)))
        if name not in _VALUES or _faulty(one):
            continue
        field, factor = _VALUES[name]
        value = within(field, _number(one) * factor)
        if value == value:
            worse = min if field in _LOWEST else max
            fields[field] = worse(fields.get(field, value), value)
    report = RoadReport(
        station=known[0], name=known[1], source=source, licence=licence, observed_at=at, state=state_of(words), **fields
    )
    return None if report.is_empty else report


def _measured_at(e: Element) -> datetime | None:
    """The oldest time of the measurement, so that a value that stopped does not look new."""
    stated = [one for one in e.iter() if local(one) in ("measurementTimeDefault", "measurementTime")]
    written = [text(one) or text(next((v for v in one.iter() if local(v) == "timeValue"), None)) for one in stated]
    times = [t for t in map(iso_utc, written) if t is not None]
    return min(times) if times else None


def _faulty(e: Element) -> bool:
    return any(local(one) == "dataError" and text(one) in ("true", "1") for one in e.iter())


def _number(e: Element) -> float:
    """The number of an element, or of the only one below it that has one."""
    for one in e.iter():
        try:
            return float(text(one))
        except ValueError:
            continue
    return float("nan")


def _spaced(word: str) -> str:
    """wetAndIcyRoad -> wet and icy road."""
    return "".join(f" {c.lower()}" if c.isupper() else c for c in word)

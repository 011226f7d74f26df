"""Road weather stations in three forms. Values by hand; bodies of our own, in the published shapes.

Digitraffic: names of fields and sensors after public answers of the service. MADIS: names of its mesonet variables.
DATEX II: element names of CEN/TS 16157-5 as national operators send them.
"""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from alertd.errors import SourceChanged
from alertd.forecast.road_observations import RoadReport, SurfaceState, state_of
from alertd.sources.road_stations.datex_measured import read_datex_measured
from alertd.sources.road_stations.digitraffic import read_digitraffic
from alertd.sources.road_stations.madis_csv import read_madis_csv

AT = "2027-01-14T05:40:00Z"
WHEN = datetime(2027, 1, 14, 5, 40, tzinfo=UTC)


def sensor(name: str, value: Any, unit: str | None = "°C", **more: Any) -> dict[str, Any]:
    return {"id": 1, "name": name, "shortName": name, "measuredTime": AT, "value": value, "unit": unit} | more


PLACES = {
    "type": "FeatureCollection",
    "features": [
        {"type": "Feature", "id": 1001, "geometry": {"type": "Point", "coordinates": [24.9, 60.3, 0.0]},
         "properties": {"id": 1001, "name": "vt4_Made_Hill"}},
        {"type": "Feature", "id": 1002, "geometry": None, "properties": {"id": 1002, "name": "nowhere"}},
    ],
}  # fmt: skip
SENSORS = [
    sensor("ILMA", -4.2), sensor("TIE_1", -2.1), sensor("TIE_2", -3.4), sensor("MAA_1", 1.5),
    sensor("KELI_1", 7.0, "***", sensorValueDescriptionEn="Ice"), sensor("TIENPINNAN_TILA_1", 3.0, "***"),
    sensor("KITKA3_LUKU", 0.24, "///"), sensor("KESKITUULI", 6.0, "m/s"), sensor("MAKSIMITUULI", 16.0, "m/s"),
    sensor("NÄKYVYYS_M", 800.0, "m"), sensor("ILMAN_KOSTEUS", 95.0, "%"), sensor("JÄÄTYMISPISTE_1", -0.4),
]  # fmt: skip


def digitraffic(*sensors: Any, updated: str | None = AT) -> tuple[RoadReport, ...]:
    stations = [{"id": 1001, "dataUpdatedTime": updated, "sensorValues": list(sensors)}]
    return read_digitraffic("Fintraffic", "CC BY 4.0", PLACES, {"dataUpdatedTime": AT, "stations": stations})


def test_a_finnish_station_is_read_whole() -> None:
    """Of two lanes the colder counts; a code without a published meaning counts for nothing."""
    (r,) = digitraffic(*SENSORS)
    assert (r.station.id, r.name, r.source, r.licence) == ("1001", "vt4 Made Hill", "Fintraffic", "CC BY 4.0")
    assert (r.station.lat_deg, r.station.lon_deg) == (60.3, 24.9)
    assert np.isnan(r.station.elevation_m)  # 0 is a placeholder
    assert (r.surface_temp_c, r.air_temp_c, r.depth_temp_c, r.freezing_c) == (-3.4, -4.2, 1.5, -0.4)
    assert (r.state, r.friction, r.visibility_m) == (SurfaceState.ICE, 0.24, 800.0)
    assert (r.wind_mps, r.gust_mps, r.rh_frac) == pytest.approx((6.0, 16.0, 0.95))
    assert (r.observed_at, r.slick) == (WHEN, True)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        (sensor("TIE_1", None), "surface_temp_c"),
        (sensor("TIE_1", 28.0, "°F"), "surface_temp_c"),
        (sensor("TIE_1", 500.0), "surface_temp_c"),
        (sensor("KITKA1", 82.0, ""), "friction"),
        ({"name": "TIE_1", "value": "cold"}, "surface_temp_c"),
    ],
)
def test_a_value_that_cannot_be_meant_is_unknown(changed: Any, field: str) -> None:
    (r,) = digitraffic(sensor("KELI_1", 1.0, sensorValueDescriptionEn="Dry"), changed)
    assert np.isnan(getattr(r, field))
    assert r.state is SurfaceState.DRY


def test_faults_are_no_surface_and_old_values_keep_their_time() -> None:
    assert digitraffic(sensor("KELI_1", 0.0, sensorValueDescriptionEn="The sensor has a fault")) == ()
    old = sensor("TIE_1", -3.0) | {"measuredTime": "2027-01-13T05:40:00Z"}
    (r,) = digitraffic(old, sensor("ILMA", 1.0))
    assert r.observed_at == datetime(2027, 1, 13, 5, 40, tzinfo=UTC)


@pytest.mark.parametrize("body", [[], {}, {"stations": {}}, {"stations": [{"id": None}]}])
def test_another_shape_is_no_empty_answer(body: Any) -> None:
    with pytest.raises(SourceChanged):
        read_digitraffic("Fintraffic", "CC BY 4.0", PLACES, body)


MADIS = """stationId,stationName,latitude,longitude,elevation,observationTime,roadTemperature1,roadTemperature1DD,\
roadTemperature2,roadState1,roadSubsurfaceTemp1,temperature,windSpeed,visibility
IDA01,Made Pass,47.45,-115.70,1436,1799905200,270.15,V,271.15,7,274.15,269.15,5.0,402.3
IDA01,Made Pass,47.45,-115.70,1436,1799901600,275.15,V,,3,,,,
IDA02,Bad Road,47.46,-115.71,1400,2027-01-14T05:40:00Z,999,V,,wet,,,,
IDA03,Refused,47.46,-115.71,1400,2027-01-14T05:40:00,270.15,X,,,,,,
,,,,,,270.15,V,,,,,,
"""


def test_a_madis_table_is_read_by_its_names() -> None:
    """Kelvin to Celsius: 270.15 is -3.0. Of two rows of a station the newer counts; code 7 is an ice warning."""
    first, second = read_madis_csv("net", "terms", MADIS.encode())
    assert (first.station.id, first.name, first.station.elevation_m) == ("IDA01", "Made Pass", 1436.0)
    assert (first.surface_temp_c, first.depth_temp_c, first.air_temp_c) == pytest.approx((-3.0, 1.0, -4.0))
    assert (first.state, first.visibility_m, first.wind_mps) == (SurfaceState.ICE, 402.3, 5.0)
    assert first.observed_at == datetime(2027, 1, 14, 5, 40, tzinfo=UTC)
    assert (second.station.id, second.state, np.isnan(second.surface_temp_c)) == ("IDA02", SurfaceState.WET, True)


def test_a_row_of_units_is_used() -> None:
    table = (
        "stationId,latitude,longitude,observationTime,roadTemperature1,windSpeed\n,,,,fahrenheit,mph\n"
        "A,47.4,-115.7,1799905200,23,10\n"
    )
    (r,) = read_madis_csv("net", "terms", table.encode())
    assert (r.surface_temp_c, r.wind_mps) == pytest.approx((-5.0, 4.4704))


@pytest.mark.parametrize("body", [b"", b"\xff\xfe\x00", b"<html></html>", b"stationId,latitude\nA,1\n"])
def test_what_is_no_table_of_road_stations_is_refused(body: bytes) -> None:
    with pytest.raises(SourceChanged):
        read_madis_csv("net", "terms", body)


SITES = """<d2:payload xmlns:d2="http://datex2.eu/schema/3/d2Payload" xmlns:roa="http://datex2.eu/schema/3/roadTrafficData"
 xmlns:loc="http://datex2.eu/schema/3/locationReferencing" xmlns:com="http://datex2.eu/schema/3/common"><roa:measurementSiteTable>
 <roa:measurementSite id="S1"><roa:measurementSiteName><com:values><com:value>Made Saddle</com:value></com:values>
 </roa:measurementSiteName><roa:measurementSiteLocation><loc:pointByCoordinates><loc:pointCoordinates><loc:latitude>47.0
 </loc:latitude><loc:longitude>11.5</loc:longitude></loc:pointCoordinates></loc:pointByCoordinates>
 </roa:measurementSiteLocation></roa:measurementSite></roa:measurementSiteTable></d2:payload>"""
MEASURED = """<payloadPublication xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
 xsi:type="MeasuredDataPublication">
 <siteMeasurements><measurementSiteReference id="S1" version="1"/><measurementTimeDefault>2027-01-14T06:40:00+01:00
 </measurementTimeDefault>
 <measuredValue index="1"><measuredValue><basicData xsi:type="RoadSurfaceConditionInformation">
  <weatherRelatedRoadConditionType>blackIce</weatherRelatedRoadConditionType><roadSurfaceConditionMeasurements>
  <roadSurfaceTemperature><temperature>-3.0</temperature></roadSurfaceTemperature></roadSurfaceConditionMeasurements>
 </basicData></measuredValue></measuredValue>
 <measuredValue index="2"><measuredValue><basicData xsi:type="WindInformation"><wind><windSpeed><speed>36</speed>
 </windSpeed></wind></basicData></measuredValue></measuredValue>
 <measuredValue index="3"><measuredValue><basicData xsi:type="TemperatureInformation"><temperature><airTemperature>
 <dataError>true</dataError><temperature>-40</temperature></airTemperature></temperature></basicData></measuredValue>
 </measuredValue></siteMeasurements>
 <siteMeasurements><measurementSiteReference id="S9"/>
 <measurementTimeDefault>2027-01-14T06:40:00Z</measurementTimeDefault>
 </siteMeasurements></payloadPublication>"""


def test_datex_measurements_are_read_at_their_sites() -> None:
    """Wind is in km/h: 36 is 10 m/s. A value marked as an error is unknown; a site without a place is left out."""
    (r,) = read_datex_measured("op", "CC BY 4.0", SITES.encode(), MEASURED.encode())
    assert (r.station.id, r.name, r.station.lat_deg, r.station.lon_deg) == ("S1", "Made Saddle", 47.0, 11.5)
    assert (r.surface_temp_c, r.state, r.wind_mps) == (-3.0, SurfaceState.ICE, 10.0)
    assert (r.observed_at, np.isnan(r.air_temp_c)) == (WHEN, True)


def test_another_publication_is_refused() -> None:
    with pytest.raises(SourceChanged, match="no DATEX II MeasuredDataPublication"):
        read_datex_measured("op", "", b"", b"<payloadPublication/>")


@pytest.mark.parametrize(
    ("words", "state"),
    [
        (["Dry"], SurfaceState.DRY), (["Moist"], SurfaceState.MOIST), (["Wet & salty"], SurfaceState.WET),
        (["Frost"], SurfaceState.FROST), (["Snow"], SurfaceState.SNOW), (["Slushy"], SurfaceState.SLUSH),
        (["Ice watch"], SurfaceState.WET), (["ice warning"], SurfaceState.ICE), (["chemically wet"], SurfaceState.WET),
        (["Dry", "Ice"], SurfaceState.ICE), (["Error"], SurfaceState.UNKNOWN), ([], SurfaceState.UNKNOWN),
        (["a word of tomorrow"], SurfaceState.UNKNOWN),
    ],
)  # fmt: skip
def test_words_of_services_name_a_state(words: list[str], state: SurfaceState) -> None:
    """English texts of Digitraffic's KELI sensors, and of NTCIP 1204 essSurfaceStatus."""
    assert state_of(words) is state

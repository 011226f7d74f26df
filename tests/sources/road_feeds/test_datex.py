"""DATEX II version 3: what its records mean, and documents that are broken or hostile.

Element names and enumerations: CEN/TS 16157 XSDs v3.0 to v3.7 (WinterEquipmentManagementTypeEnum,
ComplianceOptionEnum, ValidityStatusEnum, InformationStatusEnum, RoadOrCarriagewayOrLaneManagementTypeEnum,
DirectionEnum, VehicleTypeEnum, Period). `SAMPLE` is shaped after a record that is valid against the v3.7 XSD set. From
memory, without a source: cancel and end.
"""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from alertd.errors import SourceChanged
from alertd.sources.road_feeds.datex import CLOSED_WORDS, SHORT_CLOSURES, read_datex
from alertd.sources.road_feeds.datex_scope import BEARINGS, NO_TRUCKS

RECORDED = Path(__file__).resolve().parents[4] / "shared" / "recorded"
FEEDS = Path(__file__).resolve().parents[3] / "fixtures" / "feeds"
SAMPLE = """<d2:payload xmlns:d2="http://datex2.eu/schema/3/d2Payload" xmlns:com="http://datex2.eu/schema/3/common"
  xmlns:sit="http://datex2.eu/schema/3/situation" xmlns:loc="http://datex2.eu/schema/3/locationReferencing"
  xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:type="sit:SituationPublication" lang="en" modelBaseVersion="3">
 <com:publicationTime>2026-01-15T05:00:00Z</com:publicationTime>
 <com:publicationCreator><com:country>at</com:country><com:nationalIdentifier>EXAMPLE</com:nationalIdentifier></com:publicationCreator>
 <sit:situation id="S1">
  <sit:overallSeverity>high</sit:overallSeverity>
  <sit:headerInformation><com:informationStatus>real</com:informationStatus></sit:headerInformation>
  <sit:situationRecord xsi:type="sit:WinterDrivingManagement" id="S1_R1" version="1">
   <sit:situationRecordCreationTime>2026-01-15T04:50:00Z</sit:situationRecordCreationTime>
   <sit:situationRecordVersionTime>2026-01-15T04:50:00Z</sit:situationRecordVersionTime>
   <sit:probabilityOfOccurrence>certain</sit:probabilityOfOccurrence>
   <sit:validity><com:validityStatus>definedByValidityTimeSpec</com:validityStatus>
     <com:validityTimeSpecification><com:overallStartTime>2026-01-15T04:50:00Z</com:overallStartTime><com:overallEndTime>2026-01-15T20:00:00Z</com:overallEndTime></com:validityTimeSpecification></sit:validity>
   <sit:locationReference xsi:type="loc:PointLocation"><loc:pointByCoordinates><loc:pointCoordinates>
     <loc:latitude>47.0</loc:latitude><loc:longitude>11.5</loc:longitude></loc:pointCoordinates></loc:pointByCoordinates></sit:locationReference>
   <sit:complianceOption>mandatory</sit:complianceOption>
   <sit:forVehiclesWithCharacteristicsOf><com:vehicleType>heavyGoodsVehicle</com:vehicleType></sit:forVehiclesWithCharacteristicsOf>
   <sit:winterEquipmentManagementType>useSnowChains</sit:winterEquipmentManagementType>
  </sit:situationRecord>
 </sit:situation>
</d2:payload>"""  # noqa: E501
POINT = SAMPLE[SAMPLE.index("<loc:pointByCoordinates>") : SAMPLE.index("</sit:locationReference>")]


def with_location(inner: str, kind: str = "loc:LinearLocation") -> bytes:
    return SAMPLE.replace(POINT, inner).replace("loc:PointLocation", kind).encode()


def test_chains_mandatory_at_a_point() -> None:
    content = read_datex("x", SAMPLE.encode())
    (row,) = content.rows
    assert content.published == datetime(2026, 1, 15, 5, tzinfo=UTC)
    assert (row.id, row.text, row.closed) == ("S1_R1", "mandatory useSnowChains", False)
    assert (row.since, row.until) == (datetime(2026, 1, 15, 4, 50, tzinfo=UTC), datetime(2026, 1, 15, 20, tzinfo=UTC))
    assert [w.near for w in row.wheres] == [(47.0, 11.5)]


def test_prefixes_are_only_names_of_namespaces() -> None:
    renamed = SAMPLE.replace("sit:", "q1:").replace("xmlns:sit", "xmlns:q1").replace("loc:", "w:")
    renamed = renamed.replace("xmlns:loc", "xmlns:w")
    assert read_datex("x", renamed.encode()).rows == read_datex("x", SAMPLE.encode()).rows
    other = SAMPLE.replace('xmlns:sit="http://datex2.eu/schema/3/situation"', 'xmlns:sit="urn:other"')
    with pytest.raises(SourceChanged, match="no DATEX II version 3 SituationPublication"):
        read_datex("x", other.encode())


def test_a_publication_within_a_container_is_found() -> None:
    wrapped = f'<m:messageContainer xmlns:m="http://datex2.eu/schema/3/messageContainer">{SAMPLE}</m:messageContainer>'
    assert len(read_datex("x", wrapped.encode()).rows) == 1


@pytest.mark.parametrize(
    ("old", "new", "left_out"),
    [
        (">real<", ">test<", "1 marked as test, not real"),
        (">real<", ">securityExercise<", "1 marked as securityExercise, not real"),
        (">definedByValidityTimeSpec<", ">suspended<", "1 suspended"),
        (">useSnowChains<", ">doNotUseStudTyres<", "1 about studs only"),
        ("sit:WinterDrivingManagement", "sit:AbnormalTraffic", "1 of other kinds"),
    ],
)
def test_what_is_no_control_is_left_out_and_counted(old: str, new: str, left_out: str) -> None:
    content = read_datex("x", SAMPLE.replace(old, new).encode())
    assert (content.rows, content.left_out) == ((), (left_out,))


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        (">mandatory<", ">advisory<", "advisory useSnowChains"),
        (">useSnowChains<", ">useSnowChainsOrTyres<", "mandatory useSnowChainsOrTyres"),
        (">useSnowChains<", ">useSnowchains<", "mandatory useSnowchains"),  # no value of the enumeration: as it stands
        ("<sit:complianceOption>mandatory</sit:complianceOption>", "", "useSnowChains"),
    ],
)
def test_words_are_told_apart_and_looked_up_whole(old: str, new: str, text: str) -> None:
    assert [r.text for r in read_datex("x", SAMPLE.replace(old, new).encode()).rows] == [text]


def test_an_active_record_stands_whatever_its_times_say() -> None:
    (row,) = read_datex("x", SAMPLE.replace("definedByValidityTimeSpec", "active").encode()).rows
    assert row.stands_now


def test_a_closed_road_is_a_closure() -> None:
    body = SAMPLE.replace("sit:WinterDrivingManagement", "sit:RoadOrCarriagewayOrLaneManagement").replace(
        "<sit:winterEquipmentManagementType>useSnowChains</sit:winterEquipmentManagementType>",
        "<sit:roadOrCarriagewayOrLaneManagementType>roadClosed</sit:roadOrCarriagewayOrLaneManagementType>",
    )
    (row,) = read_datex("x", body.encode()).rows
    assert (row.text, row.closed) == ("roadClosed", True)
    other = read_datex("x", body.replace(">roadClosed<", ">weightRestrictionInOperation<").encode())
    assert other.left_out == ("1 of road management other than closing",)


LINE = "<loc:gmlLineString{srs}><loc:posList>{list}</loc:posList></loc:gmlLineString>"


@pytest.mark.parametrize(
    ("srs", "numbers", "line"),
    [
        ("", "47.0 11.5 47.1 11.6", ((47.0, 11.5), (47.1, 11.6))),
        (' srsName="EPSG:4326"', "47.0 11.5 47.1 11.6", ((47.0, 11.5), (47.1, 11.6))),
        (' srsName="http://www.opengis.net/def/crs/EPSG/0/4326"', "47.0 11.5 47.1 11.6", ((47.0, 11.5), (47.1, 11.6))),
        (' srsName="urn:ogc:def:crs:OGC:1.3:CRS84"', "11.5 47.0 11.6 47.1", ((47.0, 11.5), (47.1, 11.6))),
        (' srsName="EPSG:31287"', "450000 400000 460000 410000", None),  # metres of a national grid
        ("", "47.0 11.5 47.1", None),
        ("", "470 11.5 47.1 11.6", None),
        ("", "here there", None),
        ("", "", None),
    ],
)
def test_lines_in_degrees_are_read_and_others_are_not_placed(
    srs: str, numbers: str, line: tuple[tuple[float, float], ...] | None
) -> None:
    (row,) = read_datex("x", with_location(LINE.format(srs=srs, list=numbers))).rows
    assert [w.line for w in row.wheres] == ([] if line is None else [line])


def test_two_points_of_a_linear_location_are_its_ends() -> None:
    ends = POINT + POINT.replace("47.0", "47.2")
    (row,) = read_datex("x", with_location(ends)).rows
    assert [w.between for w in row.wheres] == [((47.0, 11.5), (47.2, 11.5))]


def test_a_location_of_codes_only_is_not_placed() -> None:
    (row,) = read_datex("x", with_location("<loc:alertCLinear/>")).rows
    assert row.wheres == ()


def test_a_place_for_drawing_counts_where_there_is_no_other() -> None:
    drawn = "<loc:coordinatesForDisplay><loc:latitude>46.0</loc:latitude><loc:longitude>10.0</loc:longitude></loc:coordinatesForDisplay>"  # noqa: E501
    assert [w.near for w in read_datex("x", with_location(drawn)).rows[0].wheres] == [(46.0, 10.0)]
    both = read_datex("x", with_location(drawn + POINT, "loc:PointLocation")).rows[0]
    assert [w.near for w in both.wheres] == [(47.0, 11.5)]


def test_the_invented_feed_reads_as_its_read_me_says() -> None:
    content = read_datex("x", (FEEDS / "conditions.xml").read_bytes())
    assert [(r.id, r.text, len(r.wheres)) for r in content.rows] == [
        ("S1_R1", "mandatory useSnowChains", 1),
        ("S1_R2", "advisory useSnowChains", 1),
        ("S2_R1", "roadClosed", 0),
    ]
    assert content.rows[0].quote == "mandatory useSnowChains: heavy goods vehicles, from the tunnel on"
    assert content.left_out == ("1 of other kinds", "1 marked as test, not real")


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (f'<!DOCTYPE d [<!ENTITY l0 "ha">{LAUGHS}]><d>&l9;</d>', "document type or an entity"),  # billion laughs
        ('<!DOCTYPE d [<!ENTITY x SYSTEM "file:///etc/hostname">]><d>&x;</d>', "document type or an entity"),
        ('<!DOCTYPE d SYSTEM "http://127.0.0.1:9/d.dtd"><d/>', "document type or an entity"),
        ('<!DOCTYPE d [<!ENTITY % x SYSTEM "http://127.0.0.1:9/d.dtd"> %x;]><d/>', "document type or an entity"),
        ("<d>" * 5000 + "</d>" * 5000, "nested deeper than 100"),
        (SAMPLE[: len(SAMPLE) // 2], "not whole XML"),
        ("", "not whole XML"),
        ("<html><body>Service unavailable</body></html>", "no DATEX II version 3"),
        ('<a:b xsi:type="c"/>', "not whole XML"),  # prefixes that nothing binds
        ("\x00\x01", "not whole XML"),
        ('<?xml version="1.0" encoding="no-such"?><d/>', "not whole XML"),
        ('<d2LogicalModel xmlns="http://datex2.eu/schema/2/2_0"/>', "DATEX II version 2"),
    ],
    ids=["billion laughs", "external entity", "external DTD", "parameter entity", "deep", "half", "empty", "HTML",
         "unbound prefix", "binary", "unknown encoding", "version 2"],
)  # fmt: skip
def test_broken_and_hostile_documents_are_refused_in_one_line(body: str, expected: str) -> None:
    with pytest.raises(SourceChanged, match=expected) as refused:
        read_datex("x", body.encode())
    assert "\n" not in str(refused.value)


CLOSED = SAMPLE.replace("sit:WinterDrivingManagement", "sit:RoadOrCarriagewayOrLaneManagement").replace(
    "<sit:winterEquipmentManagementType>useSnowChains</sit:winterEquipmentManagementType>",
    "<sit:roadOrCarriagewayOrLaneManagementType>roadClosed</sit:roadOrCarriagewayOrLaneManagementType>",
)


@pytest.mark.parametrize("word", ["carriagewayClosures", "overnightClosures", "closedPermanentlyForTheWinter"])
def test_every_closing_word_closes(word: str) -> None:
    (row,) = read_datex("x", CLOSED.replace("roadClosed", word).encode()).rows
    assert (row.closed, row.text) == (True, word)


def test_a_closure_of_minutes_is_kept_but_is_not_a_closure() -> None:
    (row,) = read_datex("x", CLOSED.replace("roadClosed", "intermittentShortTermClosures").encode()).rows
    assert (row.closed, row.text) == (False, "intermittentShortTermClosures")


def test_a_publication_as_root_needs_no_type() -> None:
    """Finland's operator sends `sit:situationPublication` as root, and a record's children without a namespace."""
    bare = SAMPLE.replace("<d2:payload", "<sit:situationPublication").replace(
        "</d2:payload", "</sit:situationPublication"
    )
    bare = bare.replace(' xsi:type="sit:SituationPublication"', "")
    for name in ("locationReference", "complianceOption", "winterEquipmentManagementType"):
        bare = bare.replace(f"sit:{name}", name)
    for name in ("pointByCoordinates", "pointCoordinates", "latitude", "longitude"):
        bare = bare.replace(f"loc:{name}", name)
    assert read_datex("x", bare.encode()).rows == read_datex("x", SAMPLE.encode()).rows


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.exists(), reason="the reference folder ../shared is not beside the checkout")
def test_the_finnish_publication_is_read() -> None:
    """One SpeedManagement record, published 2025-10-17 08:15:52.992 UTC (digitraffic-cdk, datex2_35_files.ts)."""
    content = read_datex("fi", (RECORDED / "datex2_v3.5_fi_situationPublication_2025.xml").read_bytes())
    assert content.published == datetime(2025, 10, 17, 8, 15, 52, 992_000, tzinfo=UTC)
    assert (content.rows, content.left_out) == ((), ("1 of other kinds",))


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.exists(), reason="the reference folder ../shared is not beside the checkout")
@pytest.mark.parametrize("version", ["3.1", "3.7"])
def test_the_words_are_those_of_the_schemas(version: str) -> None:
    def values(file: str, enumeration: str) -> set[str]:
        text = (RECORDED / f"datex2_v{version}_{file}.xsd").read_text()
        part = text[text.index(f'simpleType name="{enumeration}"') :]
        return set(re.findall(r'enumeration value="(\w+)"', part[: part.index("</xs:simpleType>")]))

    management = values("Situation", "RoadOrCarriagewayOrLaneManagementTypeEnum")
    assert management >= CLOSED_WORDS | SHORT_CLOSURES
    assert values("Common", "VehicleTypeEnum") >= NO_TRUCKS
    assert values("LocationReferencing", "DirectionEnum") >= set(BEARINGS)


@pytest.mark.parametrize(
    ("directions", "bearing"),
    [(("eastBound",), 90.0), (("bothWays",), None), (("aligned",), None), (("eastBound", "westBound"), None)],
)
def test_a_direction_counts_only_where_it_is_of_the_compass(directions: tuple[str, ...], bearing: float | None) -> None:
    given = "".join(f"<sit:applicableForTrafficDirection>{d}</sit:applicableForTrafficDirection>" for d in directions)
    body = SAMPLE.replace("<sit:complianceOption>", f"{given}<sit:complianceOption>")
    assert read_datex("x", body.encode()).rows[0].bearing_deg == bearing


LIGHT = (
    "<com:grossWeightCharacteristic><com:comparisonOperator>{}</com:comparisonOperator>"
    "<com:grossVehicleWeight>{}</com:grossVehicleWeight></com:grossWeightCharacteristic>"
)


@pytest.mark.parametrize(
    ("characteristics", "kept"),
    [
        ("<com:vehicleType>passengerCar</com:vehicleType>", 0),
        ("<com:vehicleType>passengerCar</com:vehicleType><com:vehicleType>lorry</com:vehicleType>", 1),
        ("<com:vehicleType>vehicleWithTrailer</com:vehicleType>", 1),
        (LIGHT.format("lessThan", "3.5"), 0),
        (LIGHT.format("greaterThan", "3.5"), 1),
        (LIGHT.format("lessThan", "heavy"), 1),
        ("", 1),
    ],
)
def test_a_record_for_other_vehicles_is_left_out(characteristics: str, kept: int) -> None:
    body = SAMPLE.replace("<com:vehicleType>heavyGoodsVehicle</com:vehicleType>", characteristics)
    content = read_datex("x", body.encode())
    assert len(content.rows) == kept
    assert content.left_out == (() if kept else ("1 for vehicles other than trucks",))


PERIOD = "<com:validPeriod>{}</com:validPeriod></com:validityTimeSpecification>"


def with_period(inner: str, overall_end: str = "2026-01-18T20:00:00Z") -> bytes:
    body = CLOSED.replace("</com:validityTimeSpecification>", PERIOD.format(inner))
    return body.replace("2026-01-15T20:00:00Z", overall_end).encode()


def test_a_nightly_closure_is_closed_at_night_only() -> None:
    """22:00 to 05:00 in Vienna, UTC+1 in January, within 15 Jan 04:50 to 18 Jan 20:00 UTC; by hand."""
    hours = (
        "<com:recurringTimePeriodOfDay><com:startTimeOfPeriod>22:00:00</com:startTimeOfPeriod>"
        "<com:endTimeOfPeriod>05:00:00</com:endTimeOfPeriod></com:recurringTimePeriodOfDay>"
    )
    rows = read_datex("x", with_period(hours), "Europe/Vienna").rows
    assert [(r.since, r.until) for r in rows] == [
        (datetime(2026, 1, d, 21, tzinfo=UTC), datetime(2026, 1, d + 1, 4, tzinfo=UTC)) for d in (15, 16, 17)
    ]
    assert all(r.closed for r in rows)


def test_a_recurring_period_without_a_zone_counts_throughout() -> None:
    hours = (
        "<com:recurringTimePeriodOfDay><com:startTimeOfPeriod>22:00:00</com:startTimeOfPeriod>"
        "<com:endTimeOfPeriod>05:00:00</com:endTimeOfPeriod></com:recurringTimePeriodOfDay>"
    )
    (row,) = read_datex("x", with_period(hours)).rows
    assert (row.since, row.until) == (datetime(2026, 1, 15, 4, 50, tzinfo=UTC), datetime(2026, 1, 18, 20, tzinfo=UTC))
    assert "only at times" in row.quote


def test_days_of_the_week_limit_a_period() -> None:
    """17 January 2026 is a Saturday."""
    day = "<com:applicableDay>saturday</com:applicableDay>"
    week = f"<com:recurringDayWeekMonthPeriod>{day}</com:recurringDayWeekMonthPeriod>"
    (row,) = read_datex("x", with_period(week), "UTC").rows
    assert (row.since, row.until) == (datetime(2026, 1, 17, tzinfo=UTC), datetime(2026, 1, 18, tzinfo=UTC))


def test_a_period_with_bounds_replaces_the_overall_one() -> None:
    since, until = "2026-01-16T01:00:00Z", "2026-01-16T03:00:00Z"
    bounds = f"<com:startOfPeriod>{since}</com:startOfPeriod><com:endOfPeriod>{until}</com:endOfPeriod>"
    (row,) = read_datex("x", with_period(bounds)).rows
    assert (row.since, row.until) == (datetime(2026, 1, 16, 1, tzinfo=UTC), datetime(2026, 1, 16, 3, tzinfo=UTC))


def test_ends_are_known_by_name_not_by_order() -> None:
    """TpegLinearLocation has `to` before `from` (schema 3.1, LocationReferencing)."""
    inner = (
        "<loc:tpegLinearLocation><loc:to><loc:pointCoordinates><loc:latitude>47.2</loc:latitude>"
        "<loc:longitude>11.7</loc:longitude></loc:pointCoordinates></loc:to><loc:from><loc:pointCoordinates>"
        "<loc:latitude>47.0</loc:latitude><loc:longitude>11.5</loc:longitude></loc:pointCoordinates></loc:from>"
        "</loc:tpegLinearLocation>"
    )
    (row,) = read_datex("x", with_location(inner)).rows
    assert [w.between for w in row.wheres] == [((47.0, 11.5), (47.2, 11.7))]

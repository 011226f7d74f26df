"""Alerts of the National Weather Service, read from its answers; what cannot be read is told, never left out.

Tests named after a trap are of the list in our notes on public forecast services, by its numbers.
"""

import copy
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
import respx
from hypothesis import given
from hypothesis import strategies as st

from alertd.errors import OutsideArea, SourceChanged
from alertd.plan.warnings.placement import WeatherAlert
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.nws.alerts import NwsAlerts, read_alerts
from alertd.testing.clock import ManualClock

# Our own, in the shape of the service's answers; office, zones and words are made.
FEATURE: dict[str, Any] = {
    "type": "Feature",
    "geometry": None,
    "properties": {
        "id": "urn:oid:made.1",
        "areaDesc": "Made Mountains;\n Made Valley",
        "geocode": {"SAME": ["030063", "016079"], "UGC": ["MTZ001", "IDZ002"]},
        "affectedZones": [
            "https://api.weather.gov/zones/forecast/MTZ001",
            "https://api.weather.gov/zones/forecast/IDZ002",
        ],
        "status": "Actual",
        "messageType": "Alert",
        "event": "Blizzard Warning",
        "sent": "2027-01-14T02:00:00-07:00",
        "effective": "2027-01-14T02:00:00-07:00",
        "onset": "2027-01-14T05:00:00-07:00",
        "expires": "2027-01-14T06:00:00-07:00",
        "ends": "2027-01-14T14:00:00-07:00",
        "senderName": "NWS Made",
        "headline": "Blizzard Warning issued January 14",
        "instruction": "Travel only in an emergency.\nStay with your vehicle.",
        "parameters": {
            "VTEC": ["/O.NEW.KXXX.BZ.W.0007.270114T1200Z-270114T2100Z/"],
            "NWSheadline": ["BLIZZARD WARNING IN EFFECT UNTIL 2 PM"],
            "eventEndingTime": ["2027-01-14T14:00:00-07:00"],
        },
    },
}
RING = [[-116.0, 47.0], [-115.0, 47.0], [-115.0, 48.0], [-116.0, 47.0]]


def feature(*, geometry: Any = None, vtec: list[str] | None = None, **properties: Any) -> dict[str, Any]:
    made = copy.deepcopy(FEATURE)
    made["properties"] |= properties
    made["geometry"] = geometry
    if vtec is not None:
        made["properties"]["parameters"] = {"VTEC": vtec}
    return made


def answer(*features: Any, **more: Any) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features)} | more


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2027, 1, day, hour, minute, tzinfo=UTC)


def one(**changes: Any) -> WeatherAlert:
    (alert,) = read_alerts(answer(feature(**changes))).alerts
    return alert


def test_an_event_is_read_whole_with_its_offices_words() -> None:
    alert = one()
    assert (alert.key, alert.id, alert.event) == ("KXXX.BZ.W.0007.2027", "urn:oid:made.1", "Blizzard Warning")
    assert (alert.sender, alert.where, alert.sent_at) == ("NWS Made", "Made Mountains; Made Valley", at(14, 9))
    assert (alert.begins_at, alert.ends_at) == (at(14, 12), at(14, 21))
    assert alert.words == (
        "BLIZZARD WARNING IN EFFECT UNTIL 2 PM",
        "Travel only in an emergency. Stay with your vehicle.",
    )
    assert alert.zones == ("forecast/MTZ001", "forecast/IDZ002")
    assert alert.counties == ("county/MTC063", "county/IDC079")
    assert (alert.severity.holds, alert.area) == (True, None)


def test_trap_03_expires_does_not_end_an_event() -> None:
    for expires in ("2027-01-14T03:00:00-07:00", None, "never"):
        assert (one(expires=expires).begins_at, one(expires=expires).ends_at) == (at(14, 12), at(14, 21))


@pytest.mark.parametrize(
    ("changes", "ends_at"),
    [
        ({"ends": None}, at(14, 21)),  # by its VTEC line
        ({"ends": None, "vtec": ["/O.NEW.KXXX.BZ.W.0007.270114T1200Z-270114T2200Z/"]}, at(14, 22)),
        ({"ends": None, "vtec": []}, None),
        ({"ends": "2027-01-14T04:00:00-07:00", "vtec": []}, None),  # an end before the beginning cannot be meant
        ({"vtec": ["/O.NEW.KXXX.BZ.W.0007.270114T1200Z-000000T0000Z/"]}, None),  # until further notice
    ],
)
def test_trap_03_the_end_is_the_latest_that_is_given(changes: dict[str, Any], ends_at: datetime | None) -> None:
    assert one(**changes).ends_at == ends_at


def test_trap_03_event_ending_time_of_the_message_is_an_end() -> None:
    alert = one(ends=None, parameters={"eventEndingTime": ["2027-01-14T15:00:00-07:00"]})
    assert alert.ends_at == at(14, 22)


def test_trap_04_an_alert_without_an_outline_keeps_its_zones() -> None:
    assert one(geometry=None).zones == ("forecast/MTZ001", "forecast/IDZ002")


def test_trap_04_bare_code_names_a_zone_with_a_broken_address() -> None:
    assert one(affectedZones=None).zones == ("forecast/MTZ001", "forecast/IDZ002")
    broken = one(affectedZones=["https://api.weather.gov/zones/fire/MTZ001", "?", 7])
    assert broken.zones == ("fire/MTZ001", "forecast/IDZ002")
    assert one(affectedZones=None, geocode={"UGC": ["MTC063"]}).zones == ("county/MTC063",)


def test_trap_04_zone_of_broken_names_marks_the_list_as_short() -> None:
    assert one().zones_whole
    whole = one(geocode={"UGC": ["MTZ001", "?"]})  # its address still names the second
    assert (whole.zones, whole.zones_whole) == (("forecast/MTZ001", "forecast/IDZ002"), True)
    short = one(geocode={"UGC": ["?", "IDZ002"]}, affectedZones=["?", "https://api.weather.gov/zones/forecast/IDZ002"])
    assert (short.zones, short.zones_whole) == (("forecast/IDZ002",), False)
    twice = [f"https://api.weather.gov/zones/{kind}/MTZ001" for kind in ("forecast", "fire")]
    assert one(geocode={"UGC": ["MTZ001"]}, affectedZones=twice).zones_whole


def test_outlines_have_holes_and_unreadable_ones_leave_the_zones() -> None:
    polygon = one(geometry={"type": "Polygon", "coordinates": [RING, RING]})
    assert polygon.area is not None
    assert [len(rings) for rings in polygon.area.polygons] == [2]
    many = {"type": "MultiPolygon", "coordinates": [[RING], [RING]]}
    for geometry in (many, {"type": "GeometryCollection", "geometries": [many]}):
        alert = one(geometry=geometry)
        assert alert.area is not None
        assert [len(rings) for rings in alert.area.polygons] == [1, 1]
    broken = ({"type": "Polygon", "coordinates": [["a"]]}, {"type": "Point"}, "here", [], {"type": "Polygon"})
    off_earth = {"type": "Polygon", "coordinates": [[[-1160.0, 47.0], *RING[1:]]]}
    for geometry in (*broken, off_earth, {"type": "Polygon", "coordinates": []}):
        alert = one(geometry=geometry)
        assert (alert.area, alert.zones) == (None, ("forecast/MTZ001", "forecast/IDZ002"))


def test_trap_22_refusal_is_found_by_its_last_word_in_both_forms() -> None:
    """The old and the new naming both count."""
    from alertd.sources.providers.nws.forecast import interpret_error

    for name in ("https://api.weather.gov/problems/InvalidPoint", "urn:noaa:nws:api:InvalidPoint"):
        assert isinstance(interpret_error(404, {"type": name, "detail": "no"}), OutsideArea)


def test_trap_24_an_onset_that_slides_is_still_the_same_event() -> None:
    first = feature(vtec=["/O.NEW.KXXX.BZ.W.0007.270114T1200Z-270114T2100Z/"])
    later = feature(
        id="urn:oid:made.2",
        sent="2027-01-14T08:00:00-07:00",
        onset="2027-01-14T08:00:00-07:00",
        vtec=["/O.CON.KXXX.BZ.W.0007.000000T0000Z-270114T2100Z/"],
    )
    (alert,) = read_alerts(answer(later, first)).alerts
    assert (alert.key, alert.id) == ("KXXX.BZ.W.0007.2027", "urn:oid:made.2")
    assert (alert.begins_at, alert.ends_at) == (at(14, 12), at(14, 21))


def test_trap_25_event_in_many_features_keeps_each_parts_times() -> None:
    part = feature(
        id="urn:oid:made.2",
        geocode={"UGC": ["MTZ005"]},
        affectedZones=["https://api.weather.gov/zones/forecast/MTZ005"],
        ends="2027-01-14T16:00:00-07:00",
        vtec=["/O.EXT.KXXX.BZ.W.0007.270114T1200Z-270114T2300Z/"],
    )
    found = read_alerts(answer(feature(), part)).alerts
    assert {a.key for a in found} == {"KXXX.BZ.W.0007.2027"}
    assert sorted((a.zones, a.ends_at) for a in found) == [
        (("forecast/MTZ001", "forecast/IDZ002"), at(14, 21)),
        (("forecast/MTZ005",), at(14, 23)),
    ]


def test_trap_25_same_part_twice_is_one_under_another_message_id() -> None:
    (alert,) = read_alerts(answer(feature(), feature(id="urn:oid:made.2"))).alerts
    assert alert.key == "KXXX.BZ.W.0007.2027"


def test_without_a_vtec_line_the_messages_id_is_the_events() -> None:
    assert one(vtec=[]).key == "urn:oid:made.1"


@pytest.mark.parametrize(
    "changes",
    [
        {"status": "Test"},
        {"status": "Exercise"},
        {"messageType": "Cancel"},
        {"vtec": ["/O.CAN.KXXX.BZ.W.0007.270114T1200Z-270114T2100Z/"]},  # messageType is Alert in such a one
        {"vtec": ["/O.UPG.KXXX.WS.A.0002.270114T1200Z-270114T2100Z/"], "event": "Winter Storm Watch"},
        {"vtec": ["/T.NEW.KXXX.BZ.W.0007.270114T1200Z-270114T2100Z/"]},
        {"event": "Flood Watch", "vtec": ["/O.NEW.KXXX.FL.A.0004.270114T1200Z-000000T0000Z/"]},
    ],
)
def test_tests_and_cancelled_ones_are_out(changes: dict[str, Any]) -> None:
    raw = read_alerts(answer(feature(**changes)))
    assert (raw.alerts, raw.unreadable, raw.listed_n) == ((), (), 1)


def test_of_two_lines_the_living_one_counts() -> None:
    lines = [
        "/O.UPG.KXXX.WS.A.0002.270114T1200Z-270115T1200Z/",
        "/O.NEW.KXXX.WS.W.0003.270114T1500Z-270114T2300Z/",
    ]
    alert = one(event="Winter Storm Warning", vtec=lines, onset=None, ends=None)
    assert (alert.key, alert.begins_at, alert.ends_at) == ("KXXX.WS.W.0003.2027", at(14, 15), at(14, 23))


@pytest.mark.parametrize("body", [{}, {"features": None}, [], "soon", None, {"features": {}}])
def test_what_is_no_list_is_no_answer_rather_than_an_empty_list(body: object) -> None:
    with pytest.raises(SourceChanged):
        read_alerts(body)


@pytest.mark.parametrize("broken", [7, None, {}, {"properties": None}, {"properties": []}])
def test_unreadable_message_is_reported_and_costs_no_other(broken: Any) -> None:
    raw = read_alerts(answer(broken, feature()))
    assert [a.id for a in raw.alerts] == ["urn:oid:made.1"]
    assert len(raw.unreadable) == 1


def test_warning_without_readable_time_keeps_its_other_facts() -> None:
    lost = feature(onset="soon", effective=None, sent="2027-01-14T02:00:00", vtec=[])
    (unread,) = read_alerts(answer(lost)).unreadable
    assert (unread.event, unread.where, unread.zones[0]) == (
        "Blizzard Warning", "Made Mountains; Made Valley", "forecast/MTZ001"
    )  # fmt: skip


JUNK = st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=9), st.just([]), st.just({}), st.just(["x"]))


@given(name=st.sampled_from(sorted(FEATURE["properties"])), junk=JUNK, drop=st.booleans())
def test_a_damaged_field_never_costs_a_warning_silently(name: str, junk: Any, drop: bool) -> None:
    """Whatever one field holds, the blizzard is read, or told as unread; except where it says that it is no warning."""
    damaged = feature()
    if drop:
        del damaged["properties"][name]
    else:
        damaged["properties"][name] = junk
    raw = read_alerts(answer(damaged))
    assert len(raw.alerts) + len(raw.unreadable) == 1
    assert all(a.severity.holds for a in raw.alerts)


def test_a_list_that_names_more_pages_is_not_whole() -> None:
    assert read_alerts(answer(feature())).whole
    assert not read_alerts(answer(feature(), pagination={"next": "https://api.weather.gov/alerts?cursor=x"})).whole
    assert read_alerts(answer(updated="2027-01-14T10:00:00+00:00")).updated_at == at(14, 10)


@respx.mock
@pytest.mark.parametrize(
    ("area", "url"),
    [
        ((), "https://api.weather.gov/alerts/active?status=actual"),
        (("WA", "ID"), "https://api.weather.gov/alerts/active?status=actual&area=WA,ID"),
    ],
)
async def test_one_list_serves_all_routes_and_places_as_specified(area: tuple[str, ...], url: str) -> None:
    listed = respx.get(url).respond(json=answer(feature()))
    place = respx.get("https://api.weather.gov/alerts/active?point=47.45,-115.7").respond(json=answer(feature()))
    async with HttpClient(
        HttpOptions(
            contact="ops@fleet.example",
            cache_dir=None,
            now_utc=ManualClock(datetime(2027, 1, 14, 10, 30, tzinfo=UTC)),
            rng=np.random.default_rng(1),
        )
    ) as client:
        service = NwsAlerts(client, "https://api.weather.gov/", area)
        everywhere, there = await service.active(), await service.at(47.45, -115.69996)
    assert (listed.call_count, place.call_count) == (1, 1)
    assert [a.id for a in (*everywhere.value.alerts, *there.value.alerts)] == ["urn:oid:made.1"] * 2

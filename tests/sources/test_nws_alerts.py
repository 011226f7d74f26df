"""Warnings of the National Weather Service, read from its answers; what cannot be read is refused, never left out."""

import copy
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import respx

from alertd.errors import SourceChanged
from alertd.sources.http import PoliteClient
from alertd.sources.nws_alerts import NwsAlerts, read_alerts
from alertd.testing.clock import HeldClock

RECORDED = Path(__file__).parents[3] / "shared" / "recorded"
# Our own, in the shape of the service's answers.
FEATURE = {
    "type": "Feature",
    "geometry": None,
    "properties": {
        "id": "urn:oid:made.1",
        "areaDesc": "Made Mountains;\n Made Valley",
        "status": "Actual",
        "messageType": "Alert",
        "event": "Blizzard Warning",
        "effective": "2027-01-14T02:00:00-07:00",
        "onset": "2027-01-14T05:00:00-07:00",
        "expires": "2027-01-14T06:00:00-07:00",
        "ends": "2027-01-14T14:00:00-07:00",
        "senderName": "NWS Made",
    },
}
RING = [[-116.0, 47.0], [-115.0, 47.0], [-115.0, 48.0], [-116.0, 47.0]]
OUTLINE = ((47.0, -116.0), (47.0, -115.0), (48.0, -115.0), (47.0, -116.0))


def answer(*, geometry: Any = None, **properties: Any) -> dict[str, Any]:
    feature: dict[str, Any] = copy.deepcopy(FEATURE)
    feature["properties"] |= properties
    feature["geometry"] = geometry
    return {"type": "FeatureCollection", "features": [feature]}


def test_an_event_lasts_to_its_end_and_not_to_that_of_its_message() -> None:
    (alert,) = read_alerts(answer())
    assert (alert.event, alert.sender, alert.area) == ("Blizzard Warning", "NWS Made", "Made Mountains; Made Valley")
    assert alert.begins_at == datetime(2027, 1, 14, 12, tzinfo=UTC)
    assert alert.ends_at == datetime(2027, 1, 14, 21, tzinfo=UTC)


@pytest.mark.parametrize("ends", [None, "2027-01-14T04:00:00-07:00"])
def test_without_an_end_that_can_be_meant_it_never_ends(ends: str | None) -> None:
    (alert,) = read_alerts(answer(ends=ends))
    assert alert.ends_at is None


def test_outlines_are_read_and_one_that_cannot_be_read_leaves_the_warning_standing() -> None:
    (one,) = read_alerts(answer(geometry={"type": "Polygon", "coordinates": [RING, RING]}))
    (two,) = read_alerts(answer(geometry={"type": "MultiPolygon", "coordinates": [[RING], [RING]]}))
    assert (one.rings, two.rings) == ((OUTLINE,), (OUTLINE, OUTLINE))
    for broken in ({"type": "Polygon", "coordinates": [["a"]]}, {"type": "Point"}, "here", [], {"type": "Polygon"}):
        (alert,) = read_alerts(answer(geometry=broken))
        assert alert.rings == ()


@pytest.mark.parametrize("changes", [{"status": "Test"}, {"messageType": "Cancel"}, {"event": "Flood Watch", "id": 7}])
def test_tests_cancelled_ones_and_other_events_are_left_out(changes: dict[str, Any]) -> None:
    assert read_alerts(answer(**changes)) == ()


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"features": None},
        {"features": [{}]},
        {"features": [{"properties": {}}]},
        answer(ends="soon"),
        answer(onset="2027-01-14T05:00:00"),
        answer(onset=None, effective=None),
        answer(status=None),
    ],
)
def test_a_warning_that_cannot_be_read_is_no_answer_rather_than_no_warning(body: object) -> None:
    with pytest.raises(SourceChanged):
        read_alerts(body)


@respx.mock
async def test_one_place_is_asked_as_the_service_wants_it() -> None:
    route = respx.get("https://api.weather.gov/alerts/active?point=47.45,-115.7").respond(json=answer())
    async with PoliteClient(
        contact="ops@fleet.example",
        cache_dir=None,
        now_utc=HeldClock(datetime(2027, 1, 14, 10, 30, tzinfo=UTC)),
        rng=np.random.default_rng(1),
    ) as client:
        got = await NwsAlerts(client, "https://api.weather.gov/").at(47.45, -115.69996)
    assert route.called
    assert [a.id for a in got.value] == ["urn:oid:made.1"]


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")
def test_recorded_answers_of_the_service_are_read() -> None:
    """Counted in the file by hand: its Winter Storm and High Wind Warnings; all of them are for zones."""
    body = json.loads((RECORDED / "nws_alerts_active_2025-12-15_winter_subset_dates_resolved.json").read_text())
    events = [f["properties"]["event"] for f in body["features"]]
    alerts = read_alerts(body)
    assert len(alerts) == events.count("Winter Storm Warning") + events.count("High Wind Warning") > 2
    assert {a.rings for a in alerts} == {()}
    point = json.loads((RECORDED / "nws_alerts_point_2024-01-12_winter_weather_advisory.json").read_text())
    assert read_alerts(point) == ()

"""Alerts of Environment and Climate Change Canada.

No recorded answer of the live service was at hand: bodies here are made by the list of fields in our notes
(alert_code, alert_type, validity_datetime, event_end_datetime, expiration_datetime, status, a polygon a sub-region) and
by fields that public clients of the service name (alert_name_en, alert_text_en, feature_name_en, publication_datetime,
status_en, risk_colour_en, impact_en, confidence_en, numberMatched, links).
So what these tests show is that we read that list, not that the service answers so.
"""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
import respx

from alertd.errors import SourceChanged, SourceError
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.eccc.alerts import GeometAlerts, box_around, read_page
from alertd.testing.clock import ManualClock, no_wait

NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
RING = [[-119.0, 49.0], [-118.0, 49.0], [-118.0, 50.0], [-119.0, 49.0]]
TEXT = "Snowfall, with total amounts of 20 to 30 cm is expected.\n\nTravel may be hazardous.\n\nConsider postponing it."


def feature(id_: str = "made-1", *, geometry: Any = None, **changes: Any) -> dict[str, Any]:
    p = {
        "alert_code": "SFW",
        "alert_type": "warning",
        "alert_name_en": "snowfall warning",
        "alert_text_en": TEXT,
        "feature_name_en": "Made Pass - A to B",
        "feature_id": "fea-1",
        "status": "issued",
        "publication_datetime": "2027-01-14T08:00:00.000Z",
        "validity_datetime": "2027-01-14T09:00:00.000Z",
        "event_end_datetime": "2027-01-15T09:00:00.000Z",
        "expiration_datetime": "2027-01-14T20:00:00.000Z",
    }
    polygon = {"type": "Polygon", "coordinates": [RING]}
    return {"id": id_, "type": "Feature", "geometry": geometry or polygon, "properties": p | changes}


def page(*features: Any, **more: Any) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features)} | more


def one(**changes: Any) -> Any:
    (alert,) = read_page(page(feature(**changes))).alerts
    return alert


def test_an_alert_is_read_with_its_name_and_text_as_they_are() -> None:
    alert = one()
    assert (alert.event, alert.sender) == ("snowfall warning", "Environment and Climate Change Canada")
    assert alert.where == "Made Pass - A to B"
    assert alert.sent_at == datetime(2027, 1, 14, 8, tzinfo=UTC)
    assert alert.begins_at == datetime(2027, 1, 14, 9, tzinfo=UTC)
    assert (alert.severity.rank, alert.severity.holds) == (1, False)
    assert alert.area is not None


def test_trap_26_words_are_quoted_never_altered() -> None:
    assert one().words == (" ".join(TEXT.split()),)
    long = "Snow. " * 60
    (words,) = one(alert_text_en=long).words
    assert words.endswith("Snow. ...")
    assert words.removesuffix(" ...") in long


def test_trap_03_expiration_does_not_end_an_alert() -> None:
    for expiration in ("2027-01-14T09:30:00Z", "2027-01-20T09:00:00Z", None):
        assert one(expiration_datetime=expiration).ends_at == datetime(2027, 1, 15, 9, tzinfo=UTC)
    assert one(event_end_datetime=None).ends_at is None
    assert one(event_end_datetime="2027-01-14T08:00:00Z").ends_at is None  # before it begins: cannot be meant


@pytest.mark.parametrize(
    "changes", [{"status": "ended"}, {"status": None, "status_en": "Ended"}, {"alert_name_en": "heat warning"}]
)
def test_what_is_over_or_of_no_matter_is_left_out(changes: dict[str, Any]) -> None:
    raw = read_page(page(feature(**changes)))
    assert (raw.alerts, raw.unreadable) == ((), ())


def test_blizzard_is_waited_out_and_unknown_name_is_kept_last() -> None:
    assert one(alert_name_en="blizzard warning", alert_code="BZW").severity.holds
    assert one(alert_name_en="unheard-of warning").severity.rank == 5
    assert one(alert_name_en=None, alert_code="QQW").event == "QQW warning"


@pytest.mark.parametrize(
    "broken",
    [
        7,
        {},
        feature(geometry={"type": "Point", "coordinates": [0, 0]}),
        feature(validity_datetime=None, publication_datetime="soon"),
    ],
)
def test_unreadable_alert_is_reported_and_costs_no_other(broken: Any) -> None:
    raw = read_page(page(broken, feature()))
    assert (len(raw.alerts), len(raw.unreadable)) == (1, 1)


@pytest.mark.parametrize("body", [{}, [], None, {"features": 7}])
def test_what_is_no_page_is_no_answer(body: object) -> None:
    with pytest.raises(SourceChanged):
        read_page(body)


async def asked(router: respx.MockRouter) -> tuple[list[str], bool]:
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(NOW), rng=np.random.default_rng(1),
        sleep=no_wait, per_s_per_host=1e9,
    )) as client:  # fmt: skip
        service = GeometAlerts(client, "https://api.weather.gc.ca/", "weather-alerts")
        pages, whole = await service.within((-119.05, 48.95, -117.95, 50.05))
    return [a.id for page in pages for a in page.value.alerts], whole


ITEMS = (
    "https://api.weather.gc.ca/collections/weather-alerts/items?f=json&lang=en"
    "&bbox=-119.050,48.950,-117.950,50.050&limit=500"
)


@respx.mock
async def test_pages_are_read_to_the_last_one_named_or_counted(respx_mock: respx.MockRouter) -> None:
    following = [{"rel": "self", "href": "x"}, {"rel": "next", "href": "y"}]
    respx_mock.get(f"{ITEMS}&offset=2").respond(json=page(feature("3"), numberMatched=3, links=[]))
    respx_mock.get(ITEMS).respond(json=page(feature("1"), feature("2"), numberMatched=3, links=following))
    assert await asked(respx_mock) == (["1", "2", "3"], True)


@respx.mock
async def test_missing_later_page_keeps_the_rest_and_is_reported(respx_mock: respx.MockRouter) -> None:
    respx_mock.get(f"{ITEMS}&offset=1").respond(404)
    first = respx_mock.get(ITEMS).respond(json=page(feature("1"), numberMatched=3))
    assert await asked(respx_mock) == (["1"], False)
    first.respond(404)
    with pytest.raises(SourceError, match="404"):
        await asked(respx_mock)


@respx.mock
async def test_pages_that_never_reach_their_count_are_not_whole(respx_mock: respx.MockRouter) -> None:
    respx_mock.get(f"{ITEMS}&offset=1").respond(json=page(numberMatched=3))
    respx_mock.get(ITEMS).respond(json=page(feature("1"), numberMatched=3))
    assert await asked(respx_mock) == (["1"], False)


@respx.mock
async def test_no_more_than_ten_pages_are_asked_for(respx_mock: respx.MockRouter) -> None:
    asked_for = respx_mock.get(url__startswith=ITEMS).respond(json=page(feature(), links=[{"rel": "next"}]))
    ids, whole = await asked(respx_mock)
    assert (len(ids), whole, asked_for.call_count) == (10, False, 10)


def test_the_box_is_a_little_wider_than_the_road() -> None:
    assert box_around([49.0, 49.5], [-119.0, -118.0]) == pytest.approx((-119.05, 48.95, -117.95, 49.55))


@pytest.mark.parametrize(
    ("name", "colour", "impact", "holds", "rank"),
    [
        ("blizzard warning", "red", "Extreme", True, 0),
        ("blizzard warning", "orange", "High", True, 0),
        ("blizzard warning", "yellow", "Moderate", False, 1),
        ("blizzard warning", "yellow", "High", True, 0),  # yellow for its low confidence only
        ("blizzard warning", None, None, True, 0),  # before the colours
        ("blizzard warning", "grey", "Moderate", True, 0),  # a colour unknown to us lowers nothing
        ("snowfall warning", "red", "Extreme", False, 1),
        ("snowfall warning", "orange", "High", False, 1),
        ("snowfall warning", "yellow", "Moderate", False, 2),
        ("wind warning", "yellow", "Moderate", False, 2),
        ("wind warning", "red", "Extreme", False, 1),
    ],
)
def test_a_warning_is_ranked_by_colour_and_impact(
    name: str, colour: str | None, impact: str | None, holds: bool, rank: int
) -> None:
    """Colours since 26 November 2025: yellow for moderate, orange for major, red for extreme effects (ECCC)."""
    alert = one(alert_name_en=name, risk_colour_en=colour, impact_en=impact, confidence_en="High")
    assert (alert.severity.holds, alert.severity.rank) == (holds, rank)
    assert alert.event == (f"{name} ({colour})" if colour in ("red", "orange", "yellow") else name)


def test_a_colour_in_the_name_counts_where_no_field_has_it() -> None:
    alert = one(alert_name_en="yellow warning - blizzard")
    assert (alert.severity.holds, alert.event) == (False, "yellow warning - blizzard")


def test_an_orange_watch_outranks_a_yellow_one() -> None:
    ranks = [one(alert_type="watch", alert_name_en="snowfall watch", risk_colour_en=c).severity.rank for c in
             ("yellow", "orange", "red")]  # fmt: skip
    assert ranks == [4, 3, 2]

"""The chain log over HTTP and from the store: places by the route, and corrections that leave the report."""

from collections.abc import AsyncIterator, Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import httpx
import pytest

from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.records.corrections import CORRECTIONS
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.web.app import make_api

TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00", "driver": "Ann"}
ON = {"what": "chains_on", "at": "2027-01-14T06:28:00-07:00", "place": "Cinder Ford chain-up area"}
OFF = {"what": "chains_off", "at": "2027-01-14T06:58:00-08:00", "place": "Tarn Mill chain-off turnout"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
async def http(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> AsyncIterator[httpx.AsyncClient]:
    """Trip T-1 of Ann, at noon of its day."""
    clock = ManualClock(morning)
    planning = Planner(
        make_settings(trips=None), ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), []
    )
    app = make_api(planning, store, clock, lambda: None)
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        assert (await client.post("/v1/trips", json=TRIP)).status_code == 201
        clock.advance(timedelta(hours=8))
        yield client


async def report(http: httpx.AsyncClient, *reports: dict[str, str]) -> None:
    for one in reports:
        assert (await http.post("/v1/trips/T-1/events", json=one)).status_code in (200, 201)


async def log(http: httpx.AsyncClient, **asked: str) -> list[dict[str, object]]:
    found = await http.get("/v1/chainlog", params=asked)
    assert found.status_code == 200, found.text
    entries: list[dict[str, object]] = found.json()["entries"]
    return entries


async def test_entries_have_state_zone_and_minutes_over_a_zone_change(
    http: httpx.AsyncClient,
) -> None:
    """06:28 MST to 06:58 PST is an hour and a half; the stops are the demo's, in Montana and Idaho."""
    await report(http, OFF, ON, ON)
    (one,) = await log(http)
    assert (one["driver"], one["trip_id"], one["minutes"], one["repeats"]) == ("Ann", "T-1", 90, 0)
    assert (one["state"], one["off_state"]) == ("US-MT", "US-ID")
    assert (one["on"], one["off"]) == ("2027-01-14T06:28:00-07:00", "2027-01-14T06:58:00-08:00")


async def test_a_correction_stands_beside_the_report_and_is_kept_once(http: httpx.AsyncClient, store: Store) -> None:
    await report(http, ON)
    (one,) = await log(http)
    assert (one["minutes"], one["missing"]) == (None, "still on")
    asked = {"entry": one["entry"], "off": OFF["at"], "by": "Marit", "why": "forgot to tap"}
    answers = [await http.post("/v1/chainlog/corrections", json=asked) for _ in range(2)]
    assert [a.status_code for a in answers] == [201, 200]
    (mended,) = await log(http)
    assert (mended["minutes"], mended["reported_off_utc"]) == (90, None)
    assert [(c["by"], c["why"]) for c in mended["corrections"]] == [("Marit", "forgot to tap")]  # type: ignore[attr-defined]
    assert len(store.events("T-1", CORRECTIONS.kind)) == 1
    assert len(store.events("T-1", "chains_on")) == 1
    await report(http, {**OFF, "at": "2027-01-14T07:08:00-08:00"})  # the driver's own word, late: the correction stands
    (late,) = await log(http)
    assert (late["minutes"], late["reported_off_utc"]) == (90, "2027-01-14T15:08:00Z")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"entry": "evt_none"}, "entry"),
        ({"off": "2027-01-14T05:00:00-07:00"}, "off"),
        ({"off": "2027-01-15T05:00:00-07:00"}, "off"),
        ({"off": "2027-01-14T07:00:00"}, "off"),
        ({"off": None}, "off"),
        ({"void": True}, "void"),
        ({"why": ""}, "why"),
        ({"minutes": 90}, "minutes"),
    ],
)
async def test_impossible_correction_is_refused_with_its_field(
    http: httpx.AsyncClient, store: Store, changes: dict[str, object], field: str
) -> None:
    await report(http, ON)
    (one,) = await log(http)
    asked = {"entry": one["entry"], "off": "2027-01-14T07:30:00-07:00", "by": "Marit", "why": "radio"} | changes
    refused = await http.post("/v1/chainlog/corrections", json=asked)
    assert (refused.status_code, refused.json()["field"]) == (422, field), refused.text
    assert store.events("T-1", CORRECTIONS.kind) == []


async def test_log_is_filtered_by_driver_and_day_and_fits_spreadsheets(http: httpx.AsyncClient) -> None:
    await report(http, ON, OFF)
    assert len(await log(http, driver="Ann", **{"from": "2027-01-14", "to": "2027-01-14"})) == 1
    assert await log(http, driver="Bram") == []
    assert await log(http, **{"from": "2027-01-13", "to": "2027-01-13"}) == []
    sheet = await http.get("/v1/chainlog", params={"format": "csv"})
    assert sheet.headers["content-type"].startswith("text/csv")
    assert sheet.text.count("\r\n") == 2
    for bad in ({"from": "soon"}, {"from": "2027-01-14", "to": "2027-01-13"}, {"to": "2027-01-14T05:00"}):
        assert (await http.get("/v1/chainlog", params=bad)).status_code == 422


async def test_unknown_stop_has_no_state_unless_the_truck_was_there(http: httpx.AsyncClient) -> None:
    await report(http, {**ON, "place": "by the old mill"})
    (one,) = await log(http)
    assert (one["place"], one["state"]) == ("by the old mill", "")
    seen = {"at": "2027-01-14T06:25:00-07:00", "lat": 47.01965, "lon": -114.36511}
    assert (await http.post("/v1/trips/T-1/positions", json=seen)).status_code == 201
    (one,) = await log(http)
    assert one["state"] == "US-MT"


async def test_hanging_begun_is_shown_apart_and_can_be_corrected(http: httpx.AsyncClient) -> None:
    begun = {"what": "hanging_begun", "at": "2027-01-14T05:53:00-07:00", "place": "Cinder Ford chain-up area"}
    await report(http, begun)
    (hangs,) = await log(http)
    assert (hangs["hanging_minutes"], hangs["minutes"], hangs["missing"]) == (None, None, "chains on not reported")
    await report(http, ON, {"what": "removing_begun", "at": "2027-01-14T06:40:00-08:00", "place": ""}, OFF)
    (one,) = await log(http)
    parts = [one[f"{part}_minutes"] for part in ("hanging", "running", "removing")]
    assert (parts, one["minutes"]) == ([35, 72, 18], 90)
    asked = {"entry": one["entry"], "hanging_from": "2027-01-14T06:03:00-07:00", "by": "Marit", "why": "radio"}
    assert (await http.post("/v1/chainlog/corrections", json=asked)).status_code == 201
    (mended,) = await log(http)
    assert mended["hanging_minutes"] == 25
    for field, at in (("hanging_from", "06:29:00-07:00"), ("removing_from", "06:20:00-07:00")):
        wrong = {"entry": one["entry"], field: f"2027-01-14T{at}", "by": "Marit", "why": "x"}
        refused = await http.post("/v1/chainlog/corrections", json=wrong)
        assert (refused.status_code, refused.json()["field"]) == (422, field), refused.text

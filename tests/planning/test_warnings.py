"""Weather warnings into plans: one list for all routes, outlines from disk, and what is said of what is not known.

Zones here are boxes of our own under real names of kinds; the service is a mock that answers as its document says.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import respx

from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import plan_json
from alertd.plan.warnings.zones import ForecastZone
from alertd.planning.planner import Planner
from alertd.planning.providers import open_weather_sources
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.replays.response_recorder import record_response, recording
from alertd.planning.warnings import ActiveAlerts, AlertServices, RouteWarnings, warnings_along
from alertd.route.geometry.polygons import Area
from alertd.route.model import Route
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData, load_reference_data
from alertd.sources.files.trips import TripRequest
from alertd.sources.files.zones import write_zones
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.eccc.alerts import GeometAlerts
from alertd.sources.providers.nws.alerts import NwsAlerts
from alertd.store.archive import Archive
from alertd.testing.clock import ManualClock, no_wait
from alertd.testing.factories import make_route
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import Storm

FINE = Storm(warmer_k=15.0, wetter=0.0)
TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00", driver="Ann")
NWS = "https://api.weather.gov"
GEOMET = "https://api.weather.gc.ca"
ROUTE = make_route(60e3, spans=[("US-MT", 0.0, 60e3)])
UNREAD = "1 could not be read: Blizzard Warning for Made Mountains"


def box(west: float, east: float) -> Area:
    ring = np.array([[west, 46.0], [east, 46.0], [east, 49.0], [west, 49.0], [west, 46.0]])
    return Area(polygons=((ring,),))


def zone(id_: str, west: float, east: float, obtained_at: datetime) -> ForecastZone:
    return ForecastZone(id=id_, name=f"Made {id_}", area=box(west, east), obtained_at=obtained_at)


def feature(**changes: Any) -> dict[str, Any]:
    geometry = changes.pop("geometry", None)
    vtec = changes.pop("vtec", "/O.NEW.KXXX.BZ.W.0007.270114T1000Z-270114T2300Z/")
    p = {
        "id": "urn:made",
        "event": "Blizzard Warning",
        "status": "Actual",
        "messageType": "Alert",
        "sent": "2027-01-14T02:00:00-07:00",
        "onset": "2027-01-14T03:00:00-07:00",
        "ends": "2027-01-14T16:00:00-07:00",
        "senderName": "NWS Made",
        "areaDesc": "Made Mountains",
        "affectedZones": [f"{NWS}/zones/forecast/MTZ001"],
        "instruction": "Stay off the pass.",
        "parameters": {"VTEC": [vtec]},
    }
    return {"geometry": geometry, "properties": p | changes}


# One of no matter to a truck, so that the list is not empty.
GALE = feature(event="Gale Warning", vtec="/O.NEW.KXXX.GL.W.0001.270114T1000Z-270114T2300Z/")


def listed(*features: Any, **more: Any) -> dict[str, Any]:
    return {"features": list(features), "updated": "2027-01-14T10:20:00+00:00"} | more


async def warned(
    route: Route,
    zones: Sequence[ForecastZone],
    now: datetime,
    router: respx.MockRouter,
    body: Any,
    *,
    status: int = 200,
    places: Any = None,
    area: Sequence[str] = (),
) -> RouteWarnings:
    """What is known along a route when the list and every place answer so; places: None for a refusal."""
    router.get(url__startswith=f"{NWS}/alerts/active?status").respond(status, json=body)
    at_places = router.get(url__startswith=f"{NWS}/alerts/active?point")
    at_places.respond(404) if places is None else at_places.respond(json=places)
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(now), rng=np.random.default_rng(1),
        sleep=no_wait, per_s_per_host=1e9,
    )) as client:  # fmt: skip
        services = AlertServices(
            us=ActiveAlerts(NwsAlerts(client, NWS, area)), canada=GeometAlerts(client, GEOMET, "weather-alerts")
        )
        return await warnings_along(route, services, {z.id: z for z in zones}, now)


@pytest.fixture
def router() -> Any:
    with respx.mock(assert_all_called=False) as mock:
        yield mock


async def test_good_list_with_outlines_on_file_asks_for_no_place(router: respx.MockRouter, morning: datetime) -> None:
    zones = [zone("forecast/MTZ001", -116.4, -116.2, morning)]
    found = await warned(ROUTE, zones, morning, router, listed(feature()))
    (closure,) = found.closures
    assert (closure.what, closure.source, closure.holds) == ("Blizzard Warning", "NWS Made", True)
    assert closure.words == ("Stay off the pass.",)
    assert (closure.start_m, closure.end_m) == pytest.approx((7.5e3, 22.6e3), abs=260.0)  # 0.1 and 0.3 deg of 75.2 km
    assert (found.notes, found.known) == ((), True)
    assert len(router.calls) == 1


async def test_what_the_list_drops_is_gone_when_it_was_read_well(router: respx.MockRouter, morning: datetime) -> None:
    other = feature(event="Freeze Warning", vtec="/O.NEW.KXXX.FZ.W.0001.270114T1000Z-270114T2300Z/")
    found = await warned(ROUTE, [], morning, router, listed(other))
    assert (found.closures, found.notes, found.known) == ((), (), True)


async def test_an_empty_national_list_is_a_remark_and_no_caution(router: respx.MockRouter, morning: datetime) -> None:
    """Nothing for a driver to ask about; still no all-clear for warnings that were known before."""
    found = await warned(ROUTE, [], morning, router, listed())
    assert (found.closures, found.notes, found.known) == ((), (), False)
    assert found.remarks == (
        "the list of weather warnings of the whole country is empty; warnings known before stay in force",
    )


@pytest.mark.parametrize(
    ("body", "status", "expected"),
    [
        ({}, 404, "Weather warnings not known (answered HTTP 404): ask before leaving"),
        ({}, 200, "Weather warnings not known (answer is no list of alerts): ask before leaving"),
        (listed(7), 200, "Weather warnings not all known (1 could not be read: of unknown kind): ask before leaving"),
        (
            listed(GALE, pagination={"next": "x"}),
            200,
            "Weather warnings not all known (the service has more than it lists): ask before leaving",
        ),
        (
            listed(GALE, updated="2027-01-14T08:29:00+00:00"),
            200,
            "Weather warnings may have changed: the list is of 14 08:29 UTC",
        ),
        (
            listed(feature(sent=None, onset=None, ends=None, parameters={})),
            200,
            f"Weather warnings not all known ({UNREAD}): ask before leaving",
        ),
    ],
)  # fmt: skip
async def test_a_list_that_is_not_read_well_clears_nothing_and_is_said(
    body: Any, status: int, expected: str, router: respx.MockRouter, morning: datetime
) -> None:
    found = await warned(ROUTE, [], morning, router, body, status=status)
    assert (found.closures, found.notes, found.known) == ((), (expected,), False)


async def test_a_state_that_is_not_asked_for_is_said(router: respx.MockRouter, morning: datetime) -> None:
    route = make_route(60e3, spans=[("US-MT", 0.0, 30e3), ("US-ID", 30e3, 60e3)])
    found = await warned(route, [], morning, router, listed(), area=("MT",))
    assert found.notes == (
        "Weather warnings not asked for in ID, which forecast.alerts_area leaves out: ask before leaving",
    )


async def test_a_road_in_no_known_state_may_be_under_any_warning(router: respx.MockRouter, morning: datetime) -> None:
    route = make_route(60e3, spans=[("", 0.0, 60e3)])
    found = await warned(route, [], morning, router, listed(feature()), places=listed())
    assert not found.known
    assert "whose area is not on file" in found.notes[0]


async def test_an_empty_list_of_some_states_is_believed(router: respx.MockRouter, morning: datetime) -> None:
    assert (await warned(ROUTE, [], morning, router, listed(), area=("MT",))).known


async def test_what_cannot_be_read_for_another_state_is_not_said(router: respx.MockRouter, morning: datetime) -> None:
    far = feature(sent=None, onset=None, ends=None, parameters={}, affectedZones=[f"{NWS}/zones/forecast/FLZ001"])
    assert (await warned(ROUTE, [], morning, router, listed(far))).notes == ()


async def test_zone_not_on_file_is_asked_at_places_and_then_named(router: respx.MockRouter, morning: datetime) -> None:
    """Asked at both ends and the middle: km 0, 30 and 60, each with the road up to half way."""
    result = await warned(ROUTE, [], morning, router, listed(feature()), places=listed(feature()))
    assert [(c.start_m, c.end_m) for c in result.closures] == [(0.0, 60e3)]
    assert result.known
    lost = await warned(ROUTE, [], morning, router, listed(feature()), places=listed())
    assert lost.closures == ()
    assert lost.notes == (
        "A weather warning, whose area is not on file, may hold this road (Blizzard Warning by NWS Made for Made "
        "Mountains): ask before leaving; `alertd gather zones` gets the areas",
    )
    assert not lost.known
    unanswered = await warned(ROUTE, [], morning, router, listed(feature()))
    assert len(unanswered.notes) == 2
    assert "not known at" in unanswered.notes[1]


async def test_zone_not_on_file_has_no_road_if_known_zones_cover_it(
    router: respx.MockRouter, morning: datetime
) -> None:
    zones = [zone("forecast/MTZ002", -117.0, -116.1, morning), zone("forecast/MTZ003", -116.1, -115.0, morning)]
    found = await warned(ROUTE, zones, morning, router, listed(feature()), places=listed())
    assert (found.closures, found.notes, found.known) == ((), (), True)
    redrawn = await warned(ROUTE, zones, morning, router, listed(feature()), places=listed(feature()))
    assert len(redrawn.closures) == 1  # the service says that it holds there, so the outlines are no longer right


async def test_unreadable_zones_are_named_though_others_are_elsewhere(
    router: respx.MockRouter, morning: datetime
) -> None:
    body = listed(feature(affectedZones=[f"{NWS}/zones/forecast/IDZ009", None]))
    found = await warned(ROUTE, [], morning, router, body, places=listed())
    assert not found.known
    assert "whose area is not on file" in found.notes[0]


async def test_old_outlines_are_said(router: respx.MockRouter, morning: datetime) -> None:
    zones = [zone("forecast/MTZ001", -116.4, -116.2, morning - timedelta(days=210))]
    found = await warned(ROUTE, zones, morning, router, listed(feature()))
    assert len(found.closures) == 1
    assert found.notes == (
        "Weather warnings are placed by outlines 210 days old, which may have been redrawn: run `alertd gather zones`",
    )


async def test_land_whose_service_is_not_asked_is_said(router: respx.MockRouter, morning: datetime) -> None:
    route = make_route(60e3, spans=[("NO-03", 0.0, 60e3)])
    found = await warned(route, [], morning, router, listed(feature()))
    assert found.notes == (
        "Weather warnings not known for Land of NO-03: no service there is asked; ask before leaving",
    )
    assert (found.known, len(router.calls)) == (False, 0)


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.7, 0.95])
async def test_a_list_cut_short_anywhere_is_no_list(kept: float, router: respx.MockRouter, morning: datetime) -> None:
    text = json.dumps(listed(feature(), feature(id="urn:2")))
    router.get(url__startswith=f"{NWS}/alerts/active?status").respond(
        200, text=text[: int(kept * len(text))], headers={"content-type": "application/geo+json"}
    )
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(morning), rng=np.random.default_rng(1),
        sleep=no_wait, per_s_per_host=1e9,
    )) as client:  # fmt: skip
        services = AlertServices(
            us=ActiveAlerts(NwsAlerts(client, NWS)), canada=GeometAlerts(client, GEOMET, "weather-alerts")
        )
        found = await warnings_along(ROUTE, services, {}, morning)
    assert (found.closures, found.known, len(found.notes)) == ((), False, 1)


async def test_list_is_asked_once_a_moment_and_kept_for_every_route(
    router: respx.MockRouter, morning: datetime
) -> None:
    asked = router.get(url__startswith=f"{NWS}/alerts/active").respond(json=listed(feature()))
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(morning), rng=np.random.default_rng(1),
        sleep=no_wait, per_s_per_host=1e9, on_response=record_response,
    )) as client:  # fmt: skip
        feed = ActiveAlerts(NwsAlerts(client, NWS))
        kept = []
        for now in (morning, morning, morning + timedelta(minutes=30)):
            with recording() as responses:
                await feed.read(now)
            kept.append([h.url for h in responses])
    assert kept == [[f"{NWS}/alerts/active?status=actual"]] * 3
    assert asked.call_count == 2


CANADIAN = {
    "id": "made-1",
    "geometry": {"type": "Polygon", "coordinates": [box(-116.4, -116.2).polygons[0][0].tolist()]},
    "properties": {
        "alert_code": "SFW",
        "alert_type": "warning",
        "alert_name_en": "snowfall warning",
        "alert_text_en": "Snow will fall.",
        "status_en": "issued",
        "validity_datetime": "2027-01-14T09:00:00Z",
        "event_end_datetime": "2027-01-15T09:00:00Z",
    },
}


@pytest.mark.parametrize("answered", [True, False])
async def test_canada_is_asked_on_its_land_only_and_no_answer_is_shown(
    answered: bool, router: respx.MockRouter, morning: datetime
) -> None:
    canada = router.get(url__startswith=f"{GEOMET}/collections/weather-alerts/items")
    canada.respond(json={"features": [CANADIAN]}) if answered else canada.respond(404)
    route = make_route(60e3, spans=[("US-MT", 0.0, 30e3), ("CA-BC", 30e3, 60e3)])
    body = listed(feature(affectedZones=[f"{NWS}/zones/forecast/FLZ001"]))
    found = await warned(route, [], morning, router, body)
    asked = str(canada.calls[0].request.url.params)
    assert "bbox=-116.15" in asked  # km 30 is 0.4 deg east of -116.5, less 0.05
    if answered:
        assert [c.what for c in found.closures] == ["snowfall warning"]
        assert (found.notes, found.known) == ((), True)
    else:
        assert found.notes == ("Weather warnings not known for Canada (answered HTTP 404): ask before leaving",)
        assert not found.known


async def plans_of(
    settings: Settings, ground: ReferenceData, now: datetime, writer: ReplayWriter | None = None
) -> list[Any]:
    """As `planner` would, without its pace."""
    async with HttpClient(
        HttpOptions(
            contact=settings.contact,
            cache_dir=settings.cache,
            now_utc=ManualClock(now),
            rng=np.random.default_rng(1),
            sleep=no_wait,
            per_s_per_host=1e9,
            on_response=record_response,
        )
    ) as client:
        weather_sources, elevations = open_weather_sources(settings.forecast, True, "test", client)
        east = TRIP.model_copy(update={"id": "T-2", "route": "i90-east"})
        return await Planner(settings, ground, weather_sources, elevations, writer).plan([TRIP, east], now)


@pytest.mark.parametrize(
    ("status", "ends", "held", "expected"),
    [
        (200, "2027-01-14T16:00:00-07:00", True, '; sent Thu 02:00 MST: "Stay off the pass."'),
        (200, "2027-01-14T04:30:00-07:00", False, "expected to be over when the truck gets there"),
        (404, None, False, "Weather warnings not known (answered HTTP 404): ask before leaving"),
    ],
)
async def test_two_routes_share_a_list_and_replay_without_outlines(
    status: int,
    ends: str | None,
    held: bool,
    expected: str,
    make_settings: Callable[..., Settings],
    morning: datetime,
    tmp_path: Path,
) -> None:
    """The trips leave at 04:45. Their cells are not covered here, which makes the plans partial and "be ready"."""
    archive, outlines = Archive(tmp_path / "kept"), tmp_path / "zones.geojson"
    write_zones(outlines, [zone("forecast/MTZ001", -115.0, -113.0, morning)])
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as forecasts, respx.mock(assert_all_called=False) as router:
        router.route(host="127.0.0.1").pass_through()
        body = listed(feature(ends=ends, parameters={}))
        asked = router.get(url__startswith=f"{NWS}/alerts/active").respond(status, json=body)
        gone = {"type": f"{NWS}/problems/MarineForecastNotSupported", "status": 404}
        router.get(url__startswith=f"{NWS}/points/").respond(404, json=gone)
        made = make_settings(forecasts=forecasts.base_url, trips=None, contact="ops@fleet.example")
        settings = replace(
            made,
            forecast=replace(made.forecast, sources=("nws", "open-meteo")),
            places=replace(made.places, zones=outlines),
        )
        plans = await plans_of(settings, load_reference_data(settings.places), morning, ReplayWriter(archive=archive))
        assert asked.call_count == 1
        off = replace(settings, forecast=replace(settings.forecast, alerts=False), cache=tmp_path / "apart")
        await plans_of(off, load_reference_data(settings.places), morning)
        assert asked.call_count == 1
    outlines.unlink()
    for plan in plans:
        assert isinstance(plan, Plan)
        assert any(expected in c for c in plan.cautions), plan.cautions
        assert plan.warnings_known is (status == 200)
        again = await replay(archive, plan.id)
        assert plan_json(again.plan) == plan_json(plan)
    assert plans[0].advice is (Advice.HOLD if held else Advice.READY)


async def test_outlines_gathered_while_the_daemon_runs_are_taken_up(
    make_settings: Callable[..., Settings], morning: datetime, tmp_path: Path
) -> None:
    made = make_settings()
    outlines = tmp_path / "zones.geojson"
    places = replace(made.places, zones=outlines)
    before = load_reference_data(places)
    assert before.zones == {}
    write_zones(outlines, [zone("forecast/MTZ001", -115.0, -113.0, morning)])
    after = before.reload_gathered(places)
    assert list(after.zones) == ["forecast/MTZ001"]
    assert after.files["zones/zones.geojson"] == outlines.read_bytes()
    assert after.reload_gathered(places) is after
    outlines.write_text("{", encoding="utf-8")
    assert after.reload_gathered(places) is after

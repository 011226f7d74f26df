"""The HTTP interface: what each request is answered, and that every refusal is a problem detail (RFC 9457)."""

import json
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import event

from alertd.errors import StoreError
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.records.driver_reports import roads_seen
from alertd.records.positions import load_positions
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.web.app import make_api
from alertd.web.problems import PROBLEM_TYPES, TYPE_PREFIX
from tests.planning.test_weather import Made

JSON = {"content-type": "application/json"}
TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00", "driver": "Ann"}
SHARED = Path(__file__).resolve().parents[2] / "shared"


class Api:
    """The application under test, and how often it asked for a cycle."""

    def __init__(self, settings: Settings, ground: ReferenceData, store: Store, clock: ManualClock) -> None:
        self.wakes = 0
        planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
        self.app = make_api(planning, store, clock, self._wake)
        self.http = httpx.AsyncClient(
            transport=httpx.ASGITransport(app=self.app, raise_app_exceptions=False), base_url="http://localhost"
        )

    def _wake(self) -> None:
        self.wakes += 1

    async def post(self, **changes: Any) -> httpx.Response:
        return await self.http.post("/v1/trips", json=TRIP | changes)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
async def api(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> AsyncIterator[Api]:
    made = Api(make_settings(trips=None), ground, store, ManualClock(morning))
    async with made.http:
        yield made


def problem(response: httpx.Response, status: int) -> dict[str, Any]:
    """The problem detail of a refusal, after RFC 9457 sections 3 and 3.1."""
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    name = body["type"].removeprefix(TYPE_PREFIX)
    assert name in PROBLEM_TYPES or (body["type"], body["title"]) == ("about:blank", HTTPStatus(status).phrase)
    assert body["status"] == status
    assert {type(body["title"]), type(body["detail"])} == {str}
    assert "\n" not in body["detail"]
    return body


async def test_new_trip_is_201_again_200_and_only_new_starts_a_cycle(api: Api, store: Store) -> None:
    first, again = await api.post(), await api.post()
    assert (first.status_code, again.status_code, api.wakes) == (201, 200, 1)
    assert (
        first.json()
        == again.json()
        == TRIP
        | {
            "dispatcher": "",
            "drive_hours_used": None,
            "driven_since_break_h": None,
            "on_duty_since": "",
            "cycle_hours_used": None,
            "cycle_limit_h": 70,
            "week_drive_hours_used": None,
            "fortnight_drive_hours_used": None,
            "short_rests_used": None,
            "long_days_used": None,
            "weekly_rest_ended": "",
            "weekly_rest_reduced": None,
            "deliver_from": "",
            "deliver_by": "",
            "routes": [],
            "stops": [],
            "language": "",
        }
    )
    assert [t.id for t in store.trips()] == ["T-1"]


async def test_several_routes_may_stand_in_the_place_of_one(api: Api, store: Store) -> None:
    several = {k: v for k, v in TRIP.items() if k != "route"} | {"routes": ["i90-west", "i90-east.gpx"]}
    taken = await api.http.post("/v1/trips", json=several)
    assert taken.status_code == 201
    assert (taken.json()["route"], taken.json()["routes"]) == ("i90-west", ["i90-west", "i90-east.gpx"])
    none = {k: v for k, v in TRIP.items() if k != "route"}
    assert problem(await api.http.post("/v1/trips", json=none | {"id": "T-2"}), 422)["field"] == "route"
    empty = problem(await api.http.post("/v1/trips", json=none | {"id": "T-2", "routes": []}), 422)
    assert empty["field"] == "route"


async def test_other_content_under_a_known_id_is_409_with_no_change(api: Api, store: Store) -> None:
    await api.post()
    before = store.trip("T-1")
    assert "give a new id" in problem(await api.post(driver="Bo"), 409)["detail"]
    assert store.trip("T-1") == before


async def test_a_trip_of_an_older_version_posted_again_is_200(api: Api, store: Store) -> None:
    # An older version stored only the fields that it knew; the new ones have their defaults.
    await api.post()
    stored = store.trip("T-1")
    assert stored is not None
    known = json.loads(stored.body)
    store.put_trip(replace(stored, body=json.dumps({k: known[k] for k in TRIP})), replace=True)
    assert (await api.post()).status_code == 200
    problem(await api.post(drive_hours_used=2), 409)


async def test_cancelled_trip_is_not_listed_and_its_id_not_reused(api: Api) -> None:
    await api.post()
    assert (await api.http.delete("/v1/trips/T-1")).status_code == 204
    assert (await api.http.get("/v1/trips")).json() == {"trips": []}
    assert "was cancelled" in problem(await api.post(), 409)["detail"]
    problem(await api.http.delete("/v1/trips/T-2"), 404)


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"depart": "2027-01-14T03:29:59-07:00"}, "depart", "is in the past, it is 2027-01-14T10:30:00+00:00"),
        ({"depart": "2027-01-14T04:45:00"}, "depart", "has no UTC offset"),
        ({"depart": "at dawn"}, "depart", "is not a date and time"),
        ({"depart": "9999-12-31T23:59:00-14:00"}, "depart", "outside the calendar"),
        ({"depart": 7}, "depart", "write depart = "),
        ({"rig": "quillback-99"}, "rig", '"quillback-99" is not known; name one of: quillback-17'),
        ({"rig": "/etc/secret.toml"}, "rig", '"/etc/secret.toml" is not known; name one of: quillback-17'),
        ({"route": "i15"}, "route", '"i15" is not in '),
        ({"route": "../../etc/passwd"}, "route", '"../../etc/passwd" is not in '),
        ({"route": "/etc/passwd"}, "route", '"/etc/passwd" is not in '),
        ({"route": "é" * 200}, "route", "is not in "),
        ({"route": "a\0b"}, "route", "control character"),
        ({"route": "\ud800"}, "route", "write"),
        ({"routes": ["i90-west", "i15"]}, "route", '"i15" is not in '),
        ({"routes": ["i90-west", "../../etc/passwd"]}, "route", '"../../etc/passwd" is not in '),
        ({"routes": ["i90-east", "i90-west"]}, "routes", 'begins with "i90-east", not with route; name the planned'),
        ({"routes": ["i90-west", "i90-west"]}, "routes", "names a route twice; name each once"),
        ({"routes": ["i90-west", "a\0b"]}, "routes", "control character"),
        ({"routes": "i90-west"}, "routes", "write routes = "),
        ({"driver": "Ann\nBo"}, "driver", "line break or control character"),
        ({"drive_hours_used": -1}, "drive_hours_used", "-1"),
        ({"spare": 1}, "spare", "unknown key"),
        ({"id": ""}, "id", "T-1041"),
    ],
)
async def test_a_mistake_in_a_trip_is_422_and_names_field_and_mend(
    changes: dict[str, Any], field: str, expected: str, api: Api, store: Store
) -> None:
    body = problem(await api.http.post("/v1/trips", content=json.dumps(TRIP | changes), headers=JSON), 422)
    assert body["field"] == field
    assert expected in body["detail"]
    assert body["mend"]
    assert store.trips() == []
    assert api.wakes == 0


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"\xff\xfe\x00", b"[" * 60_000, b"9" * 5000],
    ids=["empty", "open", "not UTF-8", "deep", "a number"],
)
async def test_a_body_that_is_no_json_is_422(content: bytes, api: Api) -> None:
    body = problem(await api.http.post("/v1/trips", content=content, headers=JSON), 422)
    assert "JSON" in body["detail"]


@pytest.mark.parametrize("content_type", ["", "text/plain", "application/x-www-form-urlencoded"])
async def test_a_body_of_another_type_is_415(content_type: str, api: Api) -> None:
    """A web page on this machine may post these types to loopback without asking its browser."""
    headers = {"content-type": content_type} if content_type else {}
    problem(await api.http.post("/v1/trips", content=json.dumps(TRIP), headers=headers), 415)


async def test_a_body_over_64_kilobytes_is_413(api: Api) -> None:
    problem(await api.http.post("/v1/trips", content=b" " * (64 * 1024 + 1), headers=JSON), 413)


async def test_what_is_not_served_is_a_problem_detail_too(api: Api) -> None:
    problem(await api.http.get("/v2/trips"), 404)
    wrong_method = await api.http.put("/v1/trips")
    problem(wrong_method, 405)
    assert "POST" in wrong_method.headers["allow"] or "GET" in wrong_method.headers["allow"]


async def test_with_a_token_set_trips_need_it_and_health_does_not(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> None:
    api = Api(make_settings(trips=None, http_token="long-random-token"), ground, store, ManualClock(morning))
    async with api.http:
        for given in ("", "Bearer wrong", "long-random-token", "Basic long-random-token", "Bearer \xe9"):
            refused = await api.http.get("/v1/trips", headers={"authorization": given.encode("latin-1")})
            problem(refused, 401)
            assert refused.headers["www-authenticate"] == "Bearer"
        taken = await api.http.get("/v1/trips", headers={"authorization": "Bearer long-random-token"})
        assert taken.status_code == 200
        assert (await api.http.get("/healthz")).status_code == 200


async def test_a_plan_is_404_until_a_cycle_has_made_it(
    open_planner: Callable, make_settings: Callable[..., Settings], api: Api, store: Store, morning: datetime
) -> None:
    await api.post()
    problem(await api.http.get("/v1/trips/T-1/plan"), 404)
    with FakeOpenMeteo(now_utc=morning) as forecasts:
        settings = make_settings(forecasts=forecasts.base_url, trips=None)
        async with open_planner(settings, ManualClock(morning)) as planning:
            await run_cycle(planning, store, morning)
    plan = (await api.http.get("/v1/trips/T-1/plan")).json()
    assert (plan["format"], plan["trip_id"], plan["driver"]) == ("alertd.plan/1", "T-1", "Ann")
    assert plan["stretches"][0]["chain_up"]["name"]


async def test_health_answers_and_readiness_counts_the_outbox(api: Api) -> None:
    assert (await api.http.get("/healthz")).json()["status"] == "up"
    ready = (await api.http.get("/readyz")).json()
    assert {"status": "ready", "undelivered": 0, "oldest_undelivered_s": 0, "parked": 0}.items() <= ready.items()


async def test_readiness_is_503_on_store_failure_and_health_answers(api: Api, store: Store) -> None:
    Path(store.place).write_bytes(b"no database" * 1000)
    assert "not a valid SQLite file" in problem(await api.http.get("/readyz"), 503)["detail"]
    problem(await api.post(), 503)
    assert (await api.http.get("/healthz")).status_code == 200


def set_pragma(store: Store, text: str) -> None:
    """Set it on each connection of the store: SQLite's own switches stand for a failing disk."""

    def set_on(dbapi: Any, *_: object) -> None:
        dbapi.execute(f"PRAGMA {text}").close()

    event.listen(store._database._backend.engine, "checkout", set_on)


@pytest.mark.parametrize(
    ("fails", "ends", "says"),
    [
        ("query_only=ON", "query_only=OFF", "cannot be written"),
        ("max_page_count=1", "max_page_count=1000000", "disk is full or failing"),
    ],
)
async def test_store_without_writes_is_one_state_with_a_way_back(
    api: Api, store: Store, fails: str, ends: str, says: str
) -> None:
    """A file system that turns read-only, and a full one: reads are answered, nothing is half written."""
    assert (await api.post()).status_code == 201
    more = StoredTrip(id="T-2", body="driver " * 10_000, created_at=datetime(2027, 1, 14, tzinfo=UTC))
    set_pragma(store, fails)
    with pytest.raises(StoreError, match=says):
        store.put_trip(more)  # of many pages: a full disk still has room in those in use
    if "query_only" in fails:
        assert says in problem(await api.http.get("/readyz"), 503)["detail"]
    assert (await api.http.get("/healthz")).json()["status"] == "up"
    assert (await api.http.get("/v1/trips")).status_code == 200
    set_pragma(store, ends)
    assert (await api.http.get("/readyz")).json()["status"] == "ready"
    assert store.put_trip(more)


async def test_internal_error_is_a_problem_detail_without_internals(api: Api, store: Store) -> None:
    await api.post()
    store.cancel_trip("T-1")
    store.record_plan("plan_x", "T-1", datetime(2027, 1, 14, tzinfo=UTC), "not JSON", (), {})
    body = problem(await api.http.get("/v1/trips/T-1/plan"), 500)
    assert "JSON" not in body["detail"]


async def test_shared_openapi_description_is_what_the_daemon_serves(api: Api) -> None:
    """When it is meant to change, write what a daemon of this version serves at /openapi.json into that file."""
    served = (await api.http.get("/openapi.json")).json()
    assert json.loads((SHARED / "openapi.json").read_text(encoding="utf-8")) == served


async def test_a_road_seen_is_kept_and_placed_for_other_trucks(api: Api, store: Store, morning: datetime) -> None:
    """By the summit's name, else by the truck's position of about that time; without either only the office sees it."""
    await api.post()
    for minute, changes in ((1, {"place": "lookout pass"}), (2, {}), (40, {})):
        at = (morning - timedelta(minutes=minute)).isoformat()
        sent = {"what": "road_seen", "road": "ice", "at": at} | changes
        assert (await api.http.post("/v1/trips/T-1/events", json=sent)).status_code == 201
    position = {"at": (morning - timedelta(minutes=9)).isoformat(), "lat": 47.0, "lon": -114.5}
    await api.http.post("/v1/trips/T-1/positions", json=position)
    seen = roads_seen(store, {"lookout pass": (47.456, -115.697)}, morning)
    assert [(s.lat_deg, s.where) for s in seen] == [(47.0, ""), (47.456, "lookout pass")]
    assert roads_seen(store, {}, morning + timedelta(hours=3)) == ()
    snowing = {"what": "road_seen", "falls": "snow", "place": "Lookout Pass", "at": morning.isoformat()}
    assert (await api.http.post("/v1/trips/T-1/events", json=snowing)).status_code == 201
    assert "snow_falls" in [s.sight for s in roads_seen(store, {"lookout pass": (47.456, -115.697)}, morning)]
    two = {"what": "road_seen", "road": "ice", "falls": "snow"}
    alone = ({"what": "road_seen"}, {"what": "chains_on", "road": "ice"}, {"what": "road_seen", "road": "dry"})
    for wrong in (*alone, two):
        refused = await api.http.post("/v1/trips/T-1/events", json={"at": morning.isoformat()} | wrong)
        assert problem(refused, 422)["field"] == "road"


async def test_ice_seen_by_one_truck_readies_the_plan_of_another(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime, api: Api
) -> None:
    await api.post()
    await api.post(id="T-2")
    sent = {"what": "road_seen", "road": "ice", "at": morning.isoformat(), "place": "Lookout Pass"}
    await api.http.post("/v1/trips/T-1/events", json=sent)
    planner = Planner(
        make_settings(trips=None), ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), []
    )
    outcome = await run_cycle(planner, store, morning)
    plans = {p.trip_id: p for p in outcome.plans}
    assert any("A driver saw ice at Lookout Pass, mi " in c for c in plans["T-2"].cautions)


@pytest.mark.parametrize(("road", "counts"), [("snow", True), ("wet", False)])
async def test_snow_tapped_by_one_truck_is_snow_in_the_next_plan(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime, api: Api,
    road: str, counts: bool,
) -> None:  # fmt: skip
    """Rain or snow is open at +4 °C: a tap of snow shifts it, one of a wet road does not."""
    await api.post()
    source = Made(name="made", temp_c=4.0, precip_mmwe_h=1.0)
    weather = WeatherSources(providers=[source], members=12, seed=1, stale_h=24.0)
    planner = Planner(make_settings(trips=None), ground, weather, [])

    async def chained_frac() -> float:
        (plan,) = (await run_cycle(planner, store, morning)).plans
        return plan.chain_probability

    before = await chained_frac()
    sent = {"what": "road_seen", "road": road, "at": morning.isoformat(), "place": "Lookout Pass"}
    await api.http.post("/v1/trips/T-1/events", json=sent)
    after = await chained_frac()
    assert after > before if counts else after == before


SEEN = {"at": "2027-01-14T03:20:00-07:00", "lat": 47.0, "lon": -114.5}


async def test_a_position_is_kept_once_and_asks_for_no_cycle(api: Api, store: Store) -> None:
    await api.post()
    wakes = api.wakes
    first = await api.http.post("/v1/trips/T-1/positions", json=SEEN)
    again = await api.http.post("/v1/trips/T-1/positions", json=SEEN | {"at": "2027-01-14T10:20:00Z"})
    assert (first.status_code, again.status_code, api.wakes) == (201, 200, wakes)
    assert first.json() == again.json() == {"trip_id": "T-1", **SEEN, "at": "2027-01-14T10:20:00+00:00"}
    (report,) = load_positions(store, "T-1")
    assert (report.at, report.lat_deg, report.lon_deg) == (datetime(2027, 1, 14, 10, 20, tzinfo=UTC), 47.0, -114.5)


async def test_a_device_whose_clock_is_five_minutes_ahead_is_believed(api: Api) -> None:
    """The clock of these tests stands at 10:30 UTC."""
    await api.post()
    late = await api.http.post("/v1/trips/T-1/positions", json=SEEN | {"at": "2027-01-14T10:35:00Z"})
    assert late.status_code == 201


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"at": "2027-01-14T10:35:01Z"}, "at", "is in the future, it is 2027-01-14T10:30:00+00:00"),
        ({"at": "2027-01-14T10:20:00"}, "at", "has no UTC offset; add the offset from UTC"),
        ({"at": "just now"}, "at", "is not a date and time"),
        ({"at": 7}, "at", "write at = "),
        ({"lat": 90.1}, "lat", "90.1 is wrong"),
        ({"lat": "47.0"}, "lat", "write lat = 47.0"),
        ({"lon": -180.5}, "lon", "-180.5 is wrong"),
        ({"lon": float("nan")}, "lon", "nan is wrong"),
        ({"speed": 3}, "speed", "unknown key"),
    ],
)
async def test_a_mistake_in_a_position_is_422_and_nothing_is_kept(
    changes: dict[str, Any], field: str, expected: str, api: Api, store: Store
) -> None:
    await api.post()
    content = json.dumps(SEEN | changes)
    body = problem(await api.http.post("/v1/trips/T-1/positions", content=content, headers=JSON), 422)
    assert body["field"] == field
    assert expected in body["detail"]
    assert body["mend"]
    assert load_positions(store, "T-1") == ()


@pytest.mark.parametrize("content", [b"", b"[1]", b"[" * 60_000], ids=["empty", "list", "deep"])
async def test_a_position_that_is_no_object_is_422(content: bytes, api: Api) -> None:
    await api.post()
    problem(await api.http.post("/v1/trips/T-1/positions", content=content, headers=JSON), 422)


async def test_position_of_an_unknown_or_cancelled_trip_is_404(api: Api) -> None:
    assert "unknown" in problem(await api.http.post("/v1/trips/T-9/positions", json=SEEN), 404)["detail"]
    await api.post()
    await api.http.delete("/v1/trips/T-1")
    assert "cancelled" in problem(await api.http.post("/v1/trips/T-1/positions", json=SEEN), 404)["detail"]


async def test_positions_need_the_token_too(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> None:
    api = Api(make_settings(trips=None, http_token="long-random-token"), ground, store, ManualClock(morning))
    async with api.http:
        problem(await api.http.post("/v1/trips/T-1/positions", json=SEEN), 401)


async def test_reports_of_a_trip_are_kept_once_and_listed(api: Api) -> None:
    await api.post()
    sent = {"what": "chains_on", "at": "2027-01-14T03:00:00-07:00", "place": "Sled Flats"}
    first, again = [await api.http.post("/v1/trips/T-1/events", json=sent) for _ in range(2)]
    assert (first.status_code, again.status_code) == (201, 200)
    listed = (await api.http.get("/v1/trips/T-1/events")).json()["events"]
    assert [(r["what"], r["at"]) for r in listed] == [("chains_on", "2027-01-14T10:00:00+00:00")]


@pytest.mark.parametrize(
    ("sent", "status", "says"),
    [
        ({"what": "danced", "at": "2027-01-14T03:00:00-07:00"}, 422, "what"),
        ({"what": "read", "at": "2027-01-14T03:00:00-07:00"}, 422, "notice_id"),
        ({"what": "read", "at": "2027-01-14T03:00:00-07:00", "notice_id": "ntc_1"}, 404, "ntc_1"),
        ({"what": "chains_on", "at": "2027-01-14T03:00:00"}, 422, "at"),
        ({"what": "chains_on", "at": "2031-01-14T03:00:00-07:00"}, 422, "future"),
    ],
)
async def test_a_report_that_cannot_be_is_refused_by_field(
    api: Api, sent: dict[str, str], status: int, says: str
) -> None:
    await api.post()
    answer = await api.http.post("/v1/trips/T-1/events", json=sent)
    assert answer.status_code == status
    assert says in json.dumps(answer.json())

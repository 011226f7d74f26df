"""Closures over HTTP into plans; they come back in a replay."""

import json
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import plan_text
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.weather import WeatherSources
from alertd.records.closures import IdConflict, active_closures, save_closure, withdraw
from alertd.route.model import Route
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.requests.closures import parse_closure
from alertd.store.archive import Archive
from alertd.store.rows import StoredEvent
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import Storm
from alertd.web.app import make_api

FINE = Storm(warmer_k=15.0, wetter=0.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def closure(i90_west: Route) -> dict[str, Any]:
    """Km 50 to 60 of the demo's road, from before the trip until the evening."""

    def at(m: float) -> list[float]:
        i = int(m // 250)
        return [float(i90_west.lat_deg[i]), float(i90_west.lon_deg[i])]

    return {
        "id": "C-1",
        "from": at(50e3),
        "to": at(60e3),
        "begins_at": "2027-01-14T03:00:00-07:00",
        "ends_at": "2027-01-14T20:00:00-07:00",
        "what": "avalanche work",
        "source": "the road authority",
    }


class Api:
    def __init__(self, settings: Settings, ground: ReferenceData, store: Store, clock: ManualClock) -> None:
        self.wakes = 0
        planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
        app = make_api(planning, store, clock, self._wake)
        self.http = httpx.AsyncClient(
            transport=httpx.ASGITransport(app=app, raise_app_exceptions=False), base_url="http://localhost"
        )

    def _wake(self) -> None:
        self.wakes += 1

    async def post(self, body: dict[str, Any]) -> httpx.Response:
        return await self.http.post("/v1/closures", json=body)


@pytest.fixture
async def api(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> AsyncIterator[Api]:
    made = Api(make_settings(trips=None), ground, store, ManualClock(morning))
    async with made.http:
        yield made


async def test_closure_is_stored_once_listed_while_valid_and_withdrawn(
    api: Api, store: Store, closure: dict[str, Any], morning: datetime
) -> None:
    """A withdrawal is final."""
    first, again = await api.post(closure), await api.post(closure)
    other_zone = await api.post(closure | {"begins_at": "2027-01-14T10:00:00+00:00"})
    assert [r.status_code for r in (first, again, other_zone)] == [201, 200, 200]
    kept = closure | {"begins_at": "2027-01-14T10:00:00+00:00", "ends_at": "2027-01-15T03:00:00+00:00"}
    met = {name: first.json()[name] for name in ("routes", "trips", "warning")}
    assert first.json() == kept | met
    assert (met["routes"], met["trips"]) == ([], [])
    assert "lies on no route of an active trip" in met["warning"]
    assert (await api.http.get("/v1/closures")).json() == {"closures": [kept]}
    other = await api.post(closure | {"ends_at": None})
    assert (other.status_code, other.json()["title"]) == (409, "the id is taken")
    assert len(active_closures(store, morning + timedelta(hours=17))) == 1  # 03:30, an end at 03:00 is not yet believed
    assert active_closures(store, morning + timedelta(hours=17, minutes=30)) == ()
    assert (await api.http.delete("/v1/closures/C-1")).status_code == 204
    assert (await api.http.get("/v1/closures")).json() == {"closures": []}
    assert "was taken back; give a new id" in (await api.post(closure)).json()["detail"]
    assert (await api.http.delete("/v1/closures/C-2")).status_code == 404
    assert api.wakes == 2


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"id": "a/b"}, "id", "is wrong"),
        ({"from": [91.0, 0.0]}, "from", "is nowhere on Earth"),
        ({"from": [47.0]}, "from", "is wrong"),
        ({"to": [float("nan"), 0.0]}, "to", "is nowhere on Earth"),
        ({"from": [47.0, -115.0], "to": [47.0, -115.0]}, "to", "is the same place as from"),
        ({"begins_at": "2027-01-14T03:00:00"}, "begins_at", "has no UTC offset"),
        ({"ends_at": "2027-01-14T03:00:00-07:00"}, "ends_at", "is not after begins_at"),
        ({"what": ""}, "what", "is wrong"),
        ({"what": "two\nlines"}, "what", "is wrong"),
        ({"until": 3}, "until", "unknown key"),
    ],
)
async def test_a_mistake_is_422_and_nothing_is_kept(
    changes: dict[str, Any],
    field: str,
    expected: str,
    api: Api,
    store: Store,
    closure: dict[str, Any],
    morning: datetime,
) -> None:
    content = json.dumps(closure | changes)
    answer = await api.http.post("/v1/closures", content=content, headers={"content-type": "application/json"})
    assert (answer.status_code, answer.json()["field"]) == (422, field)
    assert expected in answer.json()["detail"]
    assert active_closures(store, morning) == ()


async def test_closures_need_the_token_too(
    make_settings: Callable[..., Settings],
    ground: ReferenceData,
    store: Store,
    morning: datetime,
    closure: dict[str, Any],
) -> None:
    api = Api(make_settings(trips=None, http_token="long-random-token"), ground, store, ManualClock(morning))
    async with api.http:
        answers = [await api.post(closure), await api.http.get("/v1/closures"), await api.http.delete("/v1/closures/C")]
    assert [a.status_code for a in answers] == [401, 401, 401]


async def test_cycle_holds_for_a_closure_until_withdrawn_and_replays(
    make_settings: Callable[..., Settings],
    store: Store,
    morning: datetime,
    closure: dict[str, Any],
    i90_west: Route,
    tmp_path: Path,
) -> None:
    archive, clock = Archive(tmp_path / "kept"), ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as forecasts:
        settings = make_settings(forecasts=forecasts.base_url)
        at_once = replace(settings.notices, before_rolling=timedelta(days=1), digest_every=timedelta(0))
        settings = replace(settings, notices=at_once)
        async with create_planner(settings, clock, ReplayWriter(archive=archive)) as planning:
            before = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
            save_closure(store, parse_closure(closure, "test"), clock())
            clock.advance(timedelta(minutes=1))
            held = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
            expected = {trip_id: " ".join(n.text for n in store.notices(trip_id)) for trip_id in held}
            assert withdraw(store, "C-1", clock())
            clock.advance(timedelta(minutes=1))
            after = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
    west = [p for p in held.values() if p.closures]
    assert west
    assert all(before[p.trip_id].advice is not Advice.HOLD for p in west)
    for plan in west:
        (note,) = plan.closures
        assert (plan.advice, note.held, note.what) == (Advice.HOLD, True, "Road closed (avalanche work)")
        far_m = plan.route_length_m
        ends = (50e3, 60e3) if plan.route_name == i90_west.name else (far_m - 60e3, far_m - 50e3)  # two go east
        assert (note.start_m, note.end_m) == pytest.approx(ends, abs=600.0)
        assert f"HOLD below mi {note.start_m / 1609.344:.0f} of this trip: Road closed" in expected[plan.trip_id]
        assert (after[plan.trip_id].advice, after[plan.trip_id].closures) == (before[plan.trip_id].advice, ())
        assert "HOLD ENDED: Road closed (avalanche work)" in " ".join(n.text for n in store.notices(plan.trip_id))
        again = await replay(archive, plan.id)
        stored = store.plan(plan.id)
        assert stored is not None
        assert f'"plan":{plan_text(again.plan)}' in stored.body


def test_a_closure_of_an_older_version_is_the_same(store: Store, closure: dict[str, Any], morning: datetime) -> None:
    # An older version stored only the fields that it knew; the new ones have their defaults.
    body = json.dumps({k: v for k, v in closure.items() if k != "ends_at"})
    parsed = parse_closure(json.loads(body), "test")
    store.put_event(StoredEvent(id="closure_C-1", trip_id="", kind="closure", at=morning, body=body))
    assert not save_closure(store, parsed, morning)
    with pytest.raises(IdConflict):
        save_closure(store, parse_closure(closure, "test"), morning)

"""Posted controls over HTTP and from feeds into plans, kept as events, read back when a feed is silent, replayed."""

import json
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from alertd.plan.controls.placement import PostedConditions
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.posted import NOT_UNDERSTOOD
from alertd.plan.serialize import plan_text
from alertd.planning.one_off import load_daemon_state
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.weather import WeatherSources
from alertd.records.posted_controls import RoadFeeds, active_posted, collect_posted
from alertd.records.posted_events import CONFIRMATIONS, CONTROLS, ENDS, READS
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.road_feeds.config import Feed, read_feed
from alertd.store.archive import Archive
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import Storm
from alertd.web.app import make_api

FINE = Storm(warmer_k=15.0, wetter=0.0)
POSTED = {
    "id": "P-1",
    "jurisdiction": "US-ID",
    "level": "chains-required",
    "place": "Lookout Pass",
    "since": "2027-01-14T03:10:00-07:00",
    "words": "chain sign lit",
    "source": "a driver, by telephone",
}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


class Api:
    def __init__(self, settings: Settings, ground: ReferenceData, store: Store, clock: ManualClock) -> None:
        self.wakes, self.clock = 0, clock
        planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
        app = make_api(planning, store, clock, self._wake)
        self.http = httpx.AsyncClient(
            transport=httpx.ASGITransport(app=app, raise_app_exceptions=False), base_url="http://localhost"
        )

    def _wake(self) -> None:
        self.wakes += 1

    async def post(self, **changes: Any) -> httpx.Response:
        body = {k: v for k, v in (POSTED | changes).items() if v != "left out"}
        return await self.http.post("/v1/posted", json=body)


@pytest.fixture
async def api(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> AsyncIterator[Api]:
    made = Api(make_settings(trips=None), ground, store, ManualClock(morning))
    async with made.http:
        yield made


async def test_report_is_stored_once_confirmed_by_repeat_and_withdrawn(
    api: Api, store: Store, morning: datetime
) -> None:
    """A withdrawal is final."""
    first = await api.post()
    api.clock.advance(timedelta(hours=2))
    again = await api.post()
    assert [first.status_code, again.status_code] == [201, 200]
    (listed,) = (await api.http.get("/v1/posted")).json()["posted"]
    assert (listed["id"], listed["level"], listed["feed"], listed["place"]) == (
        "P-1", "chains-required", None, "Lookout Pass",
    )  # fmt: skip
    assert (listed["since"], listed["until"]) == ("2027-01-14T10:10:00Z", None)
    assert (listed["first_seen"], listed["confirmed_at"]) == ("2027-01-14T10:30:00Z", "2027-01-14T12:30:00Z")
    other = await api.post(level="closed")
    assert (other.status_code, other.json()["title"]) == (409, "the id is taken")
    assert (await api.http.delete("/v1/posted/P-1")).status_code == 204
    assert (await api.http.get("/v1/posted")).json() == {"posted": []}
    assert "was taken back; give a new id" in (await api.post()).json()["detail"]
    assert (await api.http.delete("/v1/posted/P-2")).status_code == 404
    assert api.wakes == 3
    (ended,) = store.events("", ENDS.kind)
    assert json.loads(ended.body)["last_confirmed"] == "2027-01-14T12:30:00+00:00"
    assert [e.kind for e in store.events("", CONFIRMATIONS.kind)] == [CONFIRMATIONS.kind]


@pytest.mark.parametrize(
    ("changes", "field", "expected"),
    [
        ({"id": "a/b"}, "id", "is wrong"),
        ({"jurisdiction": "US-QQ"}, "jurisdiction", "there are no rules"),
        ({"level": "level 2"}, "level", "is not a level of US-ID"),
        ({"place": "Mount Nowhere"}, "place", "is no zone of US-ID and no summit on file"),
        ({"place": "left out"}, "place", "missing, and so is from or to"),
        ({"place": "left out", "from": [47.0, -115.0]}, "place", "missing"),
        ({"from": [47.0, -115.0]}, "place", "given together with from and to"),
        ({"place": "left out", "from": [91.0, 0.0], "to": [47.0, -115.0]}, "from", "is nowhere on Earth"),
        ({"place": "left out", "from": [47.0, 1.0], "to": [47.0, 1.0]}, "to", "is the same place as from"),
        ({"since": "2027-01-14T03:00:00"}, "since", "has no UTC offset"),
        ({"until": "2027-01-14T03:00:00-07:00"}, "until", "is not after since"),
        ({"direction": "up"}, "direction", "is not one of the words allowed"),
        ({"words": "two\nlines"}, "words", "is wrong"),
        ({"where": "x"}, "where", "unknown key"),
    ],
)
async def test_a_mistake_is_422_and_nothing_is_kept(
    changes: dict[str, Any], field: str, expected: str, api: Api, store: Store
) -> None:
    answer = await api.post(**changes)
    assert (answer.status_code, answer.json()["field"]) == (422, field)
    assert expected in answer.json()["detail"]
    assert store.events("", CONTROLS.kind) == []


async def test_reports_need_the_token_too(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> None:
    api = Api(make_settings(trips=None, http_token="long-random-token"), ground, store, ManualClock(morning))
    async with api.http:
        answers = [await api.post(), await api.http.get("/v1/posted"), await api.http.delete("/v1/posted/P")]
    assert [a.status_code for a in answers] == [401, 401, 401]


class State:
    """An invented state's feed: what it answers, and when it was published."""

    def __init__(self, ground: ReferenceData, demo: Path) -> None:
        self.rows: list[dict[str, Any]] = []
        self.published, self.status = "", 200
        self.feed: Feed = read_feed(demo.parents[1] / "config" / "feeds" / "example.toml", ground.rulesets)

    def __call__(self, request: httpx.Request) -> httpx.Response:
        assert request.url.host == "roads.example"
        body = {"updated": self.published, "controls": self.rows}
        return httpx.Response(self.status, json=body, headers={"cache-control": "no-cache"})

    @asynccontextmanager
    async def open(self, clock: ManualClock, cache: Path | None = None) -> AsyncIterator[RoadFeeds]:
        async def no_wait(_s: float) -> None:
            return None

        async with HttpClient(HttpOptions(
            contact="x@example.invalid", cache_dir=cache, now_utc=clock, rng=np.random.default_rng(1), sleep=no_wait,
            transport=httpx.MockTransport(self),
        )) as client:  # fmt: skip
            yield RoadFeeds(client=client, feeds=(self.feed,))


@pytest.fixture
def state(ground: ReferenceData, demo: Path) -> State:
    return State(ground, demo)


CHAINS = {"id": "L", "pass": "Lookout Pass", "restriction": "Chains required"}


async def test_feed_entries_keep_first_seen_last_seen_and_end(
    state: State, ground: ReferenceData, store: Store, morning: datetime
) -> None:
    clock = ManualClock(morning)

    async def ask(**expected: Any) -> PostedConditions:
        for name, value in expected.items():
            setattr(state, name, value)
        state.published = clock().isoformat()
        async with state.open(clock) as feeds:
            return await collect_posted(feeds, ground, store, clock(), record=True)

    first = await ask(rows=[CHAINS])
    assert [(c.level, c.since, c.confirmed_at) for c in first.controls] == [("chains-required", morning, morning)]
    clock.advance(timedelta(minutes=30))
    second = await ask()
    assert [(c.since, c.confirmed_at) for c in second.controls] == [(morning, morning + timedelta(minutes=30))]
    clock.advance(timedelta(minutes=30))
    silent = await ask(status=503)
    assert [(c.level, c.since, c.confirmed_at) for c in silent.controls] == [
        ("chains-required", morning, morning + timedelta(minutes=30))
    ]
    assert "not known (answered HTTP 503)" in silent.missing[0].text
    clock.advance(timedelta(minutes=30))
    assert (await ask(status=200, rows=[])).controls == ()
    clock.advance(timedelta(minutes=30))
    again = await ask(rows=[CHAINS])
    assert [c.since for c in again.controls] == [morning + timedelta(hours=2)]
    assert len(store.events("", CONTROLS.kind)) == 2
    assert len(store.events("", READS.kind)) == 4
    (ended,) = store.events("", ENDS.kind)
    assert ended.at == morning + timedelta(minutes=90)
    assert json.loads(ended.body)["last_confirmed"] == (morning + timedelta(minutes=30)).isoformat()
    (k,) = active_posted(store, ground, clock())
    assert (k.feed, k.first_seen) == ("example", morning + timedelta(hours=2))


async def test_an_old_publication_is_said_and_ends_nothing(
    state: State, ground: ReferenceData, store: Store, morning: datetime
) -> None:
    clock = ManualClock(morning)
    state.rows, state.published = [CHAINS], morning.isoformat()
    async with state.open(clock) as feeds:
        await collect_posted(feeds, ground, store, clock(), record=True)
    state.rows = []
    clock.advance(timedelta(minutes=61))
    async with state.open(clock) as feeds:
        old = await collect_posted(feeds, ground, store, clock(), record=True)
    assert "may have changed (published 14 10:30 UTC, 61 min ago)" in old.missing[0].text
    assert [c.level for c in old.controls] == ["chains-required"]
    assert store.events("", ENDS.kind) == []


async def test_a_feed_whose_shape_has_changed_is_a_feed_not_heard(
    state: State, ground: ReferenceData, store: Store, morning: datetime, tmp_path: Path
) -> None:
    clock = ManualClock(morning)
    state.rows = [CHAINS]
    async with state.open(clock, tmp_path / "http") as feeds:
        await collect_posted(feeds, ground, store, clock(), record=True)
        state.rows = {"moved": []}  # type: ignore[assignment]
        clock.advance(timedelta(minutes=10))
        changed = await collect_posted(feeds, ground, store, clock(), record=True)
    assert "has no list" in changed.missing[0].text
    assert [(c.level, c.confirmed_at) for c in changed.controls] == [("chains-required", morning)]


async def test_cycle_plans_with_posted_controls_and_replays_the_bytes(
    make_settings: Callable[..., Settings],
    store: Store,
    morning: datetime,
    tmp_path: Path,
    state: State,
    ground: ReferenceData,
) -> None:
    archive, clock = Archive(tmp_path / "kept"), ManualClock(morning)
    state.rows = [CHAINS, {"id": "q", "pass": "Fourth of July Pass", "restriction": "Winter driving"}]
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as forecasts:
        settings = make_settings(forecasts=forecasts.base_url)
        async with create_planner(settings, clock, ReplayWriter(archive=archive)) as planning:
            before = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
            clock.advance(timedelta(minutes=1))
            async with state.open(clock) as feeds:
                planning.feeds = feeds
                posted = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
                state.status = 503
                by_hand = await load_daemon_state(planning, clock())
    west = next(p for p in posted.values() if p.posted)
    assert before[west.trip_id].advice is Advice.CLEAR
    assert west.advice is Advice.CHAIN
    assert {n.level_id for n in west.posted} == {"chains-required", NOT_UNDERSTOOD}
    assert any(p.posted for s in west.stretches for p in s.postings)
    assert any("words not understood: 'Winter driving'" in c for c in west.cautions)
    assert any("POSTED" in n.text for n in store.notices(west.trip_id))
    again = await replay(archive, west.id)
    assert again.differences == ()
    stored = store.plan(west.id)
    assert stored is not None
    assert f'"plan":{plan_text(again.plan)}' in stored.body
    explained = [level for x in again.inputs.explain(again.plan) for level in x.levels]
    assert {level.posted_by for level in explained if level.here_frac == 1.0} == {state.feed.source}
    assert by_hand.road_reports.controls.missing  # what the feed said before is read from the store
    assert {c.level for c in by_hand.road_reports.controls.controls} == {"chains-required", NOT_UNDERSTOOD}
    assert "2 posted controls, with the daemon's store" in by_hand.origin_note


async def test_report_raises_a_plan_and_its_end_restores_our_estimate(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> None:
    clock = ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as forecasts:
        settings = make_settings(forecasts=forecasts.base_url)
        async with create_planner(settings, clock) as planning:
            app = make_api(planning, store, clock, lambda: None)
            async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://localhost") as http:
                assert (await http.post("/v1/posted", json=POSTED | {"level": "closed"})).status_code == 201
                closed = [p for p in (await run_cycle(planning, store, clock())).plans if p.posted]
                assert (await http.delete("/v1/posted/P-1")).status_code == 204
            clock.advance(timedelta(minutes=1))
            after = {p.trip_id: p for p in (await run_cycle(planning, store, clock())).plans}
    assert closed
    held: list[Plan] = [p for p in closed if p.advice is Advice.HOLD]
    assert held
    assert all("Road closed (chain sign lit)" in p.cautions[0] for p in held)
    assert all(after[p.trip_id].advice is not Advice.HOLD for p in held)

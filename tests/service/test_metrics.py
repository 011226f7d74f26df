"""The measures as a monitoring system reads them, with the parsers of the library that writes the format."""

from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as prometheus

from alertd.errors import SourceDown
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.http.answer import SourceResponse
from alertd.store.log import attempts as tries
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.web.app import make_api

NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
OPEN = {"Accept": "application/openmetrics-text; version=1.0.0,text/plain;version=0.0.4;q=0.5"}


class World:
    def __init__(self, settings: Settings, ground: ReferenceData, store: Store) -> None:
        self.meters, self.store, self.clock = Metrics(), store, ManualClock(NOW)
        self.ticks_s = 0.0
        self.pulse = Liveness(lambda: self.ticks_s)
        planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
        self.planner = planning
        app = make_api(planning, store, self.clock, lambda: None, (self.pulse, self.meters))
        self.http = httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://localhost")

    async def samples(self) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
        text = (await self.http.get("/metrics", headers=OPEN)).text
        return {
            (s.name, tuple(sorted(s.labels.items()))): s.value for family in open_metrics(text) for s in family.samples
        }


@pytest.fixture
async def world(make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path) -> AsyncIterator[World]:
    with Store(tmp_path / "alertd.db") as store:
        made = World(make_settings(trips=None), ground, store)
        store.on_new = made.meters.count_notice
        async with made.http:
            yield made


def notice(n: int, at: datetime = NOW) -> Notice:
    id_ = notice_id(NoticeKind.DATA, Audience.DISPATCHER, str(n))
    return Notice(
        id=id_, kind=NoticeKind.DATA, audience=Audience.DISPATCHER, trip_id="", plan_id="", created_at=at,
        expires_at=at + timedelta(hours=6), text="", body="{}",
    )  # fmt: skip


async def test_metrics_are_openmetrics_on_request_else_prometheus_text(world: World) -> None:
    asked = await world.http.get("/metrics", headers=OPEN)
    assert asked.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert asked.text.endswith("# EOF\n")
    names = {family.name for family in open_metrics(asked.text)}
    plain = await world.http.get("/metrics")
    assert plain.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert names
    assert all(name.startswith("alertd_") for name in names)
    assert {family.name for family in prometheus(plain.text)} >= names - {"alertd_build"}


async def test_each_measure_says_what_happened(world: World) -> None:
    metrics = world.meters
    metrics.begin(world.store)
    world.store.record_notices([notice(1), notice(1)], {Audience.DISPATCHER: ["hook"]}, NOW)
    world.store.record_notices([notice(2), notice(3)], {Audience.DISPATCHER: ["hook"]}, NOW)
    world.clock.advance(timedelta(seconds=40))
    outbox, now = world.store.outbox, world.clock()
    taken, refused, _ = (one.id for one in outbox.claim_due(now, 3, 60.0, "daemon"))
    outbox.mark_done(taken, now)
    outbox.mark_retry(refused, now, now, "status 503")
    outbox.mark_parked(refused, now, "status 410")
    metrics.count_response(SourceResponse(url="https://api.example/x", refresh=False, failed=SourceDown("x", "down")))
    for offset_s in (1.0, 2.0, 900.0):
        metrics.count_response(SourceResponse(url="https://api.example/x", refresh=False, clock_offset_s=offset_s))
    found = await world.samples()
    hook = ("channel", "hook")
    assert found["alertd_notices_total", (("audience", "dispatcher"), ("kind", "data"))] == 3.0
    assert found["alertd_outbox_oldest_age_seconds", ()] == 40.0
    assert found["alertd_outbox_waiting", (hook,)] == 1.0
    for outcome in ("accepted", "failed", "parked"):
        assert found["alertd_deliveries_total", (hook, ("outcome", outcome))] == 1.0
    assert found["alertd_decision_to_accept_seconds_bucket", (("le", "30.0"),)] == 0.0
    assert found["alertd_decision_to_accept_seconds_bucket", (("le", "60.0"),)] == 1.0
    assert found["alertd_source_failures_total", (("host", "api.example"),)] == 1.0
    assert found["alertd_clock_offset_seconds", ()] == 2.0


async def test_attempts_of_all_processes_are_counted_once(world: World) -> None:
    """A worker that delivers has no metrics of its own. What was sent before the start does not count."""
    store, hook = world.store, (("channel", "hook"), ("outcome", "accepted"))
    store.record_notices([notice(n) for n in range(4)], {Audience.DISPATCHER: ["hook"]}, NOW)
    of_daemon, before, *of_worker = (store.outbox.of_notice(notice(n).id)[0].id for n in range(4))
    store.outbox.mark_done(before, NOW)
    world.meters.begin(store)
    store.outbox.mark_done(of_daemon, NOW)
    store.senders.join("worker", "")
    store.senders.give({"hook": "worker"})
    store.senders.outbox_of("worker").mark_all_done(dict.fromkeys(of_worker, NOW + timedelta(seconds=7)))
    for _ in range(2):
        found = await world.samples()
        assert found["alertd_deliveries_total", hook] == 3.0
        assert found["alertd_decision_to_accept_seconds_sum", ()] == 14.0


async def test_a_fleet_of_any_size_has_at_most_300_series(world: World) -> None:
    """10,000 notices of every kind, 500 channels, 500 hosts."""
    kinds, audiences = list(NoticeKind), list(Audience)
    for n in range(10_000):
        kind, audience = kinds[n % len(kinds)], audiences[n % len(audiences)]
        world.meters.count_notice(SimpleNamespace(kind=kind, audience=audience, trip_id=f"T-{n}"))  # type: ignore[arg-type]
    world.meters.begin(world.store)
    store, ways = world.store, [f"way-{n}" for n in range(500)]
    store.record_notices([notice(1), notice(2)], {Audience.DISPATCHER: ways}, NOW)
    made = {one.id: NOW for one in store.outbox.of_notice(notice(1).id)}
    with store._database.write() as connection:
        for outcome in (tries.DONE, tries.FAILED, tries.PARKED, tries.EXPIRED, tries.REQUEUED):
            tries.note_attempts(connection, made, outcome)
    for n in range(500):
        world.meters.count_response(
            SourceResponse(url=f"https://h{n}.example/", refresh=False, failed=SourceDown("x", "down"))
        )
    for job in ("cycle", "brief", "speak", "deliver", "tidy"):
        world.meters.last_success.labels(job).set(1.0)
    found = await world.samples()
    assert 100 < len(found) <= 300
    assert not [key for key in found if "T-" in str(key)]
    others = ("channel", "others")
    assert found["alertd_deliveries_total", (others, ("outcome", "accepted"))] == 500.0 - 16.0


async def test_a_token_guards_the_metrics_where_one_is_set(
    make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path
) -> None:
    with Store(tmp_path / "alertd.db") as store:
        world = World(make_settings(trips=None, http_token="long-and-random"), ground, store)
        async with world.http:
            assert (await world.http.get("/metrics")).status_code == 401
            let_in = await world.http.get("/metrics", headers={"Authorization": "Bearer long-and-random"})
            assert let_in.status_code == 200
            assert (await world.http.get("/healthz")).status_code == 200


async def test_health_is_503_when_the_work_hangs_and_says_what(world: World) -> None:
    assert (await world.http.get("/healthz")).json()["status"] == "up"
    world.ticks_s = 61.0
    hung = await world.http.get("/healthz")
    assert hung.status_code == 503
    assert hung.json()["problem"] == "no timer tick for 61 s"


async def test_degraded_is_not_down(world: World) -> None:
    world.store.record_notices([notice(1)], {Audience.DISPATCHER: ["hook"]}, NOW)
    world.clock.advance(timedelta(minutes=45))
    world.meters.record_plans([SimpleNamespace(issued=(), partial=True)], 0)  # type: ignore[list-item]
    ready = await world.http.get("/readyz")
    assert ready.status_code == 200
    assert ready.json()["degraded"][:2] == [
        "a notice has been undelivered for 45 min",
        "no forecast has come since the start",
    ]


async def test_trips_without_a_plan_and_bad_rows_make_it_degraded(world: World) -> None:
    world.planner.latest.update((), [("T-1", "no such route")], [("trips.csv line 3", "rig: missing")], NOW)
    degraded = (await world.http.get("/readyz")).json()["degraded"]
    assert "1 trip cannot be planned; the board says why" in degraded
    assert "1 row of trips cannot be read; `alertd check` and the board say why" in degraded


async def test_readiness_writes_to_the_store_but_not_on_every_request(world: World) -> None:
    for _ in range(5):
        assert (await world.http.get("/readyz")).status_code == 200
    probe = world.store.due.get("probe", "probe")
    assert probe is not None
    assert probe.epoch == 1


async def test_readyz_names_a_doubted_source_until_it_is_sound(world: World) -> None:
    why = "its answer is doubted: its dew point is 4.0 K above its air temperature"
    doubted = SourceResponse(
        url="https://api.weather.gov/gridpoints/XYZ/1,2", refresh=False, fetched_at=NOW, stale_because=why
    )
    world.meters.count_response(doubted)
    world.meters.record_plans([], 0)
    assert f"api.weather.gov: {why}" in (await world.http.get("/readyz")).json()["degraded"]
    world.meters.record_plans([], 0)  # a cycle without a doubt
    assert "doubted" not in (await world.http.get("/readyz")).text

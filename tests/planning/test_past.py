"""The past of a road from stations and kept forecasts: who is asked how often, and what a plan makes of it."""

import json
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.forecast.past import PastBasis, PastEvidence
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import plan_json
from alertd.planning.past import PastObserver
from alertd.planning.plan_inputs import PlanInputs
from alertd.planning.planner import create_planner
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.records.past_evidence import evidence_from_plain, evidence_to_plain
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import FakeNws, nws_of
from alertd.testing.nws.stations import FakeStation
from alertd.testing.weather.sky import Sky, SkyChange, SkyFile

# A mountain road of 24 km over 900 m of height, and a station near each end.
LON = np.linspace(-116.30, -115.98, 240)
HEIGHT_M = 700.0 + 900.0 * np.exp(-(((LON + 116.14) / 0.08) ** 2))
VALLEY = FakeStation(id="KVAL", lat_deg=47.48, lon_deg=-116.29, elevation_m=720.0)
TOP = FakeStation(id="KTOP", lat_deg=47.47, lon_deg=-116.12, elevation_m=1560.0)
Ground = Any


def ground(lat_deg: Ground, lon_deg: Ground) -> Any:
    lon = np.broadcast_arrays(np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float))[0]
    return np.interp(lon, LON, HEIGHT_M)


def sky(now: datetime, *changes: SkyChange, **over: Any) -> Sky:
    """Dry, two fifths of cloud, the temperature given at 1,600 m."""
    told: dict[str, Any] = dict(temperature_c=-2.0, at_m=1600.0, daily_range_k=3.0, humidity_percent=60.0)
    told |= {"cloud_percent": 40.0} | over
    return Sky(described=SkyFile(title="made", change=changes, **told), start_epoch_s=now.timestamp())


@dataclass(kw_only=True)
class Desk:
    """A planner on the stand-in of the weather service."""

    settings: Settings
    clock: ManualClock
    api: FakeOpenMeteo
    line: Path
    writer: ReplayWriter | None = None

    async def plans(
        self, *, cycles: int = 1, every: timedelta = timedelta(minutes=30)
    ) -> list[tuple[Plan, PlanInputs]]:
        out = []
        async with create_planner(self.settings, self.clock, self.writer) as planner:
            for n in range(cycles):
                if n:
                    self.clock.advance(every)
                    self.api.now_utc = self.clock()
                depart = (self.clock() + timedelta(hours=1)).isoformat()
                trip = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart=depart)
                done = await planner.plan_trips(
                    await planner.prepare(await planner.route_of(self.line), [trip], self.clock())
                )
                plan = done.outcomes["T-1"]
                assert isinstance(plan, Plan), plan
                out.append((plan, done.inputs["T-1"]))
        return out

    def asked(self, part: str) -> Counter[str]:
        return Counter(r.path for r in self.api.requests if part in r.path)


@pytest.fixture
def desk(make_settings: Callable[..., Settings], tmp_path: Path, morning: datetime) -> Iterator[Callable[..., Desk]]:
    """`desk(sky, stations)`: with the weather service as the only source."""
    points = "".join(
        f'<trkpt lat="47.45" lon="{lon:.5f}"><ele>{h:.1f}</ele></trkpt>' for lon, h in zip(LON, HEIGHT_M, strict=True)
    )
    line = tmp_path / "pass.gpx"
    line.write_text(
        '<gpx version="1.1" creator="made" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>A made pass</name>'
        f"<trkseg>{points}</trkseg></trk></gpx>"
    )
    opened: list[FakeOpenMeteo] = []

    def make(weather: Sky, stations: list[FakeStation], *, sources: tuple[str, ...] = ("nws",)) -> Desk:
        nws: FakeNws = nws_of(weather, ground, stations)
        api = FakeOpenMeteo(now_utc=morning, storm=weather, ground=ground, nws=nws).__enter__()
        opened.append(api)
        base = make_settings(forecasts=api.base_url)
        forecast = replace(
            base.forecast.with_keys(nws_url=api.base_url), sources=sources, metar_url=api.base_url, alerts=False
        )
        settings = replace(base, forecast=forecast, plan=replace(base.plan, compare_h=0.0))
        return Desk(settings=settings, clock=ManualClock(morning), api=api, line=line)

    yield make
    for api in opened:
        api.__exit__(None, None, None)


async def test_a_dry_cold_road_is_known_dry_by_its_stations(desk: Callable[..., Desk], morning: datetime) -> None:
    """At -2 C nothing melts: without witnesses the same road is not known and to be ready for."""
    ((plan, inputs),) = await desk(sky(morning), [VALLEY, TOP]).plans()
    assert (plan.advice, plan.partial) == (Advice.CLEAR, False)
    assert not any("not known" in caution for caution in plan.cautions)
    past = inputs.request.weather.past
    assert past is not None
    assert set(past.basis[:, :40].ravel().tolist()) == {PastBasis.STATIONS}
    assert any("past hours from stations" in note and "KTOP (5,118 ft)" in note for note in plan.input_notes)


async def test_without_stations_the_cold_road_is_to_be_ready_for(desk: Callable[..., Desk], morning: datetime) -> None:
    """How much may lie there and why is said."""
    ((plan, _inputs),) = await desk(sky(morning), []).plans()
    assert plan.advice is Advice.READY
    (caution,) = [c for c in plan.cautions if c.startswith("Road not known")]
    assert "up to 2 in of old snow may lie there, as the weather of 42 of the last 48 hours is not known" in caution


async def test_own_forecasts_fill_the_past_from_the_second_cycle(desk: Callable[..., Desk], morning: datetime) -> None:
    made = await desk(sky(morning), []).plans(cycles=3, every=timedelta(hours=12))
    known_h = []
    for _plan, inputs in made:
        past = inputs.request.weather.past
        assert past is not None
        known_h.append(int((past.basis[0] == PastBasis.EARLIER_FORECAST).sum()))
    assert known_h[0] == 0
    assert known_h[1] == pytest.approx(12, abs=1)
    assert known_h[2] == pytest.approx(24, abs=1)


async def test_kept_forecasts_serve_another_process(desk: Callable[..., Desk], morning: datetime) -> None:
    """A single plan with the daemon's cache folder has what the daemon forecast."""
    place = desk(sky(morning), [])
    await place.plans()
    place.clock.advance(timedelta(hours=6))
    place.api.now_utc = place.clock()
    ((_plan, inputs),) = await place.plans()
    past = inputs.request.weather.past
    assert past is not None
    assert int((past.basis[0] == PastBasis.EARLIER_FORECAST).sum()) == pytest.approx(6, abs=1)


async def test_snow_that_only_the_stations_saw_is_on_the_road(desk: Callable[..., Desk], morning: datetime) -> None:
    fell = SkyChange(from_h=-30.0, to_h=-16.0, precipitation_mmh=1.0, humidity_percent=95.0, cloud_percent=100.0)
    ((plan, _inputs),) = await desk(sky(morning, fell, temperature_c=-6.0), [VALLEY, TOP]).plans()
    assert plan.advice.rank >= Advice.SLOW.rank
    assert plan.surfaces or plan.stretches


async def test_each_station_is_asked_once_a_cycle_for_what_is_new(desk: Callable[..., Desk], morning: datetime) -> None:
    place = desk(sky(morning), [VALLEY, TOP])
    await place.plans(cycles=3)
    asked = [r for r in place.api.requests if r.path.endswith("/observations")]
    assert Counter(r.path for r in asked) == {"/stations/KVAL/observations": 3, "/stations/KTOP/observations": 3}
    spans_h = [
        (datetime.fromisoformat(r.params["end"]) - datetime.fromisoformat(r.params["start"])) / timedelta(hours=1)
        for r in asked
        if "KTOP" in r.path
    ]
    assert spans_h[0] >= 50.0
    assert max(spans_h[1:]) <= 5.0
    assert not place.asked("/api/data/metar")


async def test_a_source_with_past_hours_asks_no_station(desk: Callable[..., Desk], morning: datetime) -> None:
    place = desk(sky(morning), [VALLEY, TOP], sources=("open-meteo",))
    await place.plans()
    assert not place.asked("stations")
    assert not place.asked("/api/data/metar")


async def test_airports_serve_where_the_weather_service_has_none(desk: Callable[..., Desk], morning: datetime) -> None:
    """Elsewhere in the world: the same stations by their airport reports, one question for five of them."""
    place = desk(sky(morning), [VALLEY, TOP])
    place.settings = replace(place.settings, forecast=replace(place.settings.forecast, past_observations=True))
    async with create_planner(place.settings, place.clock) as planner:
        observer = planner.weather_sources.past
        assert isinstance(observer, PastObserver)
        observer._stations = None
        trip = TripRequest(
            id="T-1", route="i90-west", rig="quillback-17", depart=(place.clock() + timedelta(hours=1)).isoformat()
        )
        done = await planner.plan_trips(
            await planner.prepare(await planner.route_of(place.line), [trip], place.clock())
        )
    plan = done.outcomes["T-1"]
    assert isinstance(plan, Plan)
    assert plan.advice is Advice.CLEAR
    asked = [r.params for r in place.api.requests if r.path == "/api/data/metar"]
    assert ["bbox" in p for p in asked] == [True, False]
    assert asked[1]["ids"] == "KTOP,KVAL"
    assert int(asked[1]["hours"]) >= 48


async def test_a_plan_on_stations_is_made_again_from_its_archive(
    desk: Callable[..., Desk], morning: datetime, tmp_path: Path
) -> None:
    """Byte for byte, from the recorded evidence, with no answer of a station in the archive."""
    place = desk(sky(morning), [TOP])
    place.writer = ReplayWriter(archive=Archive(tmp_path / "kept"))
    (_, (plan, _inputs)) = await place.plans(cycles=2)
    again = await replay(Archive(tmp_path / "kept"), plan.id)
    assert again.differences == ()
    assert plan_json(again.plan) == plan_json(plan)


async def test_explanation_names_what_each_past_hour_rests_on(desk: Callable[..., Desk], morning: datetime) -> None:
    ((plan, inputs),) = await desk(sky(morning), [VALLEY, TOP]).plans()
    (place,) = inputs.explain(plan, 12_000.0)
    spans = place.past
    assert spans[0].begins_at == (morning - timedelta(hours=48)).replace(minute=0)
    assert sum((s.ends_at - s.begins_at for s in spans), timedelta(0)) == timedelta(hours=48)
    assert (spans[0].basis, spans[0].station) == ("stations", "KTOP")
    assert 1_000.0 < spans[0].away_m < 5_000.0
    assert abs(spans[0].higher_m) < 150.0
    assert spans[-1].basis == "source"


async def test_evidence_is_read_back_to_the_last_bit(desk: Callable[..., Desk], morning: datetime) -> None:
    recorded: list[PastEvidence] = []
    place = desk(sky(morning), [TOP])
    async with create_planner(place.settings, place.clock) as planner:
        route = await planner.route_of(place.line)
        depart = (place.clock() + timedelta(hours=1)).isoformat()
        trip = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart=depart)
        recorded.append((await planner.prepare(route, [trip], place.clock())).answers.past)
    (evidence,) = recorded
    again = evidence_from_plain(json.loads(json.dumps(evidence_to_plain(evidence), allow_nan=False)))
    assert evidence_to_plain(again) == evidence_to_plain(evidence)
    assert len(again.reports) >= 48
    (kept,), (before,) = again.kept, evidence.kept
    for name in ("elevation_m", "values", "issued_epoch_s"):
        assert np.array_equal(getattr(kept, name), getattr(before, name), equal_nan=True), name
    assert (kept.provider, kept.start, again.problems) == (before.provider, before.start, evidence.problems)


@pytest.mark.parametrize("days", [range(4)])
async def test_a_mild_dry_week_asks_for_nothing(days: range, desk: Callable[..., Desk], morning: datetime) -> None:
    """The shipped default source, night and day: +4 C on the pass, cloud at times, one valley station."""
    clouds = [SkyChange(from_h=24.0 * d, to_h=24.0 * d + 9.0, cloud_percent=95.0) for d in days]
    place = desk(sky(morning, *clouds, temperature_c=4.0, daily_range_k=8.0), [VALLEY])
    made = await place.plans(cycles=2 * len(days), every=timedelta(hours=12))
    assert [plan.advice for plan, _inputs in made] == [Advice.CLEAR] * len(made)
    assert not [c for plan, _inputs in made for c in plan.cautions if "known" in c.lower() or "past" in c]

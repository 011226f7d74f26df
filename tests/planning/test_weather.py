"""Several sources in one plan: what each is credited with, and that losing one is never taken for good weather."""

import copy
import json
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx
from jsonschema import Draft202012Validator
from numpy.typing import NDArray
from rich.console import Console

from alertd.cli.plan import show_plan
from alertd.errors import ConfigError, OutsideArea, SourceDown
from alertd.forecast.model import WEATHER_FIELDS, Forecast, Gap
from alertd.forecast.provider import ForecastRequest, window
from alertd.notices.reports.brief_text import brief_text
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.serialize import plan_json, plan_text
from alertd.planning.planner import Planner
from alertd.planning.providers import open_weather_sources
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.replays.response_recorder import record_response
from alertd.planning.weather import FetchedWeather, WeatherSources, Window, ask_sources, compute_weather
from alertd.settings.forecast import PROVIDER_KEYS, ForecastSettings
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.road import RoadSettings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.store.archive import Archive
from alertd.store.plans.plan_text import packed_text
from alertd.store.rows import StoredTrip
from alertd.testing.clock import ManualClock, no_wait
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import make_rig, make_route, make_rules, make_stop
from alertd.testing.fake_open_meteo import FakeOpenMeteo

NOW = datetime(2027, 1, 14, 6, tzinfo=UTC)
DEPART = NOW + timedelta(hours=2)
WINDOW = Window(start=DEPART, end=DEPART + timedelta(hours=4), now=NOW)
ROAD = make_route(6_000.0)
HOLE = slice(51, 53)  # hours of the window, which begins 48 h before now: while the truck is on its way


@dataclass(kw_only=True)
class Made:
    """A source of one mild dry, or snowy, day; `spoil` may change its arrays before they are a forecast."""

    name: str
    temp_c: float = 14.0
    precip_mmwe_h: float = 0.0
    failed: Exception | None = None
    past: bool = True
    hole: slice | None = None
    age_h: float = 1.0
    changed: dict[str, Any] = field(default_factory=dict)

    async def fetch(self, request: ForecastRequest) -> Forecast:
        if self.failed:
            raise self.failed
        start, hours = window(request)
        shape = (1, request.lat_deg.size, hours)
        arrays: dict[str, NDArray[Any]] = {n: np.full(shape, np.nan) for n in WEATHER_FIELDS}
        arrays |= {
            "air_temp_c": np.full(shape, self.temp_c), "rh_frac": np.full(shape, 0.5), "wind_mps": np.full(shape, 3.0),
            "cloud_frac": np.full(shape, 0.5), "precip_mmwe_h": np.full(shape, self.precip_mmwe_h),
            "precip_prob_frac": np.full(shape, 1.0 if self.precip_mmwe_h else 0.0),
        }  # fmt: skip
        for values in arrays.values():
            if not self.past:
                values[..., :48] = np.nan
            if self.hole is not None:
                values[..., self.hole] = np.nan
        arrays["precip_form"] = np.zeros(shape, dtype=np.int8)
        made = Forecast(
            provider=self.name, licence=f"{self.name}'s licence", issued_at=NOW - timedelta(hours=self.age_h),
            fetched_at=NOW, start=start, lat_deg=request.lat_deg, lon_deg=request.lon_deg,
            elevation_m=request.road_elevation_m,
            **arrays,
        )  # fmt: skip
        return replace(made, **self.changed)


async def fetched_on_road(weather_sources: WeatherSources) -> FetchedWeather:
    return compute_weather(await ask_sources(ROAD, WINDOW, weather_sources), weather_sources)


async def planned(*sources: Made, weights: dict[str, float] | None = None) -> Plan:
    weather_sources = WeatherSources(providers=list(sources), members=6, seed=1, stale_h=6.0, weights=weights or {})
    fetched = await fetched_on_road(weather_sources)
    trip = TripInput(id="T", depart_at=DEPART)
    return make_plan(
        PlanRequest(trip, ROAD, make_rig(), {"US-XX": make_rules()}, fetched.weather, PlanParams(compare_h=0.0), NOW)
    )


THREE = ("nws", "open-meteo", "met-norway")
WAYS_TO_FAIL: dict[str, dict[str, Any]] = {
    "no answer": {"failed": SourceDown("x", "cannot be reached")},
    "too old": {"age_h": 25.0},
    "stale": {"age_h": 7.0},
    "last good answer": {"changed": {"served_stale": True}},
    "a gap": {"changed": {"gaps": (Gap(cell_idx=(0,), reason="x: HTTP 500"),)}},
    "a hole": {"hole": HOLE},
    "nothing in it": {"hole": slice(None)},
}


def three(odd: int = -1, **how: Any) -> list[Made]:
    return [Made(name=name, **(how if i == odd else {})) for i, name in enumerate(THREE)]


async def test_three_sound_sources_call_a_dry_road_clear() -> None:
    """The plan names each source with its own licence and age."""
    sources = three()
    sources[1].age_h = 3.0
    plan = await planned(*sources)
    assert (plan.advice, plan.partial) == (Advice.CLEAR, False)
    assert [(s.provider, s.licence, s.age_h, s.stale) for s in plan.sources] == [
        ("nws", "nws's licence", 1.0, False),
        ("open-meteo", "open-meteo's licence", 3.0, False),
        ("met-norway", "met-norway's licence", 1.0, False),
    ]
    assert plan.members_n == 12  # two sources' worth, four each


@pytest.mark.parametrize("odd", range(3))
@pytest.mark.parametrize("how", WAYS_TO_FAIL)
async def test_any_failure_of_one_source_is_partial_and_be_ready(odd: int, how: str) -> None:
    """All that is left says mild and dry; still a configured source is missing, in whole or in part."""
    plan = await planned(*three(odd, **WAYS_TO_FAIL[how]))
    assert plan.partial
    assert plan.advice.rank >= Advice.READY.rank
    assert any(caution.startswith((THREE[odd], "x:")) for caution in plan.cautions), plan.cautions
    assert not plan.picks


@pytest.mark.parametrize("left", range(3))
async def test_when_all_but_one_fail_the_last_one_clears_nothing(left: int) -> None:
    sources = [
        Made(name=name, failed=None if i == left else SourceDown(name, "cannot be reached"))
        for i, name in enumerate(THREE)
    ]
    plan = await planned(*sources)
    assert (plan.advice, plan.partial) == (Advice.READY, True)
    assert [s.provider for s in plan.sources] == [THREE[left]]


async def test_loss_of_the_source_with_snow_is_be_ready_and_partial() -> None:
    snow: dict[str, Any] = {"temp_c": -4.0, "precip_mmwe_h": 8.0}
    before = await planned(*three(0, **snow), weights={"nws": 8.0})
    after = await planned(*three(0, failed=SourceDown("nws", "cannot be reached")))
    assert before.advice.rank > Advice.READY.rank
    assert after.advice is Advice.READY
    assert after.partial  # on which nothing that was said before is eased


async def test_disagreement_of_sources_is_in_the_api_and_on_the_page(
    open_client: Callable[..., Awaitable[httpx.AsyncClient]],
) -> None:
    """Snow in one source, a dry road of the same temperature in another: the office reads why relief waits."""
    plan = await planned(Made(name="nws", temp_c=-4.0, precip_mmwe_h=8.0), Made(name="met-norway", temp_c=-4.0))
    (line,) = (note for note in plan.input_notes if note.startswith("sources disagree"))
    assert line.startswith("sources disagree: nws has snow in ")
    assert ", met-norway has none; " in line
    client: Any = await open_client()
    client.store.put_trip(StoredTrip(id="T", body=STORED_TRIP, created_at=NOW))
    client.store.record_plan(plan.id, "T", NOW, packed_text(plan_text(plan), "[]", "null"), (), {})
    assert line in (await client.get("/v1/trips/T/plan")).json()["input_notes"]
    assert line in (await client.get("/board/trips/T")).text
    agreed = await planned(*(Made(name=name, temp_c=-4.0, precip_mmwe_h=8.0) for name in THREE))
    assert not [note for note in agreed.input_notes if note.startswith("sources disagree")]


STORED_TRIP = json.dumps({"id": "T", "route": "i90-west", "rig": "quillback-17", "depart": DEPART.isoformat()})


async def test_source_without_forecasts_there_is_named_at_no_cost() -> None:
    plan = await planned(*three(0, failed=OutsideArea("nws", "has no forecast there")))
    assert (plan.advice, plan.partial) == (Advice.CLEAR, False)
    assert "nws: has no forecasts for this road; planned without it" in plan.cautions
    alone = await planned(Made(name="nws", failed=OutsideArea("nws", "has no forecast there")))
    assert (alone.advice, alone.partial) == (Advice.READY, True)


async def test_source_without_past_hours_uses_the_road_of_another() -> None:
    """Alone its first hours are not proven dry; beside a source that knows the two days before, they are."""
    alone = await planned(Made(name="met-norway", past=False))
    assert (alone.advice, alone.partial) == (Advice.READY, True)
    both = await planned(Made(name="met-norway", past=False), Made(name="open-meteo"))
    assert (both.advice, both.partial) == (Advice.CLEAR, False)


async def test_hours_that_no_source_reaches_are_told_and_be_ready() -> None:
    short: dict[str, Any] = {"hole": slice(51, None)}
    plan = await planned(Made(name="nws", **short), Made(name="open-meteo", **short))
    assert (plan.advice, plan.partial) == (Advice.READY, True)
    assert any("of the hours and places of this trip have no forecast" in c for c in plan.cautions), plan.cautions


async def test_weights_and_age_decide_how_many_members_a_source_has() -> None:
    """Twelve members. Seven hours old, and overdue so long, is half a weight: 8 to 4. Skill 2 to 1 the other way makes
    it even."""
    snow: dict[str, Any] = {"temp_c": -6.0, "precip_mmwe_h": 2.0, "age_h": 7.0}

    async def snowy(**weights: float) -> float:
        weather_sources = WeatherSources(
            providers=[Made(name="a"), Made(name="b", **snow)], members=6, seed=1, stale_h=24.0, weights=weights
        )
        forecast = (await fetched_on_road(weather_sources)).weather.forecast
        return float((forecast.air_temp_c[:, 0, 50] < 0.0).mean())

    assert await snowy() == pytest.approx(4 / 12)
    assert await snowy(b=2.0) == pytest.approx(6 / 12)


async def test_a_real_ensemble_keeps_its_members() -> None:
    """Eight members of its own beside a single run, which is dressed into as many."""

    @dataclass(kw_only=True)
    class Ensemble(Made):
        async def fetch(self, ask: ForecastRequest) -> Forecast:
            one = await Made.fetch(self, ask)
            arrays = {n: np.repeat(getattr(one, n), 8, axis=0) for n in WEATHER_FIELDS}
            arrays["air_temp_c"] = arrays["air_temp_c"] + np.arange(8.0)[:, None, None]
            return replace(one, **arrays)

    weather_sources = WeatherSources(
        providers=[Made(name="a"), Ensemble(name="e", temp_c=20.0)], members=6, seed=1, stale_h=6.0
    )
    result = (await fetched_on_road(weather_sources)).weather.forecast
    assert result.air_temp_c.shape[0] == 16
    np.testing.assert_array_equal(result.air_temp_c[8:, 0, 50], 20.0 + np.arange(8.0))


def settings(sources: Sequence[str], **changed: Any) -> ForecastSettings:
    given: dict[str, Any] = {
        "sources": tuple(sources), "members": 6, "seed": 1, "stale_h": 6.0,
        "alerts": False, "road": RoadSettings(),
    }  # fmt: skip
    given |= {"observations": False, "metar_url": ""}
    keys = {key: changed.pop(key) for key in PROVIDER_KEYS if key in changed}
    return ForecastSettings(**(given | {"keys": keys} | changed))


def test_all_sources_open_by_name_with_their_weights() -> None:
    client: Any = None
    names = ("nws", "open-meteo", "open-meteo-ensemble", "met-norway")
    chosen = settings(names, weights={"met-norway": 2.0, "open-meteo-ensemble": 0.5})
    weather_sources, elevations = open_weather_sources(chosen, True, "alertd.toml", client)
    assert [p.name for p in weather_sources.providers] == ["nws", "open-meteo", "open-meteo ensemble", "met-norway"]
    assert weather_sources.weights == {"nws": 1.0, "open-meteo": 1.0, "open-meteo ensemble": 0.5, "met-norway": 2.0}
    assert len(elevations) == 1


@pytest.mark.parametrize(
    ("source", "changed"),
    [
        ("open-meteo", {}),
        ("open-meteo-ensemble", {}),
        ("open-meteo", {"open_meteo_url": "http://10.0.0.5", "open_meteo_elevation_url": "https://api.open-meteo.com"}),
        ("open-meteo-ensemble", {"secrets": {"open_meteo_key_file": "k"}}),
    ],
)
def test_no_free_open_meteo_host_is_asked_for_a_business(source: str, changed: dict[str, Any]) -> None:
    client: Any = None
    with pytest.raises(ConfigError, match="free for non-commercial use only"):
        open_weather_sources(settings([source], **changed), False, "alertd.toml", client)


def test_own_and_paid_servers_are_asked_for_a_business() -> None:
    client: Any = None
    own = settings(["open-meteo-ensemble"], open_meteo_ensemble_url="http://10.0.0.5:8080")
    assert open_weather_sources(own, False, "alertd.toml", client)[1] == []
    paid = settings(
        ["open-meteo", "open-meteo-ensemble"], secrets={"open_meteo_key_file": "k"},
        open_meteo_url="https://customer-api.open-meteo.com",
        open_meteo_ensemble_url="https://customer-ensemble-api.open-meteo.com",
    )  # fmt: skip
    assert len(open_weather_sources(paid, False, "alertd.toml", client)[0].providers) == 2


ROOT = Path(__file__).parents[2]
OURS = json.loads((ROOT / "fixtures/forecast/met_norway_complete.json").read_text())
TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00", driver="Ann")


def met_norway(request: httpx.Request) -> httpx.Response:
    """Ten mild dry days at the place and height asked, from the hour before the demo's morning."""
    asked = request.url.params
    body = copy.deepcopy(OURS)
    body["geometry"]["coordinates"] = [float(asked["lon"]), float(asked["lat"]), int(asked["altitude"])]
    instant = {"relative_humidity": 50.0, "wind_speed": 3.0, "cloud_area_fraction": 20.0}
    dry = {"summary": {"symbol_code": "fair_day"}, "details": {"precipitation_amount": 0.0}}
    begin = datetime(2027, 1, 14, 10, tzinfo=UTC)
    body["properties"]["meta"]["updated_at"] = "2027-01-14T04:10:00Z"
    body["properties"]["timeseries"] = [
        {"time": (begin + timedelta(hours=h)).isoformat(),
         "data": {"instant": {"details": instant | {"air_temperature": 2.0 + h % 4}}} | period}
        for h, period in [(h, {"next_1_hours": dry}) for h in range(56)] + [(56 + 6 * n, {"next_6_hours": dry})
                                                                             for n in range(30)]
    ]  # fmt: skip
    return httpx.Response(200, json=body)


async def test_three_services_make_one_plan_that_names_each_at_replay(
    make_settings: Callable[..., Settings], ground: ReferenceData, morning: datetime, tmp_path: Path
) -> None:
    """From HTTP to plan, terminal, texts and webhook. The stand-in's storm is in the two Open-Meteo sources."""
    archive = Archive(tmp_path / "kept")
    with FakeOpenMeteo(now_utc=morning) as api, respx.mock(assert_all_called=False) as router:
        router.route(host="127.0.0.1").pass_through()
        asked = router.get(url__startswith="https://api.met.no/").mock(side_effect=met_norway)
        made = make_settings(forecasts=api.base_url, trips=None, contact="ops@fleet.example")
        chosen = replace(
            made.forecast, sources=("open-meteo", "open-meteo-ensemble", "met-norway"), members=5,
            weights={"open-meteo": 2.0},
        ).with_keys(open_meteo_ensemble_url=api.base_url)  # fmt: skip
        async with HttpClient(HttpOptions(
            contact="ops@fleet.example", cache_dir=tmp_path / "http", now_utc=ManualClock(morning),
            rng=np.random.default_rng(1), sleep=no_wait, per_s_per_host=1e9, on_response=record_response,
        )) as client:  # fmt: skip
            weather_sources, elevations = open_weather_sources(chosen, True, "test", client)
            settings = replace(made, forecast=chosen)
            planning = Planner(settings, ground, weather_sources, elevations, ReplayWriter(archive=archive))
            (plan,) = await planning.plan([TRIP], morning)
    assert isinstance(plan, Plan)
    assert asked.call_count > 10
    result = {s.provider: s for s in plan.sources}
    assert list(result) == ["open-meteo", "open-meteo ensemble", "met-norway"]
    assert result["met-norway"].issued_at == datetime(2027, 1, 14, 4, 10, tzinfo=UTC)
    assert (result["met-norway"].age_h, result["met-norway"].stale) == (pytest.approx(6 + 20 / 60), False)
    assert not plan.partial, plan.cautions
    assert plan.members_n == 62  # the ensemble's 31, twice

    out = StringIO()
    show_plan(plan, Console(file=out, width=200, markup=False, emoji=False))
    for text in (out.getvalue(), dispatcher_text(plan), brief_text("Fleet", [plan], [], morning, "America/Denver")):
        assert "MET Norway, CC BY 4.0" in text
        assert "Weather data by Open-Meteo.com, CC BY 4.0" in text
    schema = strict_event_schema()
    notices, _ = plan_notices(plan, None, morning)
    events = [json.loads(notice.body) for notice in notices]
    for event in events:
        Draft202012Validator(schema).validate(event)
    assert "met-norway" in json.dumps(events)
    again = await replay(archive, plan.id)
    assert plan_json(again.plan) == plan_json(plan)


@pytest.mark.parametrize("hour", [3, 9, 20])
async def test_neighbouring_departures_differ_little_at_onset(hour: int) -> None:
    """Snow begins `hour` hours from now: a quarter of an hour later never means three members in ten more.

    Members as shipped.
    """
    grade = np.where((np.arange(0, 60_001, 250) > 30e3) & (np.arange(0, 60_001, 250) < 40e3), 0.05, 0.0)
    road = make_route(60e3, grade=grade, stops=[make_stop("a", 20e3), make_stop("b", 50e3)])
    snow = np.where(np.arange(48 + 60) >= 48 + hour, 2.0, 0.0)
    source = Made(name="nws", temp_c=-4.0)
    sources = WeatherSources(providers=[source], members=31, seed=1, stale_h=6.0)
    answers = await ask_sources(road, replace(WINDOW, end=NOW + timedelta(hours=60)), sources)
    cold = tuple(
        replace(
            f,
            precip_mmwe_h=f.precip_mmwe_h * 0 + snow[: f.hours],
            precip_prob_frac=f.precip_prob_frac + (snow > 0)[: f.hours],
        )
        for f in answers.forecasts
    )
    weather = compute_weather(replace(answers, forecasts=cold), sources).weather
    trip = TripInput(id="T", depart_at=NOW + timedelta(hours=1))
    plan = make_plan(PlanRequest(trip, road, make_rig(), {"US-XX": make_rules(chance=1.0)}, weather, PlanParams(), NOW))
    odds = np.array([d.probability for d in plan.departures])
    assert odds[0] < 0.15
    assert odds.max() > 0.7
    assert np.abs(np.diff(odds)).max() < 0.3

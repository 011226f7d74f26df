"""A plan is made again from its archive alone, byte for byte: sources gone, files changed, clock moved on."""

import asyncio
import json
import shutil
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import StoreError
from alertd.forecast.observations import Station
from alertd.forecast.past import PastEvidence
from alertd.forecast.road_observations import RoadReport
from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.controls.road_seen import RoadSeen, Sight
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import PositionReport
from alertd.plan.serialize import plan_json
from alertd.planning.past import RecordedPast
from alertd.planning.planner import create_planner
from alertd.planning.recordings.recorded import read_archive
from alertd.planning.recordings.score import score_archive
from alertd.planning.replays.replay import replay
from alertd.planning.replays.replay_archive import ReplayWriter, read_archived
from alertd.planning.replays.replay_record import ArchivedPlan
from alertd.planning.replays.thinning import thin_archive
from alertd.planning.road_reports import RoadReports
from alertd.planning.weather import WeatherSources
from alertd.route.model import Route
from alertd.rules.rig import Tire
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind

REPO = Path(__file__).resolve().parents[2]
TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00", driver="Ann")
NO_HEIGHTS = (
    '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>'
    + "".join(f'<trkpt lat="{46.9 + 0.01 * n}" lon="{-114.1 - 0.01 * n}"/>' for n in range(30))
    + "</trkseg></trk></gpx>"
)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A fleet's own copy of every file that the demo stands on."""
    shutil.copytree(REPO / "config", tmp_path / "fleet" / "config")
    shutil.copytree(REPO / "fixtures" / "demo", tmp_path / "fleet" / "fixtures" / "demo")
    return tmp_path / "fleet"


@pytest.fixture
def settings(place: Path, tmp_path: Path, api: FakeOpenMeteo) -> Settings:
    path = place / "fixtures" / "demo" / "alertd.toml"
    text = path.read_text(encoding="utf-8").replace("members = 31", 'members = 11\nroad = "../../config/road.toml"')
    path.write_text(
        text.replace("[daemon]", "[plan]\nchained_mph = 22.5\ncompare_departures_h = 3\n\n[daemon]"), encoding="utf-8"
    )
    read = read_settings(path)
    return replace(
        read,
        forecast=read.forecast.with_keys(open_meteo_url=api.base_url),
        store=tmp_path / "alertd.db",
        cache=tmp_path / "http",
        trips=None,
    )


@pytest.fixture
def api(morning: datetime) -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=morning) as server:
        yield server


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "kept")


async def planned(settings: Settings, clock: ManualClock, archive: Archive, *trips: TripRequest) -> list[Plan]:
    async with create_planner(settings, clock, ReplayWriter(archive=archive)) as planning:
        outcomes = await planning.plan(trips or [TRIP], clock())
    assert all(isinstance(o, Plan) for o in outcomes), outcomes
    return [o for o in outcomes if isinstance(o, Plan)]


def spoil(place: Path) -> None:
    """Make every file that the plan stood on say something else, or nothing."""
    for path in place.rglob("*"):
        if path.is_file():
            path.write_text("no longer what it was", encoding="utf-8")


async def test_only_rigs_of_planned_trips_are_archived(settings: Settings, archive: Archive, morning: datetime) -> None:
    """Of a fleet with a file for each truck, a road's record would otherwise name thousands."""
    other = TRIP.model_copy(update={"id": "T-2", "rig": "quillback-23", "route": "i90-east"})
    plans = await planned(settings, ManualClock(morning), archive, TRIP, other)
    for plan, rig in zip(plans, ("quillback-17", "quillback-23"), strict=True):
        archived = read_archived(archive, plan.id)
        assert isinstance(archived, ArchivedPlan)
        assert [name for name in archived.inputs.files if name.startswith("rigs/")] == [f"rigs/{rig}.toml"]
        assert plan_json((await replay(archive, plan.id)).plan) == archived.plan


async def test_same_plan_returns_when_sources_and_files_are_gone(
    settings: Settings, place: Path, archive: Archive, api: FakeOpenMeteo, morning: datetime
) -> None:
    other = TRIP.model_copy(update={"id": "T-2", "rig": "quillback-23", "depart": "2027-01-14T09:00:00-07:00"})
    plans = await planned(settings, ManualClock(morning), archive, TRIP, other)
    asked = len(api.requests)
    spoil(place)
    shutil.rmtree(settings.cache)
    assert archive.plans() == sorted(plan.id for plan in plans)
    for plan in plans:
        again = await replay(archive, plan.id)
        assert again.before == plan_json(plan) == plan_json(again.plan)
        assert again.differences == ()
    assert plans[0].stretches[0].speed_mps == pytest.approx(22.5 * 0.44704)  # what the operator set came along
    assert len(api.requests) == asked


@pytest.mark.parametrize("fault", [FaultKind.DOWN, FaultKind.LIMIT_DAY, FaultKind.NULLS])
async def test_plan_on_a_failed_or_partial_answer_replays_as_partial(
    fault: FaultKind, settings: Settings, place: Path, archive: Archive, api: FakeOpenMeteo, morning: datetime
) -> None:
    api.set_fault(ApiFault(kind=fault))
    (plan,) = await planned(settings, ManualClock(morning), archive)
    assert plan.partial
    spoil(place)
    again = await replay(archive, plan.id)
    assert plan_json(again.plan) == plan_json(plan)


async def test_a_plan_on_the_last_good_answer_comes_back_with_its_age(
    settings: Settings, archive: Archive, api: FakeOpenMeteo, morning: datetime
) -> None:
    clock = ManualClock(morning - timedelta(hours=3))
    api.now_utc = clock()
    await planned(settings, clock, archive)
    clock.advance(timedelta(hours=3))
    api.set_fault(ApiFault(kind=FaultKind.OVERLOADED))
    (plan,) = await planned(settings, clock, archive)
    assert plan.sources[0].stale
    shutil.rmtree(settings.cache)
    again = await replay(archive, plan.id)
    assert again.plan.sources[0].age_h == pytest.approx(3.0)
    assert plan_json(again.plan) == plan_json(plan)


async def test_heights_that_a_source_gave_for_the_route_come_along(
    settings: Settings, place: Path, archive: Archive, morning: datetime
) -> None:
    (settings.places.routes / "bare.gpx").write_text(NO_HEIGHTS, encoding="utf-8")
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive)) as planning:
        bare = TRIP.model_copy(update={"route": "bare"})
        first, second = [(await planning.plan([bare], morning + timedelta(minutes=n)))[0] for n in (0, 1)]
    spoil(place)
    for plan in (first, second):  # the second was made on a route read before
        assert isinstance(plan, Plan)
        assert plan_json((await replay(archive, plan.id)).plan) == plan_json(plan)


async def test_cycles_of_a_daemon_share_what_did_not_change(
    settings: Settings, archive: Archive, morning: datetime, tmp_path: Path
) -> None:
    settings = replace(settings, trips=settings.places.routes / "trips.csv")
    clock = ManualClock(morning)
    with Store(tmp_path / "alertd.db") as store:
        async with create_planner(settings, clock, ReplayWriter(archive=archive, or_log=True)) as planning:
            first = await run_cycle(planning, store, clock())
            before = {p.name for p in archive.folder.glob("contents/*/*")}
            clock.advance(timedelta(minutes=31))  # plans are made again when they are older than half an hour
            second = await run_cycle(planning, store, clock())
    new = {p.name for p in archive.folder.glob("contents/*/*")} - before
    assert len(archive.plans()) == 2 * len(first.plans)
    roads_n = len({plan.route_name for plan in second.plans})
    # The plans of a group and what is their own; no answer and no file again. A group has trips of one road.
    assert len(new) % 2 == 0
    assert 2 * roads_n <= len(new) <= 2 * len(second.plans)
    for plan in (*first.plans, *second.plans):
        assert (await replay(archive, plan.id)).differences == ()


async def test_a_stored_plan_replays_after_others_were_thinned(
    settings: Settings, place: Path, archive: Archive, api: FakeOpenMeteo, morning: datetime
) -> None:
    """Of two hourly plans the store has kept one, and the archive then has the inputs of that one."""
    clock = ManualClock(morning)
    (first,) = await planned(settings, clock, archive)
    clock.advance(timedelta(hours=2))
    api.now_utc = clock()
    await planned(settings, clock, archive)
    with Store(settings.store) as store:
        store.put_trip(StoredTrip(id=TRIP.id, body=TRIP.model_dump_json(), created_at=morning))
        store.record_plan(first.id, TRIP.id, first.made_at, "{}", [], {})
        before = {path.name for path in (archive.folder / "contents").rglob("*") if path.is_file()}
        thin_archive(archive, store.pruning.known_plans, clock() + timedelta(days=3))
    spoil(place)
    assert archive.plans() == [first.id]
    assert len(before - {path.name for path in (archive.folder / "contents").rglob("*")}) >= 3  # record, pack, answers
    again = await replay(archive, first.id)
    assert again.before == plan_json(first) == plan_json(again.plan)


async def test_plans_whose_texts_a_store_keeps_replay_by_id(
    settings: Settings, place: Path, archive: Archive, morning: datetime
) -> None:
    """The archive has no plan. An id is a hash of the plan, so the same id is the same text."""
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive, texts=False)) as planning:
        (plan,) = await planning.plan([TRIP], morning)
    assert isinstance(plan, Plan)
    assert not any(b"pack/1" in archive.get(p.name)[:40] for p in archive.folder.glob("contents/*/*"))
    same = await replay(archive, plan.id)
    assert same.differences == ()
    assert same.before == plan_json(plan) == plan_json(same.plan)
    other = "plan_" + 32 * "0"  # as if an earlier version had made it of the same inputs
    record = json.loads(archive.get(archive.of_plan(plan.id)))
    record["trips"][other] = record["trips"][plan.id]
    archive.file_plan(other, archive.put(json.dumps(record).encode(), morning), morning)
    (difference,) = (gone := await replay(archive, other)).differences
    assert (difference.path, difference.old, difference.new, gone.before) == ("id", other, plan.id, None)
    text = plan_json(replace(plan, driver="another driver", id=other))
    found = (await replay(archive, other, {other: text}.get)).differences
    assert [d.path for d in found] == ["driver", "id"]


async def test_plans_of_a_road_without_texts_share_a_record(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    """The groups of a road come one by one, and each plan replays from the record of all."""
    trips = [
        TRIP.model_copy(update={"id": f"T{n}", "depart_at": TRIP.depart_at + timedelta(minutes=n)}) for n in range(6)
    ]
    writer = ReplayWriter(archive=archive, texts=False)
    async with create_planner(settings, ManualClock(morning), writer) as planning:
        plans = await planning.plan(trips, morning)
    ids = [plan.id for plan in plans if isinstance(plan, Plan)]
    assert archive.plans() == sorted(ids)
    assert len({archive.of_plan(plan_id) for plan_id in ids}) == 1
    records = [p for p in archive.folder.glob("contents/*/*") if b'"alertd.inputs/1"' in archive.get(p.name)]
    assert len(records) == 1
    for plan_id in (ids[0], ids[-1]):
        assert (await replay(archive, plan_id)).differences == ()


async def test_unwritable_archive_withholds_no_plan_from_the_driver(
    settings: Settings, tmp_path: Path, morning: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "file").touch()
    async with create_planner(
        settings, ManualClock(morning), ReplayWriter(archive=Archive(tmp_path / "file" / "in-it"), or_log=True)
    ) as made:
        (plan,) = await made.plan([TRIP], morning)
    assert isinstance(plan, Plan)
    (line,) = [r.getMessage() for r in caplog.records if r.levelname == "ERROR"]
    assert "cannot be written (Not a directory); " in line
    assert line.endswith("; these plans cannot be replayed")


async def test_reported_chains_positions_and_arrival_come_along(
    settings: Settings, place: Path, archive: Archive, morning: datetime, i90_west: Route
) -> None:
    """A truck seen at a third of its way, chains on since; and the same trip once it is reported to have arrived."""
    n = i90_west.distance_m.size // 3
    seen = PositionReport(
        at=morning + timedelta(hours=3), lat_deg=float(i90_west.lat_deg[n]), lon_deg=float(i90_west.lon_deg[n])
    )
    tires = (Tire(1, "left", "outside"), Tire(1, "right", "outside"))
    on = TruckReport(at=seen.at, what=Report.CHAINS_ON, tires=tires, place_m=float(i90_west.distance_m[n]))
    there = TruckReport(at=morning + timedelta(hours=5.5), what=Report.ARRIVED)
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive)) as planning:
        now = seen.at + timedelta(minutes=1)
        (chained,) = await planning.plan([TRIP], now, {"T-1": (seen, on)})
        (bare,) = await planning.plan([TRIP], now, {"T-1": (seen,)})
        assert isinstance(bare, Plan)
        (lost,) = await planning.plan([TRIP], seen.at + timedelta(hours=2.5), {"T-1": (seen, on)})
        (arrived,) = await planning.plan([TRIP], there.at, {"T-1": (seen, on, there)})
        best_m = bare.stretches[-1].chain_up.distance_m
        other = max((s for s in i90_west.stops if s.distance_m < best_m - 100.0), key=lambda s: s.distance_m)
        sent = [TruckReport(at=morning, what=Report.SENT_PLACE, stop_id=other.stop.id)]
        (kept,) = await planning.plan([TRIP], now, {"T-1": (seen, *sent)})
    spoil(place)
    for plan in (chained, bare, lost, arrived, kept):
        assert isinstance(plan, Plan)
        again = await replay(archive, plan.id)
        assert (again.differences, plan_json(again.plan)) == ((), plan_json(plan))
    assert isinstance(chained, Plan)
    assert isinstance(lost, Plan)
    assert isinstance(arrived, Plan)
    assert chained.chains is not None
    assert bare.chains is None
    assert lost.position is not None
    assert lost.position.old
    assert arrived.arrived_at == there.at
    assert isinstance(kept, Plan)
    assert other.stop.id in archive.get(archive.of_plan(kept.id)).decode(), "the sent place is among the inputs"
    result = json.loads(archive.get(archive.of_plan(bare.id)))
    assert "truck" not in result, "inputs without reports of a truck keep the form that they had"


# What an archive may have suffered


def contents(archive: Archive) -> dict[bytes, Path]:
    return {zlib.decompress(path.read_bytes()): path for path in archive.folder.glob("contents/*/*")}


def holding(archive: Archive, start: bytes) -> Path:
    return next(path for content, path in contents(archive).items() if content.startswith(start))


@pytest.mark.parametrize("start", [b'[{"latitude"', b'{"type":"Topology"', b'{"alertd":', b'{"format":"alertd.pack'])
async def test_a_changed_content_is_refused_in_one_line(
    start: bytes, settings: Settings, archive: Archive, morning: datetime
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    path = holding(archive, start)
    path.write_bytes(zlib.compress(zlib.decompress(path.read_bytes()).replace(b"1", b"2", 1)))
    with pytest.raises(StoreError, match=r"^archive \S+: content \w+\.\.\. is damaged or altered; replay from "):
        await replay(archive, plan.id)
    path.write_bytes(b"\x00")
    with pytest.raises(StoreError, match="is damaged or altered"):
        await replay(archive, plan.id)
    path.unlink()
    if start == b'{"alertd":':  # the plan is another name of its record, which is still damaged
        return
    with pytest.raises(StoreError, match=r"content \w+\.\.\. is missing; name the archive that holds it"):
        await replay(archive, plan.id)


async def test_answer_not_kept_is_named_and_nothing_planned_without_it(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    result = json.loads(archive.get(archive.of_plan(plan.id)))
    result["heard"] = archive.put(b"[]", morning)
    archive.file_plan(plan.id, archive.put(json.dumps(result).encode(), morning), morning)
    with pytest.raises(StoreError, match=r"1 answers that this alertd asks for were not kept, the first to http://127"):
        await replay(archive, plan.id)


@pytest.mark.parametrize(
    ("name", "value"), [("format", "alertd.inputs/99"), ("departs", []), ("trips", {}), ("extra", 1)]
)
async def test_inputs_of_another_format_are_refused_with_their_version(
    name: str, value: object, settings: Settings, archive: Archive, morning: datetime
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    result = json.loads(archive.get(archive.of_plan(plan.id))) | {name: value}
    archive.file_plan(plan.id, archive.put(json.dumps(result).encode(), morning), morning)
    with pytest.raises(StoreError, match=r"was kept in a form this alertd does not read \(.*\); replay it with alertd"):
        await replay(archive, plan.id)


async def test_a_kept_file_whose_name_leads_elsewhere_is_refused(
    settings: Settings, archive: Archive, morning: datetime, tmp_path: Path
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    result = json.loads(archive.get(archive.of_plan(plan.id)))
    files = json.loads(archive.get(result["files"]))
    result["files"] = archive.put(json.dumps(files | {"../out.toml": next(iter(files.values()))}).encode(), morning)
    archive.file_plan(plan.id, archive.put(json.dumps(result).encode(), morning), morning)
    with pytest.raises(StoreError, match=r"'\.\./out\.toml': is no name that alertd gives"):
        await replay(archive, plan.id)


async def test_a_plan_filed_alone_by_an_earlier_version_replays(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    stored = json.loads(archive.get(archive.of_plan(plan.id)))
    own = stored.pop("trips")[plan.id]
    del own["place"], stored["pack"]
    alone = stored | own | {"plan": archive.put(plan_json(plan).encode(), morning)}
    archive.file_plan(plan.id, archive.put(json.dumps(alone).encode(), morning), morning)
    again = await replay(archive, plan.id)
    assert (again.before, again.differences) == (plan_json(plan), ())


async def test_settings_stored_by_earlier_versions_replay(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    """They kept the keys of forecast providers beside the others, and not all of them."""
    (plan,) = await planned(settings, ManualClock(morning), archive)
    result = json.loads(archive.get(archive.of_plan(plan.id)))
    providers = result["chosen"].pop("providers")
    assert result["chosen"].pop("secret_keys") == []
    flat = {key: providers[key] for key in ("nws_url", "open_meteo_url", "open_meteo_elevation_url")}
    result["chosen"] |= flat | {"open_meteo_keyed": True}
    archive.file_plan(plan.id, archive.put(json.dumps(result).encode(), morning), morning)
    again = await replay(archive, plan.id)
    assert again.differences == ()


async def test_a_plan_made_with_other_inputs_differs_field_by_field(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    (plan,) = await planned(settings, ManualClock(morning), archive)
    result = json.loads(archive.get(archive.of_plan(plan.id)))
    result["chosen"]["plan"]["chained_mps"] = 8.0
    archive.file_plan(plan.id, archive.put(json.dumps(result).encode(), morning), morning)
    again = await replay(archive, plan.id)
    found = {d.path: (d.old, d.new) for d in again.differences}
    assert found["stretches[0].speed_mps"] == (10.0584, 8.0)
    assert "id" in found


async def test_corridors_planned_at_once_hear_only_their_own(
    make_settings: Callable[..., Settings], api: FakeOpenMeteo, morning: datetime, archive: Archive
) -> None:
    settings = make_settings(forecasts=api.base_url, trips=None)
    east = TRIP.model_copy(update={"id": "T-2", "route": "i90-east"})
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive)) as planning:
        both = await asyncio.gather(planning.plan([TRIP], morning), planning.plan([east], morning))
    for (plan,) in both:
        assert isinstance(plan, Plan)
        result = json.loads(archive.get(archive.of_plan(plan.id)))
        heard = json.loads(archive.get(result["heard"]))
        assert sum("/v1/forecast" in one["url"] for one in heard) == 1
        assert len(heard) == 3  # and the runs of two models
        assert (await replay(archive, plan.id)).differences == ()


async def test_a_plan_with_a_road_sensor_replays_the_same(
    settings: Settings, archive: Archive, morning: datetime, i90_west: Route
) -> None:
    place = Station(
        id="A", lat_deg=float(i90_west.lat_deg[0]), lon_deg=float(i90_west.lon_deg[0]),
        elevation_m=float(i90_west.elevation_m[0]),
    )  # fmt: skip
    cold = RoadReport(
        station=place, name="A", source="b", licence="c", observed_at=morning - timedelta(minutes=9),
        surface_temp_c=-14.0,
    )  # fmt: skip
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive)) as planning:
        (plain,) = await planning.plan([TRIP], morning)
        planning.weather_sources = replace(
            planning.weather_sources, past=RecordedPast(recorded=PastEvidence(surfaces=(cold,)))
        )
        (plan,) = await planning.plan([TRIP], morning)
    assert isinstance(plain, Plan)
    assert isinstance(plan, Plan)
    assert plan.along.surface_temp_c[0] < plain.along.surface_temp_c[0]
    again = await replay(archive, plan.id)
    assert (again.differences, plan_json(again.plan)) == ((), plan_json(plan))


async def test_a_plan_with_ice_that_a_driver_saw_replays_the_same(
    settings: Settings, archive: Archive, morning: datetime, i90_west: Route
) -> None:
    n = i90_west.distance_m.size // 4
    ice = RoadSeen(
        sight=Sight.ICE, at=morning, lat_deg=float(i90_west.lat_deg[n]), lon_deg=float(i90_west.lon_deg[n]),
    )  # fmt: skip
    async with create_planner(settings, ManualClock(morning), ReplayWriter(archive=archive)) as planning:
        (plan,) = await planning.plan([TRIP], morning, road_reports=RoadReports(seen=(ice,)))
    assert isinstance(plan, Plan)
    assert any(c.startswith("A driver saw ice at mi ") for c in plan.cautions)
    again = await replay(archive, plan.id)
    assert (again.differences, plan_json(again.plan)) == ((), plan_json(plan))


async def test_a_plan_kept_with_station_correction_replays_with_a_note(
    settings: Settings, archive: Archive, morning: datetime
) -> None:
    """Earlier versions moved air temperatures toward station reports; records of such plans carry the setting."""
    (plan,) = await planned(settings, ManualClock(morning), archive)
    record = json.loads(archive.get(archive.of_plan(plan.id)))
    assert "station_correction" not in record["chosen"]
    for on in (False, True):
        record["chosen"]["station_correction"] = on
        archive.file_plan(plan.id, archive.put(json.dumps(record).encode(), morning), morning)
        again = await replay(archive, plan.id)
        assert again.differences == ()
        assert len(again.notes) == int(on)
    assert "forecast.station_correction on, which is no longer used" in again.notes[0]


def test_kept_plans_are_read_as_forecasts_for_their_summits(
    settings: Settings, place: Path, archive: Archive, api: FakeOpenMeteo, morning: datetime
) -> None:
    """Two trucks and two cycles: one forecast a summit and cycle, from the archive alone."""
    other = TRIP.model_copy(update={"id": "T-2", "rig": "quillback-23"})
    later = morning + timedelta(hours=1)
    for clock in (ManualClock(morning), ManualClock(later)):
        asyncio.run(planned(settings, clock, archive, TRIP, other))
    spoil(place)
    kept = read_archive(archive.folder)
    runs = list(kept.runs)
    assert {run.made_at for run in runs} == {morning, later}
    names = [run.place.name for run in runs if run.made_at == morning]
    assert "Lookout Pass" in names
    assert len(names) == len(set(names)) == len(runs) / 2
    assert all(run.forecasts and run.forecasts[0].lat_deg.size == 1 for run in runs)
    found = score_archive(read_archive(archive.folder), WeatherSources(providers=(), members=5, seed=1, stale_h=6.0))
    assert (found.runs_n, found.unusable_n) == (len(runs), 0)

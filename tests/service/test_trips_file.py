"""A bad row of the trips file costs itself only: the others are planned, and the office hears of it once."""

import json
import logging
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from alertd.notices.model import Audience, Notice
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.cycle import due_trips, load_trip_file, run_cycle
from alertd.service.trip_import.save_trip import save_trip
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.event_schema import strict_event_schema

HEAD = "id,route,rig,driver,depart\n"
EARLY = datetime(2000, 1, 1, tzinfo=UTC)


def row(id_: str, rig: str = "quillback-17") -> str:
    return f"{id_},i90-west,{rig},Ann,2027-01-14T04:45:00-07:00\n"


@pytest.fixture
def clock(morning: datetime) -> ManualClock:
    return ManualClock(morning)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def trips(tmp_path: Path) -> Path:
    return tmp_path / "trips.csv"


@pytest.fixture
def planning(make_settings: Callable[..., Settings], ground: ReferenceData, trips: Path) -> Planner:
    settings = replace(make_settings(), trips=trips)
    return Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])


def to_office(store: Store) -> list[Notice]:
    return [n for n in store.notices_since(Audience.DISPATCHER, EARLY) if "trips_file" in n.body]


def stored(store: Store) -> dict[str, str]:
    return {t.id: json.loads(t.body)["rig"] for t in store.trips()}


def test_good_rows_are_kept_and_each_bad_row_is_reported_once(
    planning: Planner, store: Store, trips: Path, clock: ManualClock
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2", rig="") + row("T-3"), encoding="utf-8")
    unread = load_trip_file(planning, store, clock())
    assert stored(store) == {"T-1": "quillback-17", "T-3": "quillback-17"}
    assert [name for name, _ in unread] == ["trips.csv line 3"]
    assert "rig: missing; add rig = " in unread[0][1]
    assert "T-2 is NOT planned: its driver should be ready to chain" in unread[0][1]
    for _ in range(3):  # cycles, a day, another place in the file
        clock.advance(timedelta(hours=12))
        trips.write_text(HEAD + row("T-2", rig="") + row("T-1") + row("T-3"), encoding="utf-8")
        assert load_trip_file(planning, store, clock())
    (notice,) = to_office(store)
    body = json.loads(notice.body)
    Draft202012Validator(strict_event_schema()).validate(body)
    assert [(r["row"], r["trip_id"]) for r in body["data"]["rows"]] == [("line 3", "T-2")]
    assert "Posted signs" in notice.text
    trips.write_text(HEAD + row("T-2", rig="") + row("T-4", rig="").replace("Ann", "Bo"), encoding="utf-8")
    load_trip_file(planning, store, clock())
    assert [json.loads(n.body)["data"]["rows"][0]["trip_id"] for n in to_office(store)] == ["T-2", "T-4"]


def test_a_row_that_turns_bad_leaves_its_last_good_trip(
    planning: Planner, store: Store, trips: Path, clock: ManualClock
) -> None:
    trips.write_text(HEAD + row("T-1"), encoding="utf-8")
    assert load_trip_file(planning, store, clock()) == ()
    trips.write_text(HEAD + row("T-1").replace("-07:00", "?"), encoding="utf-8")
    ((_, why),) = load_trip_file(planning, store, clock())
    assert why.endswith("T-1 stays as its last good row was")
    assert [t.id for t in due_trips(store, clock(), timedelta(hours=36))] == ["T-1"]
    assert "T-1 stays as its last good row was" in to_office(store)[0].text


def test_a_crash_between_notice_and_mark_loses_no_report(
    planning: Planner, store: Store, trips: Path, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    trips.write_text(HEAD + row("T-1", rig=""), encoding="utf-8")
    with monkeypatch.context() as crashed:
        crashed.setattr(store, "put_event", lambda event: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            load_trip_file(planning, store, clock())
    load_trip_file(planning, store, clock())
    assert len(to_office(store)) == 1


def test_a_file_that_cannot_be_read_is_reported_once_a_day(planning: Planner, store: Store, clock: ManualClock) -> None:
    for hours in (1, 23, 1):
        ((name, why),) = load_trip_file(planning, store, clock())
        assert (name, "cannot be read (No such file" in why) == ("trips.csv", True)
        clock.advance(timedelta(hours=hours))
    assert len(to_office(store)) == 2


def test_unknown_columns_are_one_warning(
    planning: Planner, store: Store, trips: Path, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    trips.write_text("Notes," + HEAD + "," + row("T-1"), encoding="utf-8")
    for _ in range(3):
        assert load_trip_file(planning, store, clock()) == ()
    warned = [r.getMessage() for r in caplog.records if r.levelno == logging.WARNING]
    assert warned == ["trips.csv: columns that are not known are ignored: Notes"]
    assert list(stored(store)) == ["T-1"]


async def test_a_stored_trip_that_cannot_be_read_is_told_to_the_office(
    planning: Planner, store: Store, trips: Path, clock: ManualClock
) -> None:
    trips.write_text(HEAD, encoding="utf-8")
    store.put_trip(StoredTrip(id="T-9", body='{"id": "T-9"}', created_at=clock()))
    outcome = await run_cycle(planning, store, clock())
    await run_cycle(planning, store, clock())
    assert [name for name, _ in outcome.unread] == ["T-9"]
    (notice,) = store.notices("T-9")
    assert "T-9 could not be planned: trip T-9: route: missing" in notice.text


async def test_driver_and_office_hear_once_of_a_trip_without_a_plan(
    planning: Planner, store: Store, trips: Path, clock: ManualClock
) -> None:
    trips.write_text(HEAD + row("T-1").replace("i90-west", "no-such-road"), encoding="utf-8")
    for _ in range(3):
        outcome = await run_cycle(planning, store, clock())
        clock.advance(timedelta(minutes=20))
    assert [miss.trip.id for miss in outcome.not_planned] == ["T-1"]
    result = store.notices("T-1")
    assert sorted(n.audience for n in result) == [Audience.DISPATCHER, Audience.DRIVER]
    (driver,) = [n for n in result if n.audience is Audience.DRIVER]
    assert driver.text.startswith("BE READY TO CHAIN: no plan could be made for trip T-1, leaving ")
    assert planning.latest.missed.keys() == {"T-1"}


def gone(store: Store) -> list[str]:
    return [n.text for n in to_office(store) if n.text.startswith("TRIPS GONE")]


def test_a_row_that_is_gone_is_cancelled_and_reported_once(
    trips: Path, planning: Planner, store: Store, morning: datetime
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    before = morning - timedelta(hours=2)
    load_trip_file(planning, store, before)
    trips.write_text(HEAD + row("T-1"), encoding="utf-8")
    for minutes in (5, 10):
        load_trip_file(planning, store, before + timedelta(minutes=minutes))
    assert stored(store).keys() == {"T-1"}
    (text,) = gone(store)
    assert "T-2 are CANCELLED" in text
    Draft202012Validator(strict_event_schema()).validate(json.loads(to_office(store)[-1].body))
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    load_trip_file(planning, store, before + timedelta(minutes=15))
    assert stored(store).keys() == {"T-1", "T-2"}, "a row that returns is a trip again"


def test_a_trip_that_somebody_cancelled_does_not_return(
    trips: Path, planning: Planner, store: Store, morning: datetime
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    load_trip_file(planning, store, morning - timedelta(hours=2))
    store.cancel_trip("T-2")
    load_trip_file(planning, store, morning - timedelta(hours=1))
    assert stored(store).keys() == {"T-1"}
    assert not gone(store)


@pytest.mark.parametrize(
    "content", [HEAD, HEAD + row("", "quillback-17") + row("T-1")], ids=["no row", "row without id"]
)
def test_a_doubtful_file_cancels_nothing(
    content: str, trips: Path, planning: Planner, store: Store, morning: datetime
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    before = morning - timedelta(hours=2)
    load_trip_file(planning, store, before)
    trips.write_text(content, encoding="utf-8")
    load_trip_file(planning, store, before + timedelta(minutes=5))
    assert stored(store).keys() == {"T-1", "T-2"}
    (text,) = gone(store)
    assert "still planned" in text


def test_a_truck_under_way_or_kept_by_setting_stays(
    trips: Path, planning: Planner, store: Store, morning: datetime, ground: ReferenceData
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    load_trip_file(planning, store, morning - timedelta(hours=2))
    trips.write_text(HEAD + row("T-1"), encoding="utf-8")
    after = datetime(2027, 1, 14, 12, 0, tzinfo=UTC)
    load_trip_file(planning, store, after)
    assert stored(store).keys() == {"T-1", "T-2"}
    assert not gone(store)
    keeping = Planner(
        replace(planning.settings, cancel_vanished_trips=False),
        ground,
        WeatherSources(providers=[], members=5, seed=1, stale_h=6.0),
        [],
    )
    trips.write_text(HEAD + row("T-1") + row("T-3").replace("01-14", "01-15"), encoding="utf-8")
    load_trip_file(keeping, store, after)
    trips.write_text(HEAD + row("T-1"), encoding="utf-8")
    load_trip_file(keeping, store, after + timedelta(minutes=5))
    assert "T-3" in stored(store)
    (text,) = gone(store)
    assert "T-3 are still planned" in text


def without_defaults(store: Store) -> dict[str, str]:
    """Store each trip as a version wrote it that knew only the fields that are given; returns the bodies."""
    for trip in store.trips():
        known = json.loads(trip.body)
        store.put_trip(
            replace(trip, body=json.dumps({k: known[k] for k in ("id", "route", "rig", "driver", "depart")})),
            replace=True,
        )
    return {t.id: t.body for t in store.trips()}


def test_a_trip_of_an_older_version_is_no_change(
    planning: Planner, store: Store, trips: Path, clock: ManualClock
) -> None:
    trips.write_text(HEAD + row("T-1") + row("T-2"), encoding="utf-8")
    load_trip_file(planning, store, clock())
    older = without_defaults(store)
    load_trip_file(planning, store, clock())
    assert {t.id: t.body for t in store.trips()} == older
    (same,) = [t for t in due_trips(store, clock(), timedelta(days=2)) if t.id == "T-1"]
    assert not save_trip(store, same, clock())
    assert save_trip(store, same.model_copy(update={"stops": [], "driver": "Bo"}), clock(), replace=True)

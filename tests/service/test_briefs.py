"""Every date's brief ends as ran, ran late or skipped with why, whatever the daemon's nights and its clock do."""

import random
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from alertd.errors import StoreError
from alertd.local_time import local_to_utc
from alertd.notices.model import Audience
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service import briefs
from alertd.service.briefs import BEFORE_FIRST_START, KIND, BriefOutcome, send_due
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.store import Store

DENVER = ZoneInfo("America/Denver")
HALF_PAST_FOUR = datetime(2027, 1, 14, 11, 30, tzinfo=UTC)  # 04:30 in Denver
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def make_planner(make_settings: Callable[..., Settings], ground: ReferenceData) -> Callable[..., Planner]:
    """A planner that has no source and no trips: for the brief's hour alone."""

    def make(at: time = time(4, 30), zone: str = "America/Denver") -> Planner:
        settings = make_settings(brief_at=at, brief_zone=zone, trips=None)
        return Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])

    return make


async def due_at(planning: Planner, store: Store, *moments: datetime) -> list[list[tuple[str, str]]]:
    """(date, end) of what each look settled."""
    return [[(s.local_date, s.end) for s in await send_due(planning, store, now, "test")] for now in moments]


def output(store: Store) -> list[str]:
    return [n.text for n in store.notices_since(Audience.DISPATCHER, datetime(2000, 1, 1, tzinfo=UTC))]


async def test_brief_is_sent_once_when_due_and_late_within_its_grace(
    make_planner: Callable[..., Planner], store: Store
) -> None:
    at = HALF_PAST_FOUR
    ends = await due_at(make_planner(), store, at - HOUR, at, at + HOUR, at + DAY + 3 * HOUR, at + DAY + 5 * HOUR)
    assert ends == [[], [("2027-01-14", "ran")], [], [("2027-01-15", "ran late")], []]
    slot = store.due.get(KIND, f"{make_planner().settings.fleet}/2027-01-15")
    assert slot is not None
    assert (slot.state, slot.outcome) == ("settled", "ran late: 180 min")


async def test_briefs_missed_while_down_are_skipped_and_named_next(
    make_planner: Callable[..., Planner], store: Store
) -> None:
    ends = await due_at(
        make_planner(), store, HALF_PAST_FOUR, HALF_PAST_FOUR + 2 * DAY + 5 * HOUR, HALF_PAST_FOUR + 3 * DAY
    )
    assert ends[1] == [("2027-01-15", "skipped"), ("2027-01-16", "skipped")]
    assert ends[2] == [("2027-01-17", "ran")]
    first, second = output(store)
    assert "NOT SENT" not in first
    assert second.splitlines()[-3:] == [
        "EARLIER BRIEFS THAT WERE NOT SENT",
        "  2027-01-15: not sent within 4 hours of 04:30",
        "  2027-01-16: not sent within 4 hours of 04:30",
    ]


async def test_new_store_has_missed_nothing_and_counts_from_day_one(
    make_planner: Callable[..., Planner], store: Store
) -> None:
    planning = make_planner()
    assert await due_at(planning, store, HALF_PAST_FOUR + 5 * HOUR) == [[]]
    slot = store.due.get(KIND, f"{planning.settings.fleet}/2027-01-14")
    assert slot is not None
    assert slot.outcome == BEFORE_FIRST_START
    assert await due_at(planning, store, HALF_PAST_FOUR + DAY + 5 * HOUR) == [[("2027-01-15", "skipped")]]


async def test_failed_brief_stays_due_and_is_sent_after_the_lease(
    make_planner: Callable[..., Planner], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fails(*_: object, **__: object) -> tuple[str, ...]:
        raise StoreError("store x: disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(briefs, "send_brief", fails)
        with pytest.raises(StoreError, match="disk is full"):
            await send_due(make_planner(), store, HALF_PAST_FOUR, "test")
    soon, later = HALF_PAST_FOUR + timedelta(seconds=30), HALF_PAST_FOUR + timedelta(seconds=61)
    assert await due_at(make_planner(), store, soon, later) == [[], [("2027-01-14", "ran late")]]


async def test_kill_between_sending_and_settling_sends_nothing_again(
    make_planner: Callable[..., Planner], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert await due_at(make_planner(), store, HALF_PAST_FOUR - HOUR) == [[]]
    with monkeypatch.context() as killed:
        killed.setattr(store.due, "settle", lambda *_: (_ for _ in ()).throw(StoreError("killed")))
        with pytest.raises(StoreError):
            await send_due(make_planner(), store, HALF_PAST_FOUR, "first")
    assert await due_at(make_planner(), store, HALF_PAST_FOUR + HOUR) == [[("2027-01-14", "ran")]]
    assert len(output(store)) == 1


@pytest.mark.parametrize("step", [HOUR, -HOUR, DAY, -DAY, 6 * HOUR], ids=str)
async def test_clock_jump_and_return_doubles_and_loses_no_brief(
    step: timedelta, make_planner: Callable[..., Planner], store: Store
) -> None:
    """From the evening of the 14th to the next. A jump of a day passes one brief by more than its grace: skipped."""
    planning, settled = make_planner(), []
    for quarter in range(4 * 24 * 5):
        now = HALF_PAST_FOUR - 8 * HOUR + quarter * timedelta(minutes=15)
        if 4 * 24 <= quarter < 4 * 48:
            now += step
        settled += await send_due(planning, store, now, "test")
    assert [s.local_date for s in settled] == [f"2027-01-{day}" for day in range(14, 19)]
    assert len(output(store)) == sum(s.end != "skipped" for s in settled)
    assert sum(s.end == "skipped" for s in settled) == (abs(step) == DAY)


@pytest.mark.parametrize("zone", ["America/Denver", "Australia/Lord_Howe", "Pacific/Auckland", "America/Phoenix"])
@pytest.mark.parametrize("at", [time(2, 30), time(4, 30), time(23, 45)], ids=str)
async def test_every_date_with_random_outages_ends_once_and_is_shown(
    zone: str, at: time, make_planner: Callable[..., Planner], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock change is among them. What is sent is only noted, so that many nights cost little."""
    sent: list[str] = []

    async def note(_planner: Planner, _store: Store, _now: datetime, slot: object, **_more: object) -> tuple[str]:
        sent.append(slot.local_date)  # type: ignore[attr-defined]
        return ("sent",)

    monkeypatch.setattr(briefs, "send_brief", note)
    planning, rng, here = make_planner(at, zone), random.Random(f"{zone}{at}"), ZoneInfo(zone)
    first = date(2026, 10, 20) if zone == "America/Denver" else date(2027, 3, 28)
    now = local_to_utc(first, at, here)
    ended: list[tuple[BriefOutcome, datetime]] = []
    while now < local_to_utc(first + 20 * DAY, at, here):
        ended += [(s, now) for s in await send_due(planning, store, now, "test")]
        now += timedelta(minutes=rng.choice((15, 15, 15, 15, 180, 700, 2900)))
    ended += [(s, now) for s in await send_due(planning, store, now, "test")]
    dates = [s.local_date for s, _ in ended]
    assert dates == [(first + n * DAY).isoformat() for n in range(len(dates))]
    assert sent == [s.local_date for s, _ in ended if s.end != "skipped"]
    for settled, when in ended:
        late = when - local_to_utc(date.fromisoformat(settled.local_date), at, here)
        assert settled.end == ("ran" if late <= timedelta(seconds=60) else "ran late" if late < 4 * HOUR else "skipped")
        assert bool(settled.why) == (settled.end != "ran")

"""Lost data never lower an order that was sent: on the driver's page, the board, the API and in the brief."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from alertd.notices.model import NoticeKind
from alertd.notices.text import phrases
from alertd.plan.model.stretches import Advice
from alertd.service.cycle import CycleOutcome, make_brief
from alertd.settings.model import Settings
from alertd.store.rows import Slot
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.server import PageServer
from alertd.testing.weather.storm import Storm
from alertd.web.pages.board_model import make_board

MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
NULLS = ApiFault(kind=FaultKind.NULLS, cells=frozenset(range(1000)))
HOUR = timedelta(minutes=61)  # past the hour for which a forecast counts as fresh
SLOT = Slot(kind=NoticeKind.BRIEF.value, fleet="f", local_date="2027-01-14")
MILD = Storm(warmer_k=12.0, wetter=0.01)


@pytest.fixture
def api() -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=MORNING, storm=Storm(warmer_k=-4.0, wetter=2.5)) as server:
        yield server


@pytest.fixture
def served(make_settings: Callable[..., Settings], api: FakeOpenMeteo, tmp_path: Path) -> Iterator[PageServer]:
    """One trip, whose cache is emptied before answers are lost: they have no last good one to fall back on."""
    made = make_settings(forecasts=api.base_url)
    head, *rows = Path(str(made.trips)).read_text(encoding="utf-8").splitlines()
    trips = tmp_path / "trips.csv"
    trips.write_text("\n".join([head, *(r for r in rows if r.startswith("QT-1044"))]) + "\n", encoding="utf-8")
    forecast = replace(made.forecast, members=7)
    at_once = replace(made.notices, before_rolling=timedelta(days=1), digest_every=timedelta(0))
    settings = replace(made, trips=trips, forecast=forecast, notices=at_once)
    with PageServer(settings, ManualClock(MORNING)) as opened:
        yield opened


def later(served: PageServer, api: FakeOpenMeteo) -> None:
    shutil.rmtree(served.settings.cache, ignore_errors=True)
    served.clock.advance(HOUR)
    api.now_utc = served.clock()


def eased(served: PageServer, trip: str) -> bool:
    return any(n.kind is NoticeKind.EASED for n in served.store.notices(trip))


def chained(served: PageServer) -> list[str]:
    return [t for t, plan in served.planner.latest.plans.items() if plan.advice is Advice.CHAIN]


def looked_at(served: PageServer, trip: str, lost: CycleOutcome) -> tuple[str, str, dict[str, object], str]:
    """The driver's page, the board's row, the plan of the API and the brief."""
    page = httpx.get(served.link(trip)).text
    (row,) = [r for r in make_board(served.planner, served.store, served.clock()).rows if r.trip_id == trip]
    body = httpx.get(f"{served.base_url}/v1/trips/{trip}/plan").json()
    brief = make_brief(served.planner, lost, served.clock(), SLOT).text
    head = next(line for line in brief.splitlines() if f"  {trip}  " in line)
    assert "chain 6 tires" in head
    return page, f"{row.advice} {row.caution}", body, " ".join(brief.split())


def test_an_order_stands_everywhere_while_newer_data_are_lost(served: PageServer, api: FakeOpenMeteo) -> None:
    trips = chained(served)
    assert trips
    api.set_fault(NULLS)
    later(served, api)
    lost = served.cycle()
    made = {p.trip_id: p for p in lost.plans}
    for trip in trips:
        assert (made[trip].advice, made[trip].partial) == (Advice.CHAIN, True)
        page, row, body, brief = looked_at(served, trip, lost)
        output = f"CHAIN as of {phrases.clock_time(MORNING, made[trip].depart_zone)}; newer forecast is missing."
        assert output in page
        assert "<h1>PLAN TO CHAIN</h1>" in page or "<h1>CHAIN UP</h1>" in page
        assert row.startswith("chain ")
        assert output in row
        assert (body["advice"], body["partial"]) == ("chain", True)
        assert output in " ".join(body["cautions"])
        assert output in brief
        assert not eased(served, trip)
        on_record = httpx.get(f"{served.base_url}/v1/plans/{body['id']}").json()
        assert on_record["advice"] == "ready"  # as its inputs made it
    api.set_fault(None)
    api.storm = MILD
    for _ in range(4):  # a whole forecast eases by its own rules, when it has lasted
        later(served, api)
        served.cycle()
    assert any(eased(served, trip) for trip in trips)

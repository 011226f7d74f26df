"""The brief's mail: text and page in one, decided once, and the same message on every try."""

import logging
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest

from alertd.delivery.channels.email import SPEC as EMAIL
from alertd.delivery.channels.email import mailbox_of, make_message
from alertd.notices.model import Audience
from alertd.records.brief_content import BRIEF_CONTENTS
from alertd.records.brief_states import last_state
from alertd.service import brief_email
from alertd.service.brief_email import content_loader
from alertd.service.cycle import brief_slot, send_brief
from alertd.service.retention import apply_retention
from alertd.settings.model import KeepDays, Settings
from alertd.store.rows import ClaimedDelivery
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

OFFICE = EMAIL.configure(
    name="office", host="localhost", port=25, sender="a@fleet.example", recipients=["b@fleet.example"],
    audiences=["dispatcher"],
)  # fmt: skip
BOX = mailbox_of(OFFICE)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def settings(make_settings: Callable[..., Settings], morning: datetime) -> Iterator[Settings]:
    with FakeOpenMeteo(now_utc=morning) as api:
        made = make_settings(forecasts=api.base_url, channels=(OFFICE,))
        yield replace(made, targets={**made.targets, Audience.DISPATCHER: ("office",)})


@pytest.fixture
def one_trip(settings: Settings, tmp_path: Path) -> Settings:
    """The settings with the first trip of the file only: drawing a trip takes a second."""
    trips = tmp_path / "one.csv"
    assert settings.trips is not None
    trips.write_text("".join(settings.trips.read_text(encoding="utf-8").splitlines(True)[:2]), encoding="utf-8")
    return replace(settings, trips=trips)


async def briefed(settings: Settings, store: Store, clock: ManualClock, open_planner: Callable) -> ClaimedDelivery:
    async with open_planner(settings, clock) as planning:
        slot = brief_slot(clock(), planning)
        assert slot is not None
        await send_brief(planning, store, clock(), slot)
    due = store.outbox.peek_due(clock(), "office")
    return next(out for out in due if out.kind == "brief")


async def test_brief_is_mailed_whole_and_a_retry_is_the_same_bytes(
    settings: Settings, store: Store, morning: datetime, open_planner: Callable
) -> None:
    """A mail has the text and the page; the next brief names what changed since."""
    clock = ManualClock(morning)
    out = await briefed(settings, store, clock, open_planner)
    first, second = (make_message(BOX, out, content_loader(store)(out)).as_bytes() for _ in range(2))
    assert first == second
    read = message_from_bytes(first, policy=default)
    text, page = read.get_body(("plain",)), read.get_body(("html",))
    assert text.get_content().splitlines() == out.text.splitlines()
    assert "Lookout Pass WB: 3 trucks" in page.get_content()
    assert len(first) < 60_000
    assert read.defects == []
    assert "CHANGED SINCE" not in out.text
    state = last_state(store, morning + timedelta(days=1))
    assert state is not None
    assert state.made_at == morning
    assert set(state.rows) == {"QT-1041", "QT-1042", "QT-1043", "QT-1044"}


async def test_a_brief_that_cannot_be_drawn_goes_out_as_text(
    one_trip: Settings,
    store: Store,
    morning: datetime,
    open_planner: Callable,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(brief_email, "brief_page", broken)
    with caplog.at_level(logging.ERROR):
        out = await briefed(one_trip, store, ManualClock(morning), open_planner)
    assert "is sent as text only" in caplog.text
    assert not make_message(BOX, out, content_loader(store)(out)).is_multipart()


async def test_nothing_is_drawn_without_mail_and_files_go_with_notices(
    one_trip: Settings, store: Store, morning: datetime, open_planner: Callable
) -> None:
    await briefed(replace(one_trip, channels=()), store, ManualClock(morning), open_planner)
    assert store.events("", BRIEF_CONTENTS.kind) == []
    later = ManualClock(morning.replace(day=15))
    await briefed(one_trip, store, later, open_planner)
    assert len(store.events("", BRIEF_CONTENTS.kind)) == 1
    keep = KeepDays(positions=14, plans=14, trips=60, reports=730)
    apply_retention(store, keep, morning.replace(month=3))
    assert len(store.events("", BRIEF_CONTENTS.kind)) == 1
    apply_retention(store, keep, morning.replace(month=4))
    assert store.events("", BRIEF_CONTENTS.kind) == []

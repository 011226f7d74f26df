"""Values that the store tests share. All times are invented and UTC."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.store.rows import StoredTrip
from alertd.store.store import Store

NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)


@pytest.fixture
def noon() -> datetime:
    return NOON


@pytest.fixture
def store(place: Path | str) -> Iterator[Store]:
    with Store(place) as opened:
        opened.put_trip(StoredTrip(id="trip-1", body='{"rig":"van"}', created_at=NOON))
        opened.put_trip(StoredTrip(id="trip-2", body='{"rig":"flat"}', created_at=NOON))
        yield opened


@pytest.fixture
def make_notice() -> Callable[..., Notice]:
    def make(text: str, *, trip_id: str = "trip-1", plan_id: str = "", life_h: float = 12.0) -> Notice:
        return Notice(
            id=notice_id(NoticeKind.PLAN, Audience.FLEET, trip_id, text),
            kind=NoticeKind.PLAN,
            audience=Audience.FLEET,
            trip_id=trip_id,
            plan_id=plan_id,
            created_at=NOON,
            expires_at=NOON + timedelta(hours=life_h),
            text=text,
            body='{"said":"' + text + '"}',
        )

    return make

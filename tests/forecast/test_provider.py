"""An ask is whole, aware and wide enough."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest

from alertd.forecast.provider import ForecastRequest, window

START = datetime(2026, 1, 12, 5, 20, tzinfo=UTC)


def ask(**changed: Any) -> ForecastRequest:
    values: dict[str, Any] = {
        "lat_deg": np.array([47.0]), "lon_deg": np.array([-115.0]), "road_elevation_m": np.array([1400.0]),
        "start": START, "end": START + timedelta(hours=3), "now_utc": START,
    }  # fmt: skip
    return ForecastRequest(**(values | changed))


def test_the_window_is_whole_utc_hours_that_hold_the_ask() -> None:
    """05:20 to 08:20 touches four hours; half-hour zones are brought to UTC first."""
    assert window(ask()) == (datetime(2026, 1, 12, 5, tzinfo=UTC), 4)
    adelaide = timezone(timedelta(hours=9, minutes=30))
    assert window(ask(start=START.astimezone(adelaide))) == (datetime(2026, 1, 12, 5, tzinfo=UTC), 4)
    assert window(ask(start=START.replace(minute=0), end=START.replace(hour=6, minute=0)))[1] == 1


@pytest.mark.parametrize(
    "changed",
    [
        {"lat_deg": np.array([])},
        {"lon_deg": np.array([1.0, 2.0])},
        {"end": START},
        {"now_utc": START.replace(tzinfo=None)},
    ],
)
def test_a_broken_ask_is_a_programmers_mistake(changed: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="a request needs"):
        ask(**changed)

"""ISO 8601 intervals become hours; totals are spread, states are held, and what is not covered stays unknown."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.sources.providers.nws.intervals import held, parse_interval, rates_per_h

T0 = datetime(2024, 1, 11, 12, tzinfo=UTC)
NOW = datetime(2024, 1, 11, 17, 30, tzinfo=UTC)


def h(n: float) -> datetime:
    return T0 + timedelta(hours=n)


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2024-01-11T12:00:00+00:00/PT6H", h(0), h(6)),
        ("2024-01-11T12:00:00+00:00/P2DT18H", h(0), h(66)),
        ("2024-01-11T12:00:00+00:00/P1D", h(0), h(24)),
        ("2024-01-11T12:00:00+00:00/PT1H30M", h(0), h(1.5)),
        ("2024-01-11T12:00:00Z/2024-01-11T18:00:00Z", h(0), h(6)),
        ("2024-01-11T05:00:00-07:00/2024-01-11T18:00:00+00:00", h(0), h(6)),
        ("PT6H/2024-01-11T18:00:00+00:00", h(0), h(6)),
        ("NOW/PT1H", NOW, NOW + timedelta(hours=1)),
        ("PT1H/NOW", NOW - timedelta(hours=1), NOW),
    ],
)
def test_the_interval_forms_of_the_weather_service_are_read(text: str, start: datetime, end: datetime) -> None:
    """Forms allowed by its OpenAPI text 3.8.1: start/end, start/duration, duration/end, NOW; ISO 8601-1, 5.5."""
    assert parse_interval(text, now_utc=NOW) == (start, end)


@pytest.mark.parametrize(
    "text",
    ["", "2024-01-11T12:00:00+00:00", "2024-01-11T12:00:00/PT6H", "2024-01-11/PT6H", "2024-01-11T12:00:00+00:00/6H",
     "2024-01-11T12:00:00+00:00/P", "2024-01-11T12:00:00+00:00/PT", "2024-01-11T12:00:00+00:00/P1M",
     "2024-01-11T12:00:00+00:00/P1Y", "2024-01-11T12:00:00+00:00/PT0H", "2024-01-11T12:00:00+00:00/PT6H ",
     "2024-01-11T18:00:00+00:00/2024-01-11T12:00:00+00:00", "PT6H/PT6H", "date:now +0 hours / PT1H",
     "2024-13-11T12:00:00+00:00/PT6H", "2024-01-11T12:00:00+00:00/P99999999999D"],
)  # fmt: skip
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_interval(text, now_utc=NOW)


def test_trap_01_total_is_divided_over_its_hours_not_copied() -> None:
    """Copying 8.2 in over six hours once made 49 in (weather-gov/api issue 134)."""
    rates = rates_per_h([(h(0), h(6))], np.array([8.2]), T0, 6)
    np.testing.assert_allclose(rates, 8.2 / 6)
    assert rates.sum() == pytest.approx(8.2)


def test_total_that_starts_or_ends_within_an_hour_is_split() -> None:
    """3 mm over 12:30 to 14:00 and 1 mm over 14:00 to 15:00: 1 mm falls before 13:00, but 12:00 to 12:30 is unknown."""
    rates = rates_per_h([(h(0.5), h(2)), (h(2), h(3))], np.array([3.0, 1.0]), T0, 4)
    np.testing.assert_allclose(rates, [np.nan, 2.0, 1.0, np.nan])


def test_a_state_is_held_over_its_interval() -> None:
    states = held([(h(0), h(2)), (h(2), h(2.5)), (h(2.5), h(3))], np.array([-2.0, 0.0, 1.0]), T0, 3)
    np.testing.assert_allclose(states, [-2.0, -2.0, 0.5])


def test_trap_02_missing_interval_or_value_is_unknown_not_zero() -> None:
    rates = rates_per_h([(h(0), h(1)), (h(2), h(3)), (h(3), h(4))], np.array([0.0, 1.0, np.nan]), T0, 5)
    np.testing.assert_array_equal(rates, [0.0, np.nan, 1.0, np.nan, np.nan])


def test_overlapping_intervals_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        held([(h(0), h(2)), (h(1), h(3))], np.array([1.0, 2.0]), T0, 3)


@given(st.lists(st.integers(1, 12), min_size=1, max_size=8), st.data())
def test_spreading_a_total_keeps_it_whole(lengths: list[int], data: st.DataObject) -> None:
    totals = np.array([data.draw(st.floats(0, 100)) for _ in lengths])
    edges = np.cumsum([0, *lengths])
    spans = [(h(a), h(b)) for a, b in pairwise(edges.tolist())]
    assert rates_per_h(spans, totals, T0, int(edges[-1])).sum() == pytest.approx(totals.sum())

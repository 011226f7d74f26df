"""The plan of retries on a virtual clock."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.delivery.retry import JITTER_FRAC, MAX_RETRY_PERIOD, WAITS_S, GiveUp, RetryAt, next_attempt
from alertd.errors import DeliveryError

START = datetime(2026, 1, 5, 12, tzinfo=UTC)
DOWN = DeliveryError("hook", "answered 500")


class Middle:
    """Draws the middle of every range."""

    def uniform(self, low: float, high: float) -> float:
        return (low + high) / 2


def _tries(life: timedelta, rng: object) -> tuple[list[datetime], GiveUp]:
    """Every moment of a try until the policy gives up, when each fails."""
    at, moments = START, [START]
    while True:
        verdict = next_attempt(len(moments), DOWN, at, START + life, rng, since=START)
        if isinstance(verdict, GiveUp):
            return moments, verdict
        at = verdict.at
        moments.append(at)


def test_waits_follow_the_stated_plan_for_a_long_lived_notice() -> None:
    """From 30 min on: Standard Webhooks 1.0.0, example schedule. Jitter held at its middle."""
    moments, _ = _tries(timedelta(days=365), Middle())
    waits = [(later - earlier).total_seconds() for earlier, later in pairwise(moments)]
    assert waits[:6] == pytest.approx([5, 30, 120, 300, 1800, 7200])
    assert WAITS_S[4:] == (1800, 7200)


@pytest.mark.parametrize("life_h", [0.25, 2, 12, 23.9, 24.1, 96])
def test_whole_plan_keeps_its_bounds_for_any_random_draws(life_h: float) -> None:
    """1,000 draws of the jitter each: no wait over a tenth of the time left or a minute; a last try near the end."""
    life = timedelta(hours=life_h)
    ends = START + min(life, MAX_RETRY_PERIOD)
    for seed in range(1000):
        moments, verdict = _tries(life, Random(seed))
        for number, (earlier, later) in enumerate(pairwise(moments)):
            wait_s, left_s = (later - earlier).total_seconds(), (ends - earlier).total_seconds()
            assert 0 < wait_s <= max(60, left_s / 10) + 1e-5
            assert wait_s <= WAITS_S[min(number, len(WAITS_S) - 1)] * (1 + JITTER_FRAC) + 1e-5
        assert verdict.expired == (life <= MAX_RETRY_PERIOD)
        assert ends - timedelta(minutes=1) < moments[-1] < ends
        assert len(moments) <= 80


def test_draws_spread_the_tries_of_many_notices() -> None:
    """1,000 notices that failed at once: no tenth of the spread of their third try holds more than a fifth of them."""
    thirds = [(_tries(timedelta(hours=12), Random(seed))[0][2] - START).total_seconds() for seed in range(1000)]
    counts, _ = np.histogram(thirds, bins=10)
    assert counts.max() <= 200
    assert max(thirds) - min(thirds) > 10


@given(
    attempt=st.integers(1, 40),
    left_s=st.floats(-10, 1e7),
    asked_s=st.none() | st.floats(0, 2e5),
    permanent=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_retry_is_not_in_the_past_too_late_or_before_asked(
    attempt: int, left_s: float, asked_s: float | None, permanent: bool, seed: int
) -> None:
    """A retry is never past the notice's use, nor before the time that the target asks for."""
    error = DeliveryError("hook", "no", permanent=permanent, retry_after_s=asked_s)
    expires_at = START + timedelta(seconds=left_s)
    verdict = next_attempt(attempt, error, START, expires_at, np.random.default_rng(seed), since=START)
    if isinstance(verdict, RetryAt):
        assert not permanent
        assert START + timedelta(seconds=asked_s or 0) <= verdict.at + timedelta(microseconds=1)
        assert START < verdict.at < expires_at
    elif verdict.expired:
        assert left_s < 10
    else:
        assert permanent or (asked_s is not None and (asked_s > 86400 or asked_s >= left_s - 1))


def test_same_draw_same_plan() -> None:
    plans = [_tries(timedelta(hours=12), np.random.default_rng(7))[0] for _ in range(2)]
    assert plans[0] == plans[1]


@pytest.mark.parametrize(
    ("asked_s", "life_h", "outcome"),
    [(600, 12, "waits"), (86400, 72, "waits"), (86401, 72, "parked"), (3600, 0.5, "parked")],
)
def test_requested_pause_is_kept_up_to_a_day_and_the_expiry(asked_s: float, life_h: float, outcome: str) -> None:
    error = DeliveryError("hook", "answered 429", retry_after_s=asked_s)
    verdict = next_attempt(1, error, START, START + timedelta(hours=life_h), Middle(), since=START)
    if outcome == "waits":
        assert verdict == RetryAt(at=START + timedelta(seconds=asked_s))
    else:
        assert isinstance(verdict, GiveUp)
        assert not verdict.expired
        assert f"wait {asked_s} s" in verdict.reason


def test_permanent_errors_end_at_once_and_need_a_person() -> None:
    gone = DeliveryError("hook", "answered 410", permanent=True)
    verdict = next_attempt(1, gone, START, START + timedelta(1), Middle(), since=START)
    assert verdict == GiveUp(reason="hook: answered 410", expired=False)


def test_useful_notice_is_parked_after_a_day_of_failures() -> None:
    verdict = next_attempt(60, DOWN, START + timedelta(days=1), START + timedelta(days=3), Middle(), since=START)
    assert verdict == GiveUp(reason="tried for a day, 60 times; the last: hook: answered 500")

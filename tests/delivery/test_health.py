"""Each way out as one value, from what the store counts, what the lanes know and what is on record."""

from datetime import datetime, timedelta

from alertd.delivery.circuit_breaker import BreakerHealth
from alertd.delivery.health import channel_health
from alertd.notices.channel_state import ChannelState
from alertd.store.rows import StoredChannelCounts


def _tally(target: str, **changes: object) -> StoredChannelCounts:
    values = {
        "waiting_n": 0,
        "parked_n": 0,
        "expired_n": 0,
        "done_n": 0,
        "last_done_at": None,
        "oldest_waiting_at": None,
    }
    return StoredChannelCounts(target=target, **{**values, **changes})


def _breaker(target: str, **changes: object) -> BreakerHealth:
    values = {
        "failures_in_a_row": 0,
        "failing_since": None,
        "last_success_at": None,
        "last_problem": "",
        "disabled": False,
    }
    return BreakerHealth(target=target, **{**values, **changes})


def test_configured_targets_and_those_with_notices_are_named(noon: datetime) -> None:
    hook, old = channel_health(["hook"], [_tally("old", parked_n=3)], [], {}, noon)
    assert (hook.target, hook.configured, hook.last_success_age_s, hook.problem) == ("hook", True, None, "")
    assert (old.target, old.configured, old.parked_n) == ("old", False, 3)


def test_ages_count_from_the_newest_that_is_known(noon: datetime) -> None:
    """After a restart only the store knows of a success; before its next commit only the lane does."""
    counts = _tally(
        "hook",
        waiting_n=2,
        last_done_at=noon - timedelta(minutes=30),
        oldest_waiting_at=noon - timedelta(minutes=7),
        done_n=5,
    )
    [after_restart] = channel_health(["hook"], [counts], [], {}, noon)
    assert (after_restart.last_success_age_s, after_restart.oldest_waiting_age_s) == (1800.0, 420.0)
    [fresher] = channel_health(["hook"], [counts], [_breaker("hook", last_success_at=noon)], {}, noon)
    assert fresher.last_success_age_s == 0.0


def test_trouble_on_record_shows_without_a_dispatcher(noon: datetime) -> None:
    failing = ChannelState(target="a", state="failing", since=noon - timedelta(hours=2), why="a: answered 500")
    disabled = ChannelState(target="b", state="disabled", since=noon, why="b: answered 410")
    up = ChannelState(target="c", state="up", since=noon)
    a, b, c = channel_health("abc", [], [], {"a": failing, "b": disabled, "c": up}, noon)
    assert (a.failing_s, a.disabled, a.problem) == (7200.0, False, "a: answered 500")
    assert (b.disabled, b.problem) == (True, "b: answered 410")
    assert (c.failing_s, c.disabled, c.problem) == (None, False, "")


def test_failures_are_shown_from_what_is_kept(noon: datetime) -> None:
    kept = ChannelState(
        target="a", state="up", since=noon, why="a: answered 500", failures=2, last_success_at=noon - timedelta(hours=3)
    )
    [a] = channel_health(["a"], [], [], {"a": kept}, noon)
    assert (a.failures_in_a_row, a.problem, a.last_success_age_s) == (2, "a: answered 500", 10800.0)

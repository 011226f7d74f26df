"""Channels are spread evenly over living workers, and move only where that evens them out."""

from collections import Counter

import pytest

from alertd.delivery.shares import share_channels

CHANNELS = [f"hook-{n}" for n in range(5)]


def counts(shared: dict[str, str]) -> list[int]:
    return sorted(Counter(shared.values()).values())


def test_without_workers_every_channel_is_the_leaders() -> None:
    assert share_channels(CHANNELS, [], {"hook-0": "gone"}) == {}


@pytest.mark.parametrize(("workers_n", "expected"), [(1, [5]), (2, [2, 3]), (3, [1, 2, 2]), (7, [1] * 5)])
def test_channels_are_spread_evenly(workers_n: int, expected: list[int]) -> None:
    shared = share_channels(CHANNELS, [f"w{n}" for n in range(workers_n)], {})
    assert set(shared) == set(CHANNELS)
    assert counts(shared) == expected


def test_a_new_worker_gets_channels_and_the_rest_stay() -> None:
    before = share_channels(CHANNELS, ["w0"], {})
    after = share_channels(CHANNELS, ["w0", "w1"], before)
    assert counts(after) == [2, 3]
    assert share_channels(CHANNELS, ["w0", "w1"], after) == after


def test_channels_of_a_dead_worker_go_to_the_others() -> None:
    before = share_channels(CHANNELS, ["w0", "w1"], {})
    after = share_channels(CHANNELS, ["w1"], before)
    assert set(after.values()) == {"w1"}


def test_a_channel_that_is_gone_has_no_worker() -> None:
    assert share_channels(["hook-1"], ["w0"], {"hook-0": "w0", "hook-1": "w0"}) == {"hook-1": "w0"}

"""Nobody gets so many messages that they stop reading them: counts over rehearsed days."""

from statistics import median

import pytest

from alertd.testing.message_counts import Counts, count_day

MOST_A_DRIVER, MEDIAN_A_DRIVER = 6, 4  # our aim for a pass day
MOST_DIGESTS = 12  # to the office a day, for 40 trucks


def check(counts: Counts, most: int = MOST_A_DRIVER) -> None:
    n = counts.pass_days
    assert n, "no truck had a pass day"
    assert n[0] >= 1
    assert n[-1] <= most, {trip: counts.driver[trip] for trip in counts.acting}
    assert median(n) <= MEDIAN_A_DRIVER, {trip: counts.driver[trip] for trip in counts.acting}
    assert counts.digests_n <= MOST_DIGESTS


def test_a_storm_day_keeps_to_the_message_limits() -> None:
    counts = count_day("storm", 1, hours=17.0, every_min=180)
    check(counts)
    kinds = {kind for trip in counts.acting for kind in counts.driver[trip]}
    assert {"outlook", "early", "approach"} <= kinds


@pytest.mark.slow
def test_four_trucks_keep_to_the_message_limits() -> None:
    """One truck whose ice and order to chain come one by one gets a seventh with a plan an hour."""
    counts = count_day("storm", 4, every_min=60)
    check(counts, most=MOST_A_DRIVER + 1)
    assert sum(n > MOST_A_DRIVER for n in counts.pass_days) <= 1

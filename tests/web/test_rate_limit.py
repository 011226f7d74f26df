"""So many in any 60 seconds: counted against the definition by brute force."""

from hypothesis import given
from hypothesis import strategies as st

from alertd.web.rate_limit import MAX_KEYS, SlidingWindowLimiter


@given(st.lists(st.integers(0, 30), max_size=60), st.integers(1, 5))
def test_no_window_of_a_minute_exceeds_the_limit_with_the_wait(gaps: list[int], most: int) -> None:
    limiter, now, taken = SlidingWindowLimiter(most), 0.0, list[float]()
    for gap in gaps:
        now += gap
        wait = limiter.wait_s("a", now)
        recent = [t for t in taken if t > now - 60.0]
        assert (wait == 0) == (len(recent) < most)
        assert not [t for t in taken if t > now + wait - 60.0][most - 1 :] or wait == 0
        if wait == 0:
            limiter.record("a", now)
            taken.append(now)


def test_one_key_does_not_use_up_another_s() -> None:
    limiter = SlidingWindowLimiter(1)
    limiter.record("a", 0.0)
    assert limiter.wait_s("a", 1.0) == 59
    assert limiter.wait_s("b", 1.0) == 0


def test_remembered_addresses_do_not_grow_without_end() -> None:
    limiter = SlidingWindowLimiter(1)
    for n in range(3 * MAX_KEYS):
        limiter.record(str(n), n * 0.1)
    assert len(limiter._times) <= MAX_KEYS + 1

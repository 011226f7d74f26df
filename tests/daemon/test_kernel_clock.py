"""The kernel's word on its clock, by the layout and flags of adjtimex(2) and linux/timex.h."""

import ctypes
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from alertd.clock import system_clock
from alertd.daemon.kernel_clock import STA_NANO, STA_UNSYNC, TIME_ERROR, Timex, ask_kernel, is_synchronised

NOW = datetime(2027, 1, 14, 10, 30, 0, 250_000, tzinfo=UTC)


def answering(result: int, status: int, at: datetime = NOW) -> Callable[[Timex], int]:
    def ask(answer: Timex) -> int:
        answer.status = status
        answer.time.seconds = int(at.timestamp())
        answer.time.fraction = at.microsecond * (1000 if status & STA_NANO else 1)
        return result

    return ask


@pytest.mark.parametrize(
    ("result", "status", "expected"),
    [
        (0, 0x0001, True),  # TIME_OK, in a phase-locked loop
        (0, 0x0001 | STA_NANO, True),
        (4, 0x0001, True),  # TIME_WAIT, after a leap second
        (TIME_ERROR, 0x0001 | STA_UNSYNC, False),
        (0, STA_UNSYNC, False),
        (-1, 0, False),  # refused, as by a filter of system calls
    ],
)
def test_only_a_synchronised_kernel_vouches_for_its_time(result: int, status: int, expected: bool) -> None:
    assert is_synchronised(lambda: NOW, answering(result, status)) is expected


def test_kernel_does_not_vouch_for_another_time_than_its_own() -> None:
    ask = answering(0, 0x0001)
    assert is_synchronised(lambda: NOW + timedelta(seconds=1), ask)
    assert not is_synchronised(lambda: NOW + timedelta(days=31), ask)


@pytest.mark.skipif(sys.platform != "linux", reason="adjtimex is of Linux")
def test_layout_is_that_of_this_machines_kernel() -> None:
    """The size is that of glibc on machines of 64 bits; the time and the tick of 10 ms are where they belong."""
    answer = Timex()
    if ask_kernel(answer) < 0:
        pytest.skip("this machine refuses adjtimex")
    assert ctypes.sizeof(Timex) == 208
    assert abs(answer.time.seconds - system_clock().timestamp()) < 60
    assert 9_000 <= answer.tick <= 11_000
    assert answer.maxerror >= answer.esterror >= 0

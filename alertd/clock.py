"""Reads the machine's clocks: the time of day, and the time that passes."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeAlias

Clock: TypeAlias = Callable[[], datetime]


def system_clock() -> datetime:
    """The current time, aware, in UTC."""
    return datetime.now(UTC)


def elapsed_s() -> float:
    """Seconds of a clock that nobody sets; on Linux it continues while the machine is suspended."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)

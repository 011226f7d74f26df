"""Detects steps of the system clock with a monotonic clock, so that timers can be reset."""

import asyncio
import logging
import time
from collections.abc import Callable

from alertd.clock import Clock

log = logging.getLogger(__name__)

CHECK_EVERY_S = 5.0
STEP_S = 2.0  # more than a slewing clock or a busy loop can cause in five seconds
ALARM_S = 120.0


class ClockWatch:
    """Compares the two clocks at each check. A suspended machine looks like a step forward."""

    def __init__(self, clock: Clock, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._monotonic = clock, monotonic
        self._at, self._at_s = clock(), monotonic()

    def step_s(self) -> float:
        """Clock step since the last check [s], forward positive; 0 without a step."""
        at, at_s = self._clock(), self._monotonic()
        jumped_s = (at - self._at).total_seconds() - (at_s - self._at_s)
        self._at, self._at_s = at, at_s
        return jumped_s if abs(jumped_s) > STEP_S else 0.0


async def watch_clock(watch: ClockWatch, on_step: Callable[[float], None], every_s: float = CHECK_EVERY_S) -> None:
    """Call `on_step` with each step. Never returns."""
    while True:
        await asyncio.sleep(every_s)
        step_s = watch.step_s()
        if step_s:
            change = f"system clock moved {'forward' if step_s > 0 else 'back'} by {abs(step_s):.0f} s"
            log.log(logging.ERROR if abs(step_s) > ALARM_S else logging.WARNING, "%s; all jobs are rescheduled", change)
            on_step(step_s)

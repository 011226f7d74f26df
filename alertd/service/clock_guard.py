"""A clock that ignores wrong readings, and reports whether its time is good for irreversible actions.

Readings are compared with a monotonic clock and with the `Date` header of HTTP answers (RFC 9110, 6.6.1). Without such
answers, the machine's time service may vouch for a reading.
"""

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from statistics import median
from threading import Lock
from typing import Final

from alertd.clock import Clock, elapsed_s

log = logging.getLogger(__name__)

STEP_S: Final = 120.0  # more than a slewed clock, the whole seconds of a Date and a slow answer add up to
STEADY_S: Final = 600.0  # a new time that servers do not confirm is accepted after this long
LARGE_STEP_S: Final = 6 * 3600.0  # a larger one after `LARGE_STEADY_S`: it would skip briefs and expire every notice
LARGE_STEADY_S: Final = 6 * 3600.0
DATES_HOLD_S: Final = 86400.0
MOST_HOSTS: Final = 32
MANY_HOSTS: Final = 3  # from this number on the median decides; below it, one server that agrees is enough


class GuardedClock:
    """Call it for the time: the machine's time, or after a step larger than `STEP_S` the earlier time counted on.

    A new time is accepted when servers confirm it. Without servers that confirm the old time, it is accepted at once
    where the time service vouches for it, else after `STEADY_S`, and a step larger than `LARGE_STEP_S` after
    `LARGE_STEADY_S`. Thread-safe.
    """

    def __init__(
        self, machine: Clock, elapsed: Callable[[], float] = elapsed_s, synchronised: Callable[[], bool] = lambda: False
    ) -> None:
        """synchronised: whether a time service vouches for the machine's present time, False where that is unknown.

        It must turn False with each step of the machine's clock, until the service has set or checked the new time.
        """
        self.machine, self._synchronised = machine, synchronised
        self._elapsed = elapsed
        self._lock = Lock()
        self._base = (machine(), elapsed())
        self._steady_since_s = self._base[1]
        self._step: tuple[float, float] | None = None  # (seconds, since when)
        self._servers: dict[str, tuple[float, float]] = {}  # by host: (its epoch seconds at elapsed 0, received at)

    def __call__(self) -> datetime:
        with self._lock:
            return self._read()[0]

    def record_offset(self, host: str, offset_s: float) -> None:
        """Record a server's Date minus this clock's time, measured now."""
        with self._lock:
            now, at_s = self._read()
            if host in self._servers or len(self._servers) < MOST_HOSTS:
                self._servers[host] = (now.timestamp() + offset_s - at_s, at_s)

    @property
    def problem(self) -> str:
        """Why nothing may be skipped, removed or expired by this clock; "" when all of that is allowed."""
        with self._lock:
            now, at_s = self._read()
            off_s = self._behind_servers_s(now, at_s)
            if off_s is not None and abs(off_s) > STEP_S:
                return f"the clock differs from servers' clocks by {_span(off_s)}"
            if self._step is not None:
                return f"the machine's clock jumped by {_span(self._step[0])}"
            if off_s is None and at_s - self._steady_since_s < STEADY_S and not self._synchronised():
                return "the clock is not confirmed yet"
            return ""

    @property
    def trusted(self) -> bool:
        return self.problem == ""

    @property
    def confirmed(self) -> bool:
        """Whether servers confirm this time."""
        with self._lock:
            off_s = self._behind_servers_s(*self._read())
            return off_s is not None and abs(off_s) <= STEP_S and self._step is None

    @property
    def may_remove(self) -> bool:
        """Whether old records may be removed by this time: never before servers confirm it.

        Removed records do not come back, and a wrong clock may be steady for days while no server answers.
        """
        return self.confirmed

    def _read(self) -> tuple[datetime, float]:
        reading, at_s = self.machine(), self._elapsed()
        expected = self._base[0] + timedelta(seconds=at_s - self._base[1])
        jump_s = (reading - expected).total_seconds()
        if abs(jump_s) <= STEP_S:
            if self._step is not None:
                log.warning("system clock is back to normal after a jump of %s", _span(self._step[0]))
            self._base, self._step = (reading, at_s), None
            return reading, at_s
        if self._step is None or abs(jump_s - self._step[0]) > STEP_S:
            self._step = (jump_s, at_s)
            log.error("system clock jumped by %s; the daemon continues from the earlier time", _span(jump_s))
        if not self._believed(reading, expected, at_s):
            return expected, at_s
        log.warning("system clock accepted after a jump of %s", _span(jump_s))
        self._steady_since_s = self._step[1]
        self._base, self._step = (reading, at_s), None
        return reading, at_s

    def _believed(self, reading: datetime, expected: datetime, at_s: float) -> bool:
        new_off_s, old_off_s = (self._behind_servers_s(one, at_s) for one in (reading, expected))
        if new_off_s is not None and abs(new_off_s) <= STEP_S:
            return True
        if old_off_s is not None and abs(old_off_s) <= STEP_S:
            return False
        if self._step is None:
            return False
        if self._synchronised():
            return True
        needed_s = STEADY_S if abs(self._step[0]) <= LARGE_STEP_S else LARGE_STEADY_S
        return at_s - self._step[1] >= needed_s

    def _behind_servers_s(self, now: datetime, at_s: float) -> float | None:
        """Servers' time minus `now` [s]; None without a server answer within a day."""
        epoch_s = now.astimezone(UTC).timestamp()
        offs = [
            zero_s + at_s - epoch_s
            for zero_s, received_s in self._servers.values()
            if at_s - received_s <= DATES_HOLD_S
        ]
        if not offs:
            return None
        return median(offs) if len(offs) >= MANY_HOSTS else min(offs, key=abs)


def _span(seconds: float) -> str:
    sign, size = "-" if seconds < 0 else "+", abs(seconds)
    for unit, unit_s in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if size >= 2 * unit_s:
            return f"{sign}{size / unit_s:.0f} {unit}"
    return f"{sign}{size:.0f} s"

"""Tracks call quotas per minute, hour, day and month, across restarts.

The windows follow the server's: its counters reset at each minute, full hour and UTC day; the month is the calendar
month. The count is a small file that processes share under a lock. When it cannot be written, the count stays in
memory.
"""

import json
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, TypeVar

T = TypeVar("T")

LOCK_WAIT_S: Final = 5.0
AFTER_WINDOW_END: Final = timedelta(seconds=1)  # clocks differ: a window starts slightly late


@dataclass(frozen=True, slots=True, kw_only=True)
class QuotaExhausted:
    """Why a call may not be made before `until`.

    window: "minute", "hour", "day", "month", or "" when the server itself reported it. until: None means never, since
    the single call exceeds a window.
    """

    window: str
    until: datetime | None
    because: str


class Quota:
    """Quota of one counted party. limits: calls by window; path: file of the count, None for memory only."""

    def __init__(
        self, limits: Mapping[str, int], path: Path | None, on_error: Callable[[str], None] = lambda text: None
    ) -> None:
        self._limits, self._path, self._on_trouble, self._reported = dict(limits), path, on_error, False
        self._state: dict[str, Any] = {}

    def take(self, calls: float, now_utc: datetime) -> QuotaExhausted | None:
        """Count calls that are about to be made, or return why they may not be made. Blocks on the disk."""

        def decide(state: dict[str, Any]) -> QuotaExhausted | None:
            closed = state.get("closed")
            if closed is not None and now_utc < closed["until"]:
                return QuotaExhausted(window="", until=closed["until"], because=closed["because"])
            used = _rolled(state, self._limits, now_utc)
            for window, limit in self._limits.items():
                if calls > limit:
                    because = f"this question counts as {calls:.0f} calls, and {limit:,} per {window} are allowed"
                    return QuotaExhausted(window=window, until=None, because=because)
                if used[window][1] + calls > limit:
                    return QuotaExhausted(
                        window=window, until=_window_end(window, now_utc), because=f"{limit:,} calls per {window}"
                    )
            for window, (start, count) in used.items():
                used[window] = (start, count + calls)
            state["used"] = used
            return None

        return self._with_state(decide)

    def add(self, calls: float, now_utc: datetime) -> None:
        """Count extra calls: the server counts a failed call once more."""

        def decide(state: dict[str, Any]) -> None:
            used = _rolled(state, self._limits, now_utc)
            state["used"] = {window: (start, count + calls) for window, (start, count) in used.items()}

        self._with_state(decide)

    def close(self, until: datetime, because: str) -> None:
        """Record that the server itself reported the quota as spent."""

        def decide(state: dict[str, Any]) -> None:
            state["closed"] = {"until": until, "because": because}

        self._with_state(decide)

    def used(self, now_utc: datetime) -> dict[str, float]:
        """Return the calls counted in each window so far."""
        return self._with_state(lambda state: {w: c for w, (_, c) in _rolled(state, self._limits, now_utc).items()})

    def _with_state(self, decide: Callable[[dict[str, Any]], T]) -> T:
        """Run `decide` on the count, which it may change; save the count and return the result."""
        path = self._path
        if path is None:
            return decide(self._state)
        from filelock import FileLock, Timeout  # a plan of stored answers counts no call

        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with FileLock(path.with_suffix(".lock"), timeout=LOCK_WAIT_S):
                self._state = self._read(path)
                result = decide(self._state)
                temporary = path.with_suffix(".tmp")
                temporary.write_text(json.dumps(self._state, default=_as_text), encoding="ascii")
                os.replace(temporary, path)
                return result
        except (OSError, Timeout) as exc:
            self._report(f"the count of calls {path} cannot be written ({exc}); counting in memory")
            self._path = None
            return decide(self._state)

    def _read(self, path: Path) -> dict[str, Any]:
        try:
            return _decoded(json.loads(path.read_bytes()))
        except FileNotFoundError:
            return {}
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            self._report(f"the count of calls {path} is damaged; counting from 0")
            return {}

    def _report(self, text: str) -> None:
        if not self._reported:
            self._reported = True
            self._on_trouble(text)


def _decoded(raw: Any) -> dict[str, Any]:
    state: dict[str, Any] = {}
    if "closed" in raw:
        state["closed"] = {"until": _moment(raw["closed"]["until"]), "because": str(raw["closed"]["because"])}
    state["used"] = {str(w): (_moment(start), _count(count)) for w, (start, count) in raw.get("used", {}).items()}
    return state


def _count(raw: object) -> float:
    count = float(raw)  # type: ignore[arg-type]
    if not (math.isfinite(count) and count >= 0.0):
        raise ValueError("a count is a number that is not negative")
    return count


def _moment(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    if when.utcoffset() is None:
        raise ValueError("times must be aware")
    return when


def _as_text(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)


def _rolled(state: dict[str, Any], limits: Mapping[str, int], now_utc: datetime) -> dict[str, tuple[datetime, float]]:
    """Return the counts with past windows reset.

    A window that has not begun, as after a clock set back, keeps its count.
    """
    used: dict[str, tuple[datetime, float]] = state.get("used", {})
    rolled = {}
    for window in limits:
        start = _start(window, now_utc)
        raw = used.get(window)
        rolled[window] = (start, 0.0) if raw is None or raw[0] < start else (start, raw[1])
    return rolled


def _start(window: str, now_utc: datetime) -> datetime:
    now = now_utc.astimezone(UTC).replace(second=0, microsecond=0)
    match window:
        case "minute":
            return now
        case "hour":
            return now.replace(minute=0)
        case "day":
            return now.replace(hour=0, minute=0)
    return now.replace(day=1, hour=0, minute=0)


def _window_end(window: str, now_utc: datetime) -> datetime:
    start = _start(window, now_utc)
    lengths = {"minute": timedelta(minutes=1), "hour": timedelta(hours=1), "day": timedelta(days=1)}
    if window in lengths:
        return start + lengths[window] + AFTER_WINDOW_END
    return (start + timedelta(days=32)).replace(day=1) + AFTER_WINDOW_END

"""Counted log lines for events that unauthenticated clients cause, so that floods stay out of the log."""

import asyncio
import logging
from collections import Counter
from typing import Final

log = logging.getLogger(__name__)

SAY_EVERY_S: Final = 60.0


class Tally:
    """Counts frequent events by reason: one log line at once, then at most one per minute."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._counts: Counter[str] = Counter()
        self._timer: asyncio.TimerHandle | None = None

    def count(self, reason: str) -> None:
        """Call from the event loop."""
        self._counts[reason] += 1
        if self._timer is None:
            self._say()

    def _say(self) -> None:
        self._timer = None
        if not self._counts:
            return
        counts = ", ".join(f"{n} {reason}" for reason, n in sorted(self._counts.items()))
        log.warning("%s: %s", self._what, counts)
        self._counts.clear()
        self._timer = asyncio.get_running_loop().call_later(SAY_EVERY_S, self._say)

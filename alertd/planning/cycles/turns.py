"""Whose turn it is to compute: one at a time, in order, and those that somebody waits for before all others."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningMode:
    """How trips are planned.

    keep: return the last plan of a trip where a new one would be the same but for its age, see `KeptPlans`.
    urgent: these trips wait for no slow source of others, and for one computation of others at most.
    """

    keep: bool = False
    urgent: bool = False


PLAIN: Final = PlanningMode()


class Turns:
    """A lock whose urgent waiters come first. For one event loop."""

    def __init__(self) -> None:
        self._taken = False
        self._waiting: tuple[deque[asyncio.Future[None]], deque[asyncio.Future[None]]] = (deque(), deque())

    @asynccontextmanager
    async def turn(self, *, urgent: bool = False) -> AsyncIterator[None]:
        """Wait for the turn, and hold it."""
        if self._taken:
            mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            queue = self._waiting[not urgent]
            queue.append(mine)
            try:
                await mine
            except asyncio.CancelledError:
                if mine.done() and not mine.cancelled():
                    self._pass_on()  # the turn had come already
                raise
            finally:
                if mine in queue:
                    queue.remove(mine)
        self._taken = True
        try:
            yield
        finally:
            self._pass_on()

    def _pass_on(self) -> None:
        for queue in self._waiting:
            while queue:
                following = queue.popleft()
                if not following.done():
                    following.set_result(None)  # the turn stays taken, so that nobody comes between
                    return
        self._taken = False

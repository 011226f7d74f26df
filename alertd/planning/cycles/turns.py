"""Whose turn it is to compute: one at a time, what somebody waits for first, then the most urgent trip."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count
from typing import Final, TypeAlias

from alertd.planning.cycles.held_plan import HeldPlan
from alertd.planning.decisions.decide import Basis
from alertd.sources.files.trips import TripRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningMode:
    """How trips are planned.

    keep: return the last plan of a trip where a new one would be the same but for its age, see `KeptPlans`, and where
    this returns True; None makes each trip's plan again.
    urgent: these trips wait for no slow source of others, and for one computation of others at most.
    basis_of: from which a process that plans a trip also decides what is sent; None leaves that to the caller.
    """

    keep: Callable[[TripRequest, HeldPlan], bool] | None = None
    urgent: bool = False
    basis_of: Callable[[TripRequest], Basis] | None = None


PLAIN: Final = PlanningMode()
_Place: TypeAlias = tuple[bool, int, int, asyncio.Future[None]]


class Turns:
    """A lock whose urgent waiters come first, then those of low rank, then in order. For one event loop."""

    def __init__(self) -> None:
        self._taken = False
        self._waiting: list[_Place] = []
        self._numbers = count()

    @asynccontextmanager
    async def turn(self, *, urgent: bool = False, rank: int = 0) -> AsyncIterator[None]:
        """Wait for the turn, and hold it."""
        if self._taken:
            mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            heappush(self._waiting, (not urgent, rank, next(self._numbers), mine))
            try:
                await mine
            except asyncio.CancelledError:
                if mine.done() and not mine.cancelled():
                    self._end()  # the turn had come already
                raise
        self._taken = True
        try:
            yield
        finally:
            self._end()

    def _end(self) -> None:
        """The turn stays taken until the loop's next step, so that who ends it can ask for another one before."""
        if self._waiting:
            asyncio.get_running_loop().call_soon(self._pass_on)
        else:
            self._taken = False

    def _pass_on(self) -> None:
        while self._waiting:
            *_, following = heappop(self._waiting)
            if not following.done():
                following.set_result(None)
                return
        self._taken = False

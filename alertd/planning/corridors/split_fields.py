"""The field of a road whose trips are planned in several parts: computed once, and sent with every part."""

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final, Generic, TypeVar

from alertd.planning.corridors.job import RouteJob
from alertd.planning.weather import SourceAnswers

MAX_FIELDS: Final = 8  # of 10 to 30 MB each; a part that comes later computes its field again
Field = TypeVar("Field")


class SplitFields(Generic[Field]):
    """Fields by the answers of the sources that they are computed from."""

    def __init__(self) -> None:
        self._kept: OrderedDict[int, tuple[SourceAnswers, asyncio.Future[Field]]] = OrderedDict()

    async def of(self, job: RouteJob, compute: Callable[[RouteJob], Awaitable[Field]]) -> Field | None:
        """The field of a job that is one of several parts; None for a whole road. All parts wait for one computation.

        compute: has the field computed from a job without trips, and returns it or its key.
        """
        if not job.split or not job.trips:
            return None
        key = id(job.answers)  # the answers are kept beside it, so no other object has this number
        if key not in self._kept:
            self._kept[key] = job.answers, asyncio.ensure_future(compute(replace(job, trips=(), deciding=None)))
            while len(self._kept) > MAX_FIELDS:
                self._kept.popitem(last=False)
        try:
            return await asyncio.shield(self._kept[key][1])
        except Exception:
            self._kept.pop(key, None)  # the next attempt computes it again
            raise

    def clear(self) -> None:
        """Forget every field, at the begin of a cycle."""
        self._kept.clear()

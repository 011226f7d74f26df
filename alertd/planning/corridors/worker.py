"""A worker's part: takes a job from the queue of a store, plans it and leaves the answer there."""

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Mapping
from typing import Final

import alertd
from alertd.errors import InputError
from alertd.memory import release_memory, release_when_large
from alertd.planning.corridors.answer import answer_job
from alertd.planning.corridors.plan_road import Ground
from alertd.planning.corridors.transfer import RouteCache, ground_from_bytes
from alertd.planning.road_cache import MAX_KEPT
from alertd.store.work.queue import WorkQueue

log = logging.getLogger(__name__)

MAX_GROUNDS: Final = 2  # the present one, and one that jobs in the queue may still name
FAILED: Final = b"failed: "  # begins an answer that is a reason


class RoadWorker:
    """Plans roads for the leader of a store. It needs no files: what plans depend on comes with the jobs."""

    def __init__(self, queue: WorkQueue) -> None:
        self._queue = queue
        self._routes = RouteCache()
        self._grounds: OrderedDict[str, Ground] = OrderedDict()
        self.planned_n = 0

    async def work(self, args: Mapping[str, str]) -> None:
        """Answer one job. Its bytes are gone where nobody waits for it any more. Raises StoreError."""
        data = await self._queue.get(args["job"])
        if data is None:
            log.info("road %s: no longer asked for", args["road"])
            return
        try:
            last = await self._answer(args, data)
        except InputError as exc:
            log.error("road %s: %s", args["road"], exc)
            await self._queue.answer(args["job"], args["answer"], FAILED + str(exc).encode())
            return
        await self._queue.answer(args["job"], args["answer"], last)
        self.planned_n += 1
        log.info("road %s planned", args["road"])
        await asyncio.to_thread(release_when_large)

    async def _answer(self, args: Mapping[str, str], data: bytes) -> bytes:
        """Plan the trips of a job, and leave each group but the last; returns that one. A road field is left whole."""
        if args["version"] != alertd.__version__:
            raise InputError(
                "job", "version", f"of alertd {args['version']}, this worker is {alertd.__version__}", "run one version"
            )
        ground = await self._ground(args["ground"])
        field = await self._queue.get(args["field"]) if args["field"] else None
        # The groups depend on no clock: a worker that takes over a dead one's job makes the same, and none is doubled.
        groups = answer_job(data, ground, self._routes, field or b"", by_time=False)
        last = await asyncio.to_thread(next, groups)
        if args["new_field"]:
            await self._queue.put(args["new_field"], last)
            last = b""
        parts_n = 0
        while (following := await asyncio.to_thread(next, groups, None)) is not None:
            await self._queue.answer_part(args["job"], part_key(args["answer"], parts_n), last)
            last, parts_n = following, parts_n + 1
        return last

    async def _ground(self, key: str) -> Ground:
        if key not in self._grounds:
            data = await self._queue.get(key)
            if data is None:
                raise InputError("job", "ground", "its reference data are gone", "none: the leader plans this road")
            self._grounds[key] = await asyncio.to_thread(ground_from_bytes, data, MAX_KEPT)
            while len(self._grounds) > MAX_GROUNDS:
                self._grounds.popitem(last=False)
            await asyncio.to_thread(release_memory)  # later searches leave out those that are kept
        return self._grounds[key]


def part_key(answer: str, number: int) -> str:
    """The key of a group of an answer that is not its last."""
    return f"{answer}/{number}"


def reason_of(answer: bytes) -> str:
    """Why a worker could not plan a job; "" for an answer with plans."""
    return answer[len(FAILED) :].decode(errors="replace") if answer.startswith(FAILED) else ""

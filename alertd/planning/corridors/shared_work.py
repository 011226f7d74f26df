"""The leader's part of planning with workers: queues each road, waits for its answer, and helps where none comes.

The leader alone asks the sources, keeps the schedule and records plans with their notices. So a worker that dies in the
middle leaves nothing behind that could be sent twice, and without any worker the leader plans alone.
"""

import asyncio
import logging
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from hashlib import blake2b
from time import monotonic
from typing import Final

import alertd
from alertd.errors import InputError, StoreError
from alertd.planning.corridors.job import PlannedRoad, RouteJob, none_planned
from alertd.planning.corridors.plan_road import Ground, plan_road
from alertd.planning.corridors.split_fields import SplitFields
from alertd.planning.corridors.transfer import ground_to_bytes, job_to_bytes, read_value
from alertd.planning.corridors.worker import reason_of
from alertd.store.url import PostgresUrl
from alertd.store.work.queue import MOST_RESCUES, OpenQueue, WorkQueue

log = logging.getLogger(__name__)

ROADS_SHARED: Final = 32  # of about 5 MB each in the leader [A]
POLL_EVERY_S: Final = 0.2
CHECK_EVERY_S: Final = 2.0  # dead workers, and jobs that ended without an answer
HELP_AFTER_S: Final = 10.0  # the leader plans a road that no worker has begun by then [A]


@dataclass(eq=False, slots=True)
class _Waiting:
    """A job that was queued, and the future of its answer; None as answer: the leader plans it."""

    job_id: int
    answer: asyncio.Future[bytes | None]
    since_s: float


class SharedWork:
    """A `RoadRunner`. Use `share_work`."""

    def __init__(self, queue: WorkQueue) -> None:
        self._queue = queue
        self._ground: Ground | None = None
        self._ground_key = ""
        self._waiting: dict[str, _Waiting] = {}  # by key of the answer
        self._fields: SplitFields[str] = SplitFields()
        self._field_keys: set[str] = set()
        self._here = asyncio.Lock()  # the leader plans one road at a time
        self.helped_n = 0

    @property
    def roads_at_once(self) -> int:
        """Enough for as many workers."""
        return ROADS_SHARED

    @property
    def running(self) -> bool:
        """Always: without a worker, the leader plans by itself after a while."""
        return True

    async def begin(self, ground: Ground, trips_n: int) -> None:
        """Store what the plans of all roads have in common, where it has changed."""
        self._ground = ground
        data = await asyncio.to_thread(ground_to_bytes, ground)
        key = f"ground:{blake2b(data, digest_size=16).hexdigest()}"
        with _not_fatal("the leader plans alone"):
            await self._queue.put(key, data)
            if not self._waiting:
                old = {self._ground_key} - {key, ""}
                await self._queue.drop(*old, *self._field_keys)
                self._field_keys.clear()
                self._fields.clear()
        self._ground_key = key

    async def plan(self, job: RouteJob) -> PlannedRoad:
        """Have a worker plan one road."""
        try:
            field = await self._fields.of(job, self._field_of)
            answer, _ = await self._ask(job, field or "")
            if answer is not None:
                return await asyncio.to_thread(_read, answer)
        except (StoreError, InputError) as exc:
            log.error("road %s: %s; the leader plans it", job.answers.route.name, exc)
        except _KillsWorkers:
            return none_planned(job, f"its workers died {MOST_RESCUES + 1} times; look at their machines' memory")
        return await self._plan_here(job)

    async def _plan_here(self, job: RouteJob) -> PlannedRoad:
        assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
        async with self._here:
            self.helped_n += 1
            return await asyncio.to_thread(plan_road, job, self._ground)

    async def _field_of(self, job: RouteJob) -> str:
        """Have the field of a road computed; returns its key, "" where no worker did."""
        answer, key = await self._ask(job, "")
        return "" if answer is None else key

    async def _ask(self, job: RouteJob, field: str) -> tuple[bytes | None, str]:
        """Queue a job and wait; returns the answer, None where no worker gave one, and the key of a new field.

        Raises StoreError, InputError, _KillsWorkers.
        """
        name, number = job.answers.route.name, secrets.token_hex(8)
        asked, answered, new_field = f"job:{number}", f"answer:{number}", f"field:{number}"
        await self._queue.put(asked, await asyncio.to_thread(job_to_bytes, job))
        part = f"{name}/{job.trips[0].id if job.trips else 'field'}"
        job_id = await self._queue.defer(
            part,
            f"{part}@{job.answers.window.now.isoformat()}",
            {
                "road": name,
                "job": asked,
                "answer": answered,
                "ground": self._ground_key,
                "field": field,
                "new_field": new_field,
                "version": alertd.__version__,
            },
        )
        if job_id is None:
            return None, ""
        self._field_keys.add(new_field)
        waiting = _Waiting(job_id, asyncio.get_running_loop().create_future(), monotonic())
        self._waiting[answered] = waiting
        try:
            found = await waiting.answer
        finally:
            del self._waiting[answered]
            with suppress(StoreError):
                await self._queue.drop(asked, answered)
        if found is not None and (why := reason_of(found)):
            raise InputError("worker", "", why, "see the worker's log")
        return found, new_field

    async def watch(self) -> None:
        """Resolve answers, rescue jobs of dead workers, and take jobs that nobody begins. Runs until cancelled."""
        checked_s = 0.0
        while True:
            await asyncio.sleep(POLL_EVERY_S)
            with _not_fatal("tried again"):
                await self._collect()
                if monotonic() - checked_s >= CHECK_EVERY_S:
                    checked_s = monotonic()
                    await self.check()

    async def _collect(self) -> None:
        if not self._waiting:
            return
        for key in await self._queue.existing(list(self._waiting)):
            answer = await self._queue.get(key)
            if answer is not None:
                self._resolve(key, answer)

    async def check(self) -> None:
        """Queue jobs of dead workers again, and release the road that waits longest where no worker begins it."""
        rescued = await self._queue.rescue()
        for job_id in rescued.again:
            log.warning("job %d: its worker died; another one plans the road", job_id)
        killers = {key for key, waiting in self._waiting.items() if waiting.job_id in rescued.given_up}
        for key in killers:
            if not self._waiting[key].answer.done():
                self._waiting[key].answer.set_exception(_KillsWorkers())
        seen = {key: w for key, w in self._waiting.items() if not w.answer.done()}
        still_open = await self._queue.open_jobs([w.job_id for w in seen.values()])
        await self._collect()  # an answer that came before its job ended
        for key, waiting in seen.items():
            if waiting.job_id not in still_open:
                self._resolve(key, None)
        if self._here.locked():
            return
        for key, waiting in sorted(seen.items(), key=lambda item: item[1].since_s):
            if monotonic() - waiting.since_s < HELP_AFTER_S:
                break
            if not waiting.answer.done() and await self._queue.withdraw(waiting.job_id):
                log.info(
                    "no worker began job %d within %.0f s; the leader plans the road", waiting.job_id, HELP_AFTER_S
                )
                self._resolve(key, None)
                break

    def _resolve(self, key: str, answer: bytes | None) -> None:
        waiting = self._waiting.get(key)
        if waiting is not None and not waiting.answer.done():
            waiting.answer.set_result(answer)


@asynccontextmanager
async def share_work(place: PostgresUrl) -> AsyncIterator[SharedWork]:
    """The work of the leader of a store, shared with its workers. Raises StoreError."""
    async with OpenQueue(place) as queue:
        await queue.prepare()
        await queue.clear()
        shared = SharedWork(queue)
        watching = asyncio.create_task(shared.watch())
        try:
            yield shared
        finally:
            watching.cancel()
            await asyncio.wait([watching])


class _KillsWorkers(Exception):
    """A job whose workers died again and again."""


class _not_fatal:
    """A failure of the queue is a line in the log: what it holds can be made again."""

    def __init__(self, what: str) -> None:
        self._what = what

    def __enter__(self) -> None: ...

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: object) -> bool:
        if isinstance(exc, StoreError):
            log.error("%s; %s", exc, self._what)
            return True
        return False


def _read(answer: bytes) -> PlannedRoad:
    planned = read_value(answer)
    if not isinstance(planned, PlannedRoad):
        raise InputError("worker", "", "its answer is no planned road", "run the same version of alertd everywhere")
    return planned

"""The leader's part of planning with workers: queues each road, waits for its answer, and helps where none comes.

The leader alone asks the sources, keeps the schedule and records plans with their notices. So a worker that dies in the
middle leaves nothing behind that could be sent twice, and without any worker the leader plans alone.
"""

import asyncio
import logging
import secrets
from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import aclosing, asynccontextmanager, suppress
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from time import monotonic
from typing import Final

import alertd
from alertd.errors import InputError, StoreError
from alertd.planning.corridors.job import PlannedRoad, RouteJob, none_planned
from alertd.planning.corridors.plan_road import Ground, plan_in_threads
from alertd.planning.corridors.split_fields import SplitFields
from alertd.planning.corridors.transfer import ground_to_bytes, job_to_bytes
from alertd.planning.corridors.value_bytes import read_value
from alertd.planning.corridors.worker import part_key, reason_of
from alertd.store.url import PostgresUrl
from alertd.store.work.queue import MOST_RESCUES, OpenQueue, WorkQueue

log = logging.getLogger(__name__)

ROADS_SHARED: Final = 32  # of about 5 MB each in the leader [A]
POLL_EVERY_S: Final = 0.2
CHECK_EVERY_S: Final = 2.0  # dead workers, and jobs that ended without an answer
HELP_AFTER_S: Final = 10.0  # the leader plans a road that no worker has begun by then [A]


class _Unanswered(Exception):
    """No worker answers a job, or the rest of it: the leader plans it."""


class _KillsWorkers(Exception):
    """A job whose workers died again and again."""


_End = _Unanswered | _KillsWorkers


@dataclass(eq=False, slots=True)
class _Waiting:
    """A job that was queued, and its answer as it comes: groups, of which the last is marked, or why none comes."""

    job_id: int
    since_s: float
    groups: asyncio.Queue[tuple[bytes | _End, bool]] = field(default_factory=asyncio.Queue)
    parts_n: int = 0  # that came
    ended: bool = False

    def end(self, last: bytes | _End) -> None:
        """Nothing comes after this."""
        if not self.ended:
            self.ended = True
            self.groups.put_nowait((last, True))


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
        self.helped_n = self.helped_trips_n = 0  # roads and trips that the leader planned itself

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

    async def plan(self, job: RouteJob) -> AsyncGenerator[PlannedRoad, None]:
        """Have a worker plan one road. The leader plans what no worker answers."""
        left = job
        try:
            field_key = await self._fields.of(job, self._field_of)
            async with aclosing(self._ask(job, secrets.token_hex(8), field_key or "")) as groups:
                async for group in groups:
                    planned = await asyncio.to_thread(_read, group)
                    left = replace(left, trips=[t for t in left.trips if t.id not in planned.outcomes])
                    yield planned
            return
        except _Unanswered:
            pass
        except (StoreError, InputError) as exc:
            log.error("road %s: %s; the leader plans it", job.answers.route.name, exc)
        except _KillsWorkers:
            yield none_planned(left, f"its workers died {MOST_RESCUES + 1} times; look at their machines' memory")
            return
        assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
        async with self._here:
            self.helped_n += 1
            async with aclosing(plan_in_threads(left, self._ground)) as groups_here:
                async for by_leader in groups_here:
                    self.helped_trips_n += len(by_leader.outcomes)
                    yield by_leader

    async def _field_of(self, job: RouteJob) -> str:
        """Have the field of a road computed; returns its key, "" where no worker did."""
        number = secrets.token_hex(8)
        new_field = f"field:{number}"
        try:
            async with aclosing(self._ask(job, number, "", new_field)) as parts:
                async for _ in parts:
                    pass
        except _Unanswered:
            return ""
        return new_field

    async def _ask(
        self, job: RouteJob, number: str, field_key: str, new_field: str = ""
    ) -> AsyncGenerator[bytes, None]:
        """Queue a job, and yield its answer group by group.

        field_key: of the field of its road. new_field: key to leave that field under, for a job that asks for it.
        Raises StoreError, InputError, _Unanswered, _KillsWorkers.
        """
        name, asked, answered = job.answers.route.name, f"job:{number}", f"answer:{number}"
        assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
        await self._queue.put(asked, await asyncio.to_thread(job_to_bytes, job, self._ground.reference.rigs))
        part = f"{name}/{job.trips[0].id if job.trips else 'field'}"
        job_id = await self._queue.defer(
            part,
            f"{part}@{job.answers.window.now.isoformat()}",
            {
                "road": name,
                "job": asked,
                "answer": answered,
                "ground": self._ground_key,
                "field": field_key,
                "new_field": new_field,
                "version": alertd.__version__,
            },
        )
        if job_id is None:
            raise _Unanswered
        if new_field:
            self._field_keys.add(new_field)
        waiting = self._waiting[answered] = _Waiting(job_id, monotonic())
        try:
            last = False
            while not last:
                group, last = await waiting.groups.get()
                if isinstance(group, Exception):
                    raise group
                if why := reason_of(group):
                    raise InputError("worker", "", why, "see the worker's log")
                yield group
        finally:
            del self._waiting[answered]
            with suppress(StoreError):
                await self._queue.drop(asked, answered, *(part_key(answered, n) for n in range(waiting.parts_n)))

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
        """Take the groups that came. An answer is stored after its parts, so these are there when it is."""
        if not self._waiting:
            return
        keys = {key: part_key(key, w.parts_n) for key, w in self._waiting.items() if not w.ended}
        there = await self._queue.existing([*keys, *keys.values()])
        for key, waiting in tuple(self._waiting.items()):
            if not there.isdisjoint((key, keys.get(key, ""))):
                while (part := await self._queue.get(part_key(key, waiting.parts_n))) is not None:
                    waiting.groups.put_nowait((part, False))
                    waiting.parts_n += 1
                if key in there and (last := await self._queue.get(key)) is not None:
                    waiting.end(last)

    async def check(self) -> None:
        """Queue jobs of dead workers again, and release the road that waits longest where no worker begins it."""
        rescued = await self._queue.rescue()
        for job_id in rescued.again:
            log.warning("job %d: its worker died; another one plans the road", job_id)
        killers = {key for key, waiting in self._waiting.items() if waiting.job_id in rescued.given_up}
        for key in killers:
            self._waiting[key].end(_KillsWorkers())
        seen = {key: w for key, w in self._waiting.items() if not w.ended}
        still_open = await self._queue.open_jobs([w.job_id for w in seen.values()])
        await self._collect()  # an answer that came before its job ended
        for waiting in seen.values():
            if waiting.job_id not in still_open:
                waiting.end(_Unanswered())
        if self._here.locked():
            return
        for waiting in sorted(seen.values(), key=lambda w: w.since_s):
            if monotonic() - waiting.since_s < HELP_AFTER_S:
                break
            if not waiting.ended and await self._queue.withdraw(waiting.job_id):
                log.info(
                    "no worker began job %d within %.0f s; the leader plans the road", waiting.job_id, HELP_AFTER_S
                )
                waiting.end(_Unanswered())
                break


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

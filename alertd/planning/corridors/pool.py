"""Plans roads in processes of this machine, so that a cycle uses every core.

A process plans one road at a time and answers in bytes, group by group; the parent records the plans. A process that
ends early, as by the system's want of memory, is replaced, and the trips it had not answered are planned again.
"""

import asyncio
import logging
import os
import sys
from collections.abc import AsyncGenerator, Mapping, Sequence
from contextlib import aclosing, suppress
from dataclasses import dataclass, field, replace
from math import ceil
from pathlib import Path
from typing import Final, Self

from alertd.errors import InputError
from alertd.memory import resident_mb
from alertd.planning.corridors.child import LENGTH_BYTES
from alertd.planning.corridors.job import PlannedRoad, RouteJob, none_planned
from alertd.planning.corridors.plan_road import Ground, plan_in_threads
from alertd.planning.corridors.runner import ROADS_AT_ONCE
from alertd.planning.corridors.split_fields import SplitFields
from alertd.planning.corridors.transfer import ground_to_bytes, job_to_bytes
from alertd.planning.corridors.value_bytes import read_value
from alertd.planning.road_cache import MAX_KEPT
from alertd.rules.rig import Rig

log = logging.getLogger(__name__)

FEW_TRIPS: Final = 24  # up to so many, one process is as fast: starting others takes two seconds of processor each [A]
MOST_AUTOMATIC: Final = 8  # processes that nobody asked for; each may hold MOST_CHILD_MB [A]
DAEMON_MB: Final = 400.0  # of the daemon itself, left free of processes [A]
USUAL_CHILD_MB: Final = 600.0  # of a process with two stormy roads; measured at 60 trips: 300 to 530 MB
MOST_CHILD_MB: Final = (
    1000.0  # a process above it is replaced after its road: memory that comes back is not assumed [A]
)
MOST_DEATHS: Final = 2  # of one road's processes; then its trips are not planned, and their drivers hear of it
_PACKAGE: Final = Path(__file__).resolve().parents[3]
_MODULE: Final = "alertd.planning.corridors.child"


class _Ended(Exception):
    """The process ended before it answered. code: its exit status, below 0 for a signal; None without a process."""

    def __init__(self, code: int | None) -> None:
        text = "no process could be started" if code is None else f"exit status {code}"
        super().__init__(text if code is None or code >= 0 else f"signal {-code}")
        self.killed = code is not None and code < 0


@dataclass(eq=False, slots=True)
class _Child:
    """One process. ground: the key of the ground that it was sent; road: the name of the road it planned last."""

    process: asyncio.subprocess.Process
    ground: int = 0
    roads: set[str] = field(default_factory=set)

    @classmethod
    async def start(cls, roads_kept: int, fields_in: str) -> Self:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",
            "-m",
            _MODULE,
            str(roads_kept),
            fields_in,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            cwd="/",
            # One thread of linear algebra each: the processes are what uses the cores.
            env={"PYTHONPATH": str(_PACKAGE), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
        return cls(process)

    async def ask(self, frames: Sequence[bytes]) -> AsyncGenerator[bytes, None]:
        """Send frames, and yield the frames of the answer to the last. Raises _Ended."""
        to, back = self.process.stdin, self.process.stdout
        assert to is not None and back is not None  # noqa: S101, PT018 - both are pipes
        try:
            for frame in frames:
                to.write(len(frame).to_bytes(LENGTH_BYTES))
                to.write(frame)
                await to.drain()
            frame = b""
            while frame[:1] != b"E":
                frame = await back.readexactly(int.from_bytes(await back.readexactly(LENGTH_BYTES)))
                yield frame
        except (asyncio.IncompleteReadError, ConnectionError) as exc:
            raise _Ended(await self.process.wait()) from exc

    async def end(self) -> None:
        """End the process at once, whatever it does."""
        if self.process.returncode is None:
            with suppress(ProcessLookupError):
                self.process.kill()
            await self.process.wait()


class RoadPool:
    """A `RoadRunner`. Use as an asynchronous context manager; processes start with the first cycle of many trips."""

    def __init__(self, processes: int = 0, *, few_trips: int = FEW_TRIPS) -> None:
        """processes: 1 plans in the caller's process, 0 is one a core where there are more than `few_trips`."""
        self._most, self._few_trips = processes, few_trips
        self._free: list[_Child] = []
        self._all: set[_Child] = set()
        self._turn = asyncio.Condition()
        self._waiting: list[str] = []
        self._ground: tuple[Ground, bytes] | None = None
        self._ground_key = 0
        self._started_n = 0
        self._fields_in = ""  # the folder of the shelf
        self._fields: SplitFields[bytes] = SplitFields()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    @property
    def roads_at_once(self) -> int:
        """Enough that every process has a road while others wait for sources. `begin` may raise it."""
        return max(ROADS_AT_ONCE, 2 * max(self._most, self._started_n))

    @property
    def running(self) -> bool:
        """Whether processes were started."""
        return self._started_n > 0

    @property
    def pids(self) -> tuple[int, ...]:
        """The processes, for people and tests."""
        return tuple(child.process.pid for child in self._all)

    async def begin(self, ground: Ground, trips_n: int) -> None:
        """Start the processes where so many trips need them."""
        self._fields.clear()
        if not self.running:
            processes_n = self._most or (usable_cores() if trips_n > self._few_trips else 1)
            if processes_n < 2:
                return
            self._started_n = processes_n
            shelf = ground.weather_sources.road_cache.shelf
            self._fields_in = "" if shelf is None else str(shelf.folder)
            log.info("planning in %d processes", processes_n)
            self._all = set(await asyncio.gather(*(self._start() for _ in range(processes_n))))
            self._free = list(self._all)
        known = self._ground[0] if self._ground is not None else None
        if known is None or any(
            a is not b
            for a, b in (
                (known.reference, ground.reference),
                (known.weather_sources, ground.weather_sources),
                (known.params, ground.params),
            )
        ):
            self._ground = ground, await asyncio.to_thread(ground_to_bytes, ground)
            self._ground_key += 1

    async def plan(self, job: RouteJob) -> AsyncGenerator[PlannedRoad, None]:
        """Plan one road in a process. The trips that remain when MOST_DEATHS processes ended are not planned."""
        name, left = job.answers.route.name, job
        ended: _Ended | InputError | None = None
        for attempt in range(1, MOST_DEATHS + 1):
            try:
                data = await asyncio.to_thread(job_to_bytes, left, self._rigs)
                field = await self._fields.of(job, self._field_of)
                async with aclosing(self._ask(name, data, field or b"")) as groups:
                    async for group in groups:
                        planned: PlannedRoad = await asyncio.to_thread(read_value, group)
                        left = replace(left, trips=[t for t in left.trips if t.id not in planned.outcomes])
                        yield planned
                return
            except (_Ended, InputError) as exc:
                log.error("planning process of road %s failed (%s); attempt %d", name, exc, attempt)
                ended = exc
                if not left.trips:  # only the road by the hour is lost
                    return
        if not isinstance(ended, _Ended) or not ended.killed:  # the job did not hurt it, so it may run here
            assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
            async with aclosing(plan_in_threads(left, self._ground[0])) as groups_here:
                async for group_here in groups_here:
                    yield group_here
            return
        yield none_planned(
            left, f"its planning process ended {MOST_DEATHS} times ({ended}); look at the machine's memory"
        )

    async def _field_of(self, job: RouteJob) -> bytes:
        """The field of the road of a job without trips. Raises _Ended, InputError."""
        data = await asyncio.to_thread(job_to_bytes, job, self._rigs)
        async with aclosing(self._ask(job.answers.route.name, data)) as parts:
            return b"".join([part async for part in parts])

    async def _ask(self, road: str, job: bytes, field: bytes = b"") -> AsyncGenerator[bytes, None]:
        """Have a process answer a job; yields each part of the answer. Raises _Ended, InputError."""
        child = await self._take(road)
        frames = [*self._ground_for(child), *([b"F" + field] if field else []), b"J" + job]
        try:
            async with aclosing(child.ask(frames)) as answer:
                async for frame in answer:
                    if frame[:1] == b"P":
                        yield frame[1:]
                    else:
                        _log(frame[1:])
        except BaseException:  # also when cancelled: the rest would be taken for the next road's answer
            await asyncio.shield(self._replace(child))
            raise
        if resident_mb(child.process.pid) > MOST_CHILD_MB:
            await self._replace(child)
        else:
            await self._give(child)

    async def close(self) -> None:
        """End all processes."""
        children, self._all, self._free, self._started_n = self._all, set(), [], 0
        await asyncio.gather(*(child.end() for child in children))

    @property
    def _rigs(self) -> Mapping[str, Rig]:
        assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
        return self._ground[0].reference.rigs

    def _ground_for(self, child: _Child) -> list[bytes]:
        """The frame of the ground, where the process does not have it."""
        assert self._ground is not None  # noqa: S101 - `begin` comes before `plan`
        if child.ground == self._ground_key:
            return []
        child.ground = self._ground_key
        return [b"G" + self._ground[1]]

    async def _take(self, road: str) -> _Child:
        """A free process: one that has planned this road, else one without a road that waits for it, else any."""
        async with self._turn:
            self._waiting.append(road)
            try:
                while (child := self._chosen(road)) is None:
                    if not self._all:
                        raise _Ended(None)
                    await self._turn.wait()
            finally:
                self._waiting.remove(road)
            self._free.remove(child)
            for other in self._all:
                other.roads.discard(road)
            child.roads.add(road)
            return child

    def _chosen(self, road: str) -> _Child | None:
        """What a process keeps of a road makes its next plans cheap. One without work takes from a longer queue."""
        own = next((child for child in self._all if road in child.roads), None)
        if own is not None and own in self._free:
            return own
        for child in self._free:
            waits_for_it = [name for name in self._waiting if name in child.roads]
            if own is None:
                if not waits_for_it:
                    return child
            elif not waits_for_it and sum(name in own.roads for name in self._waiting) > 1:
                return child
        return None

    async def _give(self, child: _Child) -> None:
        async with self._turn:
            if child in self._all:
                self._free.append(child)
            self._turn.notify_all()

    async def _start(self) -> _Child:
        return await _Child.start(ceil(MAX_KEPT / max(self._started_n, 1)), self._fields_in)

    async def _replace(self, child: _Child) -> None:
        """End a process and start another."""
        await child.end()
        self._all.discard(child)
        try:
            new = await self._start()
        except OSError as exc:
            log.error("planning process not started: %s", exc.strerror)
        else:
            if self.running:
                self._all.add(new)
                child = new
            else:  # closed meanwhile
                await new.end()
        await self._give(child)


def _log(rows: bytes) -> None:
    for name, level, text in read_value(rows):
        logging.getLogger(name).log(level, "%s", text)


def usable_cores() -> int:
    """Processes that this one may start: one a core, as far as memory goes, at most MOST_AUTOMATIC, at least 1.

    The limits of a container or a service count (cgroup v2, cpu.max and memory.max).
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    quota = _cgroup("cpu.max").split()
    if len(quota) == 2 and quota[0].isdigit():
        cores = min(cores, int(quota[0]) // int(quota[1]))
    memory = _cgroup("memory.max").strip()
    if memory.isdigit():
        cores = min(cores, int((int(memory) / 1e6 - DAEMON_MB) // USUAL_CHILD_MB))
    return max(min(cores, MOST_AUTOMATIC), 1)


def _cgroup(name: str) -> str:
    """A limit of this process's cgroup; "" where there is none."""
    try:
        own = Path("/proc/self/cgroup").read_text(encoding="ascii").rpartition("::")[2].strip()
    except OSError:
        return ""
    for path in (Path(f"/sys/fs/cgroup{own}") / name, Path("/sys/fs/cgroup") / name):
        with suppress(OSError):
            return path.read_text(encoding="ascii")
    return ""

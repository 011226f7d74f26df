"""Jobs and their bytes in a schema of their own beside a PostgreSQL store: procrastinate, and one table.

Nothing in it is of lasting value: plans and notices go into the store, in the leader's transactions. So the table
is not logged: a crash of the server empties it. Another version of the library begins with an empty schema.

Of the queues for PostgreSQL procrastinate is the one with locks by name, heartbeats of workers and a query for the jobs
of dead ones (procrastinate.readthedocs.io, "Retry stalled jobs"). Queues on another server would be a second thing to
keep running and to keep safe.
"""

import asyncio
import importlib.metadata
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from alertd.errors import StoreError
from alertd.store.url import PostgresUrl

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from procrastinate import App

log = logging.getLogger(__name__)

QUEUE: Final = "alertd-plan"
TASK: Final = "plan_road"
HEARTBEAT_EVERY_S: Final = 2.0
STALLED_AFTER_S: Final = 10.0  # five heartbeats; a worker that computes still sends them from another thread
MOST_RESCUES: Final = 2  # of one job; a job whose workers die again is at fault itself
STOP_WITHIN_S: Final = 30.0  # a worker that is stopped ends its road within that time, or leaves it to others
_WAIT_FOR_LEADER_S: Final = 2.0
_LOCK: Final = int.from_bytes(b"alwk")
_TABLES: Final = """
    CREATE UNLOGGED TABLE parts (key text PRIMARY KEY, body bytea NOT NULL);
    CREATE TABLE library (version text NOT NULL);
"""

Work: TypeAlias = Callable[[Mapping[str, str]], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rescued:
    """What became of the jobs of dead workers: ids of those that wait again, and of those given up."""

    again: tuple[int, ...] = ()
    given_up: tuple[int, ...] = ()


class WorkQueue:
    """The queue of one store. Use `open_queue`. Every method raises StoreError when the server fails."""

    def __init__(self, app: "App", place: PostgresUrl) -> None:
        self._app, self._place = app, place

    async def put(self, key: str, body: bytes) -> None:
        """Store bytes; a key that exists keeps its bytes."""
        await self._execute(
            "INSERT INTO parts (key, body) VALUES (%(key)s, %(body)s) ON CONFLICT DO NOTHING", key=key, body=body
        )

    async def get(self, key: str) -> bytes | None:
        """Stored bytes, or None."""
        rows = await self._rows("SELECT body FROM parts WHERE key = %(key)s", key=key)
        return bytes(rows[0]["body"]) if rows else None

    async def existing(self, keys: Sequence[str]) -> set[str]:
        """Those of the keys that have bytes."""
        rows = await self._rows("SELECT key FROM parts WHERE key = ANY(%(keys)s)", keys=list(keys))
        return {row["key"] for row in rows}

    async def drop(self, *keys: str) -> None:
        """Remove bytes."""
        await self._execute("DELETE FROM parts WHERE key = ANY(%(keys)s)", keys=list(keys))

    async def answer_part(self, asked: str, key: str, body: bytes) -> None:
        """Store part of an answer, while somebody waits for it; a part that exists keeps its bytes."""
        await self._execute(
            "INSERT INTO parts (key, body) SELECT %(key)s, %(body)s FROM parts WHERE key = %(asked)s"
            " ON CONFLICT DO NOTHING",
            asked=asked,
            key=key,
            body=body,
        )

    async def answer(self, asked: str, key: str, body: bytes) -> None:
        """Store an answer, and remove the question, in one statement; without the question nobody waits for it."""
        await self._execute(
            "WITH gone AS (DELETE FROM parts WHERE key = %(asked)s RETURNING key) "
            "INSERT INTO parts (key, body) SELECT %(key)s, %(body)s FROM gone ON CONFLICT DO NOTHING",
            asked=asked,
            key=key,
            body=body,
        )

    async def defer(self, lock: str, queueing_lock: str, args: Mapping[str, str]) -> int | None:
        """Queue a job; its id, or None where one of that queueing lock waits already.

        lock: jobs of one lock run one at a time.
        """
        from procrastinate.exceptions import AlreadyEnqueued

        task = self._app.configure_task(TASK, queue=QUEUE, lock=lock, queueing_lock=queueing_lock)
        async with self._guarded():
            try:
                return int(await task.defer_async(**args))
            except AlreadyEnqueued:
                return None

    async def withdraw(self, job_id: int) -> bool:
        """Remove a job that no worker has begun; False where one has."""
        async with self._guarded():
            return await self._app.job_manager.cancel_job_by_id_async(job_id, delete_job=True)

    async def open_jobs(self, job_ids: Sequence[int]) -> set[int]:
        """Those of the jobs that wait or run."""
        rows = await self._rows(
            "SELECT id FROM procrastinate_jobs WHERE id = ANY(%(ids)s) AND status IN ('todo', 'doing')",
            ids=list(job_ids),
        )
        return {row["id"] for row in rows}

    async def rescue(self) -> Rescued:
        """Queue the jobs of dead workers again: without this they stay in work for ever, and so does their lock."""
        again, given_up = [], []
        async with self._guarded():
            manager = self._app.job_manager
            for job in await manager.get_stalled_jobs(queue=QUEUE, seconds_since_heartbeat=STALLED_AFTER_S):
                assert job.id is not None  # noqa: S101 - it was read from the table
                if job.attempts >= MOST_RESCUES:
                    from procrastinate.jobs import Status

                    await manager.finish_job_by_id_async(job.id, Status.FAILED, delete_job=True)
                    given_up.append(job.id)
                else:
                    await manager.retry_job(job)
                    again.append(job.id)
        return Rescued(again=tuple(again), given_up=tuple(given_up))

    async def clear(self) -> None:
        """Remove what a former leader left: what waits, and every part. Nobody waits for what is in work."""
        await self._execute("DELETE FROM parts")
        await self._execute("DELETE FROM procrastinate_jobs WHERE status <> 'doing'")

    async def serve(self, work: Work, stop: asyncio.Event) -> None:
        """Run jobs, one at a time, until `stop` is set. An exception of `work` ends its job; nobody runs it again."""

        async def plan_road(**args: str) -> None:
            await work(args)

        self._app.task(name=TASK, queue=QUEUE)(plan_road)
        running = asyncio.create_task(
            self._app.run_worker_async(
                queues=[QUEUE],
                wait=True,
                concurrency=1,
                install_signal_handlers=False,
                delete_jobs="always",
                shutdown_graceful_timeout=STOP_WITHIN_S,
                update_heartbeat_interval=HEARTBEAT_EVERY_S,
                stalled_worker_timeout=STALLED_AFTER_S,
            )
        )
        stopping = asyncio.create_task(stop.wait())
        try:
            async with self._guarded():
                await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
                if not running.done():
                    running.cancel()  # procrastinate then ends the job in work first
                await asyncio.gather(running)
        except asyncio.CancelledError:
            if not stop.is_set():
                raise
        finally:
            stopping.cancel()

    async def prepare(self) -> None:
        """Create the tables where they are missing or of another version of the library. For the leader."""
        version = importlib.metadata.version("procrastinate")
        connector = self._app.connector
        schema = (await self._rows("SELECT current_setting('search_path') AS name"))[0]["name"]
        if await self._is_ready(version):
            return
        async with self._guarded():
            await connector.execute_query_async(
                f"SELECT pg_advisory_xact_lock({_LOCK}); DROP SCHEMA IF EXISTS {schema} CASCADE; CREATE SCHEMA {schema}"
            )
            await self._app.schema_manager.apply_schema_async()
            await connector.execute_query_async(_TABLES)
            await connector.execute_query_async("INSERT INTO library VALUES (%(version)s)", version=version)

    async def wait_until_ready(self, stop: asyncio.Event) -> bool:
        """Wait for a leader to create the tables; False when stopped first."""
        version, logged = importlib.metadata.version("procrastinate"), False
        while not stop.is_set():
            if await self._is_ready(version):
                return True
            if not logged:
                log.info("waiting for a leading daemon of this store with daemon.workers = true")
            logged = True
            try:
                await asyncio.wait_for(stop.wait(), _WAIT_FOR_LEADER_S)
            except TimeoutError:
                continue
        return False

    async def _is_ready(self, version: str) -> bool:
        there = await self._rows("SELECT to_regclass('library') IS NOT NULL AS there")
        if not there[0]["there"]:
            return False
        return [row["version"] for row in await self._rows("SELECT version FROM library")] == [version]

    async def _execute(self, query: Any, **values: Any) -> None:
        async with self._guarded():
            await self._app.connector.execute_query_async(query, **values)

    async def _rows(self, query: Any, **values: Any) -> list[dict[str, Any]]:
        async with self._guarded():
            return await self._app.connector.execute_query_all_async(query, **values)

    @asynccontextmanager
    async def _guarded(self) -> "AsyncIterator[None]":
        from procrastinate.exceptions import ProcrastinateException

        try:
            yield
        except ProcrastinateException as exc:
            raise _failed(self._place, exc) from exc


def _failed(place: PostgresUrl, exc: Exception) -> StoreError:
    return StoreError(" ".join(f"store {place}: the queue of work failed ({exc.__cause__ or exc})".split()))


class OpenQueue:
    """Opens the queue of a store as an asynchronous context manager. Raises StoreError."""

    def __init__(self, place: PostgresUrl) -> None:
        self._place = place
        self._app: Any = None

    async def __aenter__(self) -> WorkQueue:
        try:
            import procrastinate
            import psycopg
        except ImportError as exc:
            raise StoreError(
                f"store {self._place}: the library of the work queue is not installed; pip install 'alertd[workers]'"
            ) from exc
        url = self._place.url.set(drivername="postgresql").render_as_string(hide_password=False)
        try:
            async with await psycopg.AsyncConnection.connect(url) as connection:
                row = await (await connection.execute("SELECT quote_ident(current_schema() || '_work')")).fetchone()
            assert row is not None  # noqa: S101 - a SELECT without FROM has a row
            connector = procrastinate.PsycopgConnector(
                conninfo=url, kwargs={"options": f"-c search_path={row[0]}"}, min_size=1, max_size=4
            )
            self._app = procrastinate.App(connector=connector)
            await self._app.open_async()
        except (psycopg.Error, procrastinate.exceptions.ProcrastinateException) as exc:
            raise _failed(self._place, exc) from exc
        return WorkQueue(self._app, self._place)

    async def __aexit__(self, *_: object) -> None:
        await self._app.close_async()

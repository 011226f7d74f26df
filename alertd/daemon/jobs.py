"""The daemon's jobs and their schedule: cycle, brief, scheduled notices, delivery and housekeeping."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, cast

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from alertd.clock import Clock
from alertd.daemon.leadership import process_name
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import AlertdError, InputError, StoreError
from alertd.memory import release_memory
from alertd.planning.cycles.held_plan import HeldPlans
from alertd.planning.planner import Planner
from alertd.planning.recordings.folder import RecordingFolder
from alertd.planning.recordings.recorder import passes_named, record_round
from alertd.planning.replays.thinning import thin_archive
from alertd.planning.sentinel import ask_all, known_place
from alertd.service.briefs import send_due
from alertd.service.cap_alerts import CapAlerts
from alertd.service.channel_alarms import follow_up
from alertd.service.clock_guard import GuardedClock
from alertd.service.cycle import OnRecorded, observe_roads, plan_and_record, read_due_trips
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.service.retention import apply_retention, pack_texts_of
from alertd.service.scheduled_notices import ActiveTrip, send_scheduled
from alertd.settings.model import Settings
from alertd.sources.http.cache import DiskCache
from alertd.sources.http.exchange import MAX_STALE_USE
from alertd.sources.kept_forecasts import FILES_KEPT, KEPT_FOLDER, KeptForecasts
from alertd.store.archive import Archive
from alertd.store.store import Store
from alertd.units import HOUR_S
from alertd.watch.beacon import beacon_of, write_beacon

log = logging.getLogger(__name__)

DELIVER_EVERY_S = 5
CHECK_CLOCK_EVERY_S = 30
SEND_SCHEDULED_EVERY_S = 60
HOUSEKEEPING_EVERY_H = 6
CHECK_SOURCES_EVERY_H = 24
CHECK_SOURCES_FIRST = timedelta(hours=1)  # after a start, so that restarts do not ask again and again
MAX_RUNS_PER_JOB = 2  # of the same job
OVERDUE_S = 1800.0  # an older undelivered notice stops the heartbeat, and makes the daemon degraded
LONGEST_PAUSE = timedelta(days=2)  # longest pause of a delivery; twice the longest that a receiver may request

# Job labels in metrics; they stay as they were before the methods were renamed.
_JOB_LABELS: Final = {"send_scheduled": "speak", "housekeeping": "tidy"}


def _label(job: Callable[[], Coroutine[None, None, None]]) -> str:
    return _JOB_LABELS.get(job.__name__, job.__name__)


class Daemon:
    """The jobs and their shared objects. A job that fails logs one line and runs again at its next scheduled time."""

    def __init__(
        self,
        planning: Planner,
        store: Store,
        delivery: DeliveryWorker,
        clock: Clock,
        watched: tuple[Liveness, Metrics] | None = None,
        heartbeat: Callable[[], None] = lambda: None,
    ) -> None:
        """heartbeat: called after each cycle while no notice is overdue; it must not block."""
        self._heartbeat = heartbeat
        self._planning, self._store, self._delivery, self._clock = planning, store, delivery, clock
        self._guard = clock if isinstance(clock, GuardedClock) else None
        self._liveness, self._meters = watched or (Liveness(), Metrics())
        self.alerts = CapAlerts(store, planning.settings.fleet)
        self._planning_now = asyncio.Lock()
        self._recording = asyncio.Lock()  # of notices about the active trips; never held while a source is asked
        self._under_way: set[asyncio.Task[None]] = set()
        self._active: dict[str, ActiveTrip] = {}
        self._planning_new = asyncio.Lock()  # held while new trips are planned, and while a cycle reads its trips
        self._taken: set[str] | None = None  # trips of the last cycle, and new ones planned since it read them
        self._planned_beside: dict[str, ActiveTrip] = {}  # of these, the new ones

    async def cycle(self) -> None:
        """Plan all due trips. A brief and a cycle never run at the same time."""
        async with self._planning_now:
            settled = self._settles
            async with self._planning_new:
                due = await read_due_trips(self._planning, self._store, self._clock())
                self._taken, self._planned_beside = {trip.id for trip in due.trips}, {}

            def may_ease() -> bool:
                """An answer of a source may just have shown that the clock is wrong."""
                return settled and self._settles

            on_recorded = OnRecorded(turn=self._recording, take=self._take)
            outcome = await plan_and_record(self._planning, self._store, due, on_recorded, may_ease)
            async with self._recording:
                self._active = self._planned_beside | {one.trip_id: one for one in outcome.active}
            await observe_roads(self._planning, self._store, due)
            await self.alerts.update(self._planning, outcome, self._clock())
        held = [one.held for one in outcome.active]
        partial_n = self._meters.record_plans(held, len(outcome.not_planned), len(outcome.unread))
        await asyncio.to_thread(self._planning.weather_sources.road_cache.rest)
        await asyncio.to_thread(release_memory)
        if partial_n:
            log.warning("%d of %d plans use old or missing data; their cautions name it", partial_n, len(outcome.plans))
        log.info("cycle done: trips=%d new_notices=%d", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()
        outbox = await asyncio.to_thread(self._store.outbox.health, self._clock())
        if outbox.oldest_waiting_age_s <= OVERDUE_S:
            self._heartbeat()
            await self._write_beacon()
        else:
            age_min = outbox.oldest_waiting_age_s / 60.0
            log.warning("heartbeat skipped: oldest undelivered notice is %.0f min old", age_min)

    async def plan_new(self) -> None:
        """Plan the trips that the last cycle does not know, without waiting for its end. The next one plans all."""
        async with self._planning_new:
            if self._taken is None:  # the first cycle is about to read all trips
                return
            settled = self._settles
            due = await read_due_trips(self._planning, self._store, self._clock(), self._taken)
            if not due.trips:
                return

            def take(recorded: Sequence[ActiveTrip]) -> None:
                self._planned_beside |= {one.trip_id: one for one in recorded}
                self._take(recorded)

            self._taken |= {trip.id for trip in due.trips}
            outcome = await plan_and_record(
                self._planning,
                self._store,
                due,
                OnRecorded(turn=self._recording, take=take),
                lambda: settled and self._settles,
                urgent=True,
            )
        log.info("new trips planned: trips=%d new_notices=%d", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()

    def _take(self, recorded: Sequence[ActiveTrip]) -> None:
        """The active trips of a road as just recorded. Their notices need not wait for the other roads."""
        self._active |= {one.trip_id: one for one in recorded}

    async def _write_beacon(self) -> None:
        """Write the beacon for a watch; a failure is logged, and the watch then warns."""
        settings, now = self._planning.settings, self._clock()
        watch = settings.watch
        if watch.file is None:
            return
        period = timedelta(minutes=settings.plan_every_min) + watch.late
        plans = HeldPlans([one.held for one in self._active.values()])
        beacon = beacon_of(settings.fleet, settings.brief_zone, plans, now, period)
        try:
            await asyncio.to_thread(write_beacon, watch.file, beacon, watch.key)
        except InputError as exc:
            log.error("beacon not written: %s", exc)

    async def brief(self) -> None:
        """Settle the due morning briefs: send them, or record them as skipped."""
        async with self._planning_now:
            now, known_right = self._clock(), self._guard is not None and self._guard.confirmed
            if known_right:
                await asyncio.to_thread(self._store.outbox.wake_future, now, LONGEST_PAUSE)
            settled = await send_due(
                self._planning, self._store, now, process_name(), may_skip=self._settles, reopens=known_right
            )
        for one in settled:
            self._meters.due_slots.labels(one.end.replace(" ", "_")).inc()
        if any(one.notice_ids for one in settled):
            await self.deliver()

    async def send_scheduled(self) -> None:
        """Send the notices that became due since the last cycle. Does not wait for a cycle that asks slow sources."""
        planner = self._planning
        async with self._recording:
            new = await asyncio.to_thread(
                send_scheduled,
                tuple(self._active.values()),
                self._store,
                planner.settings,
                self._clock(),
                planner.links.message_link,
            )
        if new:
            log.info("%d scheduled notices created", len(new))
            await self.deliver()

    @property
    def _settles(self) -> bool:
        """Whether the clock is good enough to skip or expire anything."""
        return self._guard is None or self._guard.trusted

    async def deliver(self) -> None:
        done = await self._delivery.deliver_due(self._clock(), settles=self._settles)
        await follow_up(self._store, self._planning.settings, done, self._clock)

    async def housekeeping(self) -> None:
        """Remove cached answers, archived inputs and store records past their retention."""
        settings, now = self._planning.settings, self._clock()
        archive = None if settings.archive is None else Archive(settings.archive)
        may_thin = archive is not None and await self._may_thin(archive, now)
        if self._guard is not None and not self._guard.may_remove:
            log.info("housekeeping skipped: %s", self._guard.problem or "clock not confirmed by a server")
            return
        cache = DiskCache(settings.cache, lambda text: log.warning("%s", text))
        answers = await asyncio.to_thread(cache.prune, fetched_before=now - MAX_STALE_USE, now_utc=now)
        forecasts = KeptForecasts(settings.cache / KEPT_FOLDER)
        answers += await asyncio.to_thread(forecasts.prune, written_before=now - FILES_KEPT)
        kept = 0
        if archive is not None:
            since = now - timedelta(days=settings.archive_days)
            kept = await asyncio.to_thread(archive.prune, unused_since=since)
        rows = await asyncio.to_thread(apply_retention, self._store, settings.keep, now)
        if archive is not None and may_thin:
            kept += await self._thin_archive(archive, now - timedelta(days=settings.keep.every_plan))
        if answers or kept or rows:
            log.info("housekeeping removed %d cached answers, %d archive files, %d records", answers, kept, rows)

    async def pack_texts(self) -> None:
        """Pack the texts of plans and notices that are seldom read. No clock decides: nothing is removed by it."""
        packed = await asyncio.to_thread(pack_texts_of, self._store, self._clock())
        if packed:
            log.info("%d texts of plans and notices packed", packed)

    async def _may_thin(self, archive: Archive, now: datetime) -> bool:
        """Note in an archive whose plans it has; returns whether these are the plans of this store only."""
        place = self._planning.settings.store
        own = str(place.resolve() if isinstance(place, Path) else place)
        try:
            others = await asyncio.to_thread(archive.note_store, own, now)
        except StoreError as exc:
            log.error("%s; inputs of removed plans stay until the end of archive_days", exc)
            return False
        if others:
            log.warning(
                "archive %s: %s files plans here too, so all inputs stay until the end of archive_days; give each "
                "store an archive of its own, or remove the file of a former store in %s",
                archive.folder,
                ", ".join(others),
                archive.folder / "stores",
            )
        return not others

    async def _thin_archive(self, archive: Archive, before: datetime) -> int:
        """Remove the inputs of plans that the store has removed; returns the number of files."""
        try:
            return await asyncio.to_thread(thin_archive, archive, self._store.pruning.known_plans, before)
        except StoreError as exc:
            log.error("%s; inputs of removed plans stay until the end of archive_days", exc)
            return 0

    async def check_sources(self) -> None:
        """Ask each source for one place, and log what it lacks and what changed since yesterday."""
        place = await known_place(self._planning)
        if place is None:
            return
        found = await ask_all(self._planning, place, self._clock())
        for one in found:
            if one.level != "ok":
                log.warning("source %s: %s", one.source, one.text)
        log.info(
            "sources checked: %d, to look at: %d", len({f.source for f in found}), sum(f.level != "ok" for f in found)
        )

    async def record(self) -> None:
        """Record a round of the passes in the settings; a source that does not answer is a line in the log."""
        settings, now = self._planning.settings, self._clock()
        chosen, where = settings.record, str(settings.where)
        places = passes_named(chosen.passes, self._planning.reference.summits, where, "record.passes")
        kept = await record_round(self._planning, places, RecordingFolder(chosen.folder), now, chosen.most_mb)
        for line in dict.fromkeys(kept.failed):
            log.warning("recording: not had: %s", line)
        log.info("recorded %d passes, %d bytes new", kept.places_n, kept.bytes_new)

    def trigger(self, job: Callable[[], Coroutine[None, None, None]]) -> Callable[[], Awaitable[None]]:
        """The timer's callback for `job`: starts it, unless two runs are in progress, and does not wait.

        Two runs, so that a cycle requested during another one follows it and plans the trip just posted, and so that a
        slow receiver delays only its own channel.
        """

        async def start() -> None:
            self._liveness.heartbeat()
            if sum(task.get_name() == _label(job) for task in self._under_way) < MAX_RUNS_PER_JOB:
                task = asyncio.create_task(self.run_job(job), name=_label(job))
                self._under_way.add(task)
                task.add_done_callback(self._under_way.discard)

        return start

    async def run_job(self, job: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run `job`; log a failure."""
        try:
            with self._liveness.job(_label(job)):
                await job()
            self._meters.last_success.labels(_label(job)).set(self._clock().timestamp())
        except AlertdError as exc:
            log.error("job %s failed: %s", _label(job), exc)
        except Exception:
            # An internal error in one job must not stop the others.
            log.exception("job %s failed; next run at its scheduled time", _label(job))

    async def finish(self, within_s: float) -> None:
        """Wait for the running jobs, and cancel those that exceed the time limit."""
        if not self._under_way:
            return
        _, late = await asyncio.wait(self._under_way, timeout=within_s)
        for task in late:
            task.cancel()
        if late:
            log.warning("%d jobs cancelled at shutdown; their work is repeated after the next start", len(late))
            await asyncio.wait(late, timeout=1.0)


class _Every(IntervalTrigger):  # type: ignore[misc]  # the library has no types
    """An interval whose missed runs are one: the library lists each of them, 19 million after a jump of three years."""

    def __init__(self, **interval: int) -> None:
        super().__init__(timezone="UTC", **interval)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        if previous_fire_time is not None and now - previous_fire_time > self.interval:
            previous_fire_time = now - self.interval
        return cast(datetime | None, super().get_next_fire_time(previous_fire_time, now))


def schedule_jobs(daemon: Daemon, settings: Settings, clock: Clock) -> AsyncIOScheduler:
    """Schedule the jobs. The timer only triggers; each job decides from the store and the clock what is due.

    Coalescing without a grace time, because the default silently drops a job that is a second late.
    """
    scheduler = AsyncIOScheduler(timezone="UTC", job_defaults={"misfire_grace_time": None, "coalesce": True})
    now = clock()
    minutes = settings.plan_every_min
    scheduler.add_job(daemon.trigger(daemon.cycle), _Every(minutes=minutes), id="cycle", next_run_time=now)
    scheduler.add_job(daemon.trigger(daemon.plan_new), _Every(minutes=minutes), id="plan_new")
    scheduler.add_job(daemon.trigger(daemon.brief), _Every(seconds=CHECK_CLOCK_EVERY_S), id="brief")
    scheduler.add_job(
        daemon.trigger(daemon.send_scheduled), _Every(seconds=SEND_SCHEDULED_EVERY_S), id="send_scheduled"
    )
    scheduler.add_job(daemon.trigger(daemon.deliver), _Every(seconds=DELIVER_EVERY_S), id="deliver")
    scheduler.add_job(
        daemon.trigger(daemon.housekeeping),
        _Every(hours=HOUSEKEEPING_EVERY_H),
        id="housekeeping",
        next_run_time=now,
    )
    scheduler.add_job(daemon.trigger(daemon.pack_texts), _Every(hours=1), id="pack_texts")
    scheduler.add_job(
        daemon.trigger(daemon.check_sources),
        _Every(hours=CHECK_SOURCES_EVERY_H),
        id="check_sources",
        next_run_time=now + CHECK_SOURCES_FIRST,
    )
    if settings.record.passes:
        every_s = round(settings.record.every_h * HOUR_S)
        scheduler.add_job(
            daemon.trigger(daemon.record),
            _Every(seconds=every_s),
            id="record",
            next_run_time=_next_multiple(now, every_s),
        )
    return scheduler


def _next_multiple(now: datetime, every_s: int) -> datetime:
    """The next whole multiple since midnight UTC, so that restarts add no rounds and days are alike."""
    at_s = now.timestamp()
    return datetime.fromtimestamp(at_s - at_s % every_s + every_s, UTC)


def run_cycle_soon(scheduler: AsyncIOScheduler, clock: Clock) -> None:
    """Plan what is new at once, and then all in a cycle."""
    for job in ("plan_new", "cycle"):
        scheduler.modify_job(job, next_run_time=clock())

"""Watches a daemon from another machine: reads its beacon, and warns when none comes in time."""

import asyncio
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.clock import Clock, elapsed_s
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import InputError, SourceError
from alertd.notices.model import Notice
from alertd.settings.model import Settings
from alertd.settings.watch import WatchSettings
from alertd.sources.beacon_source import read_beacon
from alertd.sources.files.zones import write_atomic
from alertd.store.store import Store
from alertd.watch.beacon import MAX_BYTES, Beacon, decode, write_beacon
from alertd.watch.silence import heard_again_notices, silence_notices, trips_of

log = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Result of one look. `beacon`: the newest known, None if none was ever read; `problem`: why none was read now."""

    beacon: Beacon | None
    silent: bool
    problem: str = ""


class Watcher:
    """Looks at a beacon. The last one and the silence in progress are kept in files, so that a restart goes on."""

    def __init__(
        self,
        source: str,
        settings: Settings,
        store: Store,
        delivery: DeliveryWorker,
        clock: Clock,
        ticks: Callable[[], float] = elapsed_s,
        settles: Callable[[], bool] = lambda: True,
    ) -> None:
        """source: a file or URL. ticks: seconds that no step of the clock changes and that continue over a suspend.

        settles: returns False while the clock is in doubt; no warning expires then.
        """
        self._settles = settles
        self._source, self._settings, self._store, self._delivery = source, settings, store, delivery
        self._watch, self._clock, self._ticks = settings.watch, clock, ticks
        self._known = _stored_beacon(self._watch)
        self._new_at_s = ticks()

    async def look(self) -> Look:
        """Look once, record the notices that are due and deliver them. Raises StoreError."""
        problem = ""
        try:
            content = await read_beacon(self._source, self._watch.token, MAX_BYTES)
            seen = decode(content, self._watch.key, self._source)
            if self._known is None or seen.written_at > self._known.written_at:
                await self._heard(seen)
        except (SourceError, InputError) as exc:
            problem = str(exc)
            log.warning("%s", problem)
        now, known = self._clock(), self._known
        silent = known is not None and self._is_silent(known, now)
        if known is not None and silent:
            await self._record(
                silence_notices(
                    known, known.next_by, now, self._settings.notices, self._settings.languages.translators_for
                )
            )
        await self._delivery.deliver_due(now, settles=self._settles())
        return Look(beacon=known, silent=silent, problem=problem)

    def _is_silent(self, known: Beacon, now_utc: datetime) -> bool:
        """By the clock, or by the time since a new beacon: a clock that runs behind must not hide a silence."""
        period_s = (known.next_by - known.written_at).total_seconds()
        return now_utc > known.next_by or self._ticks() - self._new_at_s > period_s

    async def _heard(self, seen: Beacon) -> None:
        before, told = self._known, self._told()
        if before is not None and told is not None:
            again = heard_again_notices(before, seen, told, self._clock(), self._settings.languages.translators_for)
            await self._record(again)
        self._known, self._new_at_s = seen, self._ticks()
        await asyncio.to_thread(write_beacon, self._watch.beacon_file, seen, self._watch.key)
        await asyncio.to_thread(self._watch.told_file.unlink, missing_ok=True)

    async def _record(self, notices: list[Notice]) -> None:
        new = await asyncio.to_thread(self._store.record_notices, notices, self._settings.targets, self._clock())
        if new:
            log.warning("%d notices of a silent daemon recorded", len(new))
            await asyncio.to_thread(
                write_atomic, self._watch.told_file, sorted(trips_of(notices) | (self._told() or frozenset()))
            )

    def _told(self) -> frozenset[str] | None:
        """The trips whose drivers heard of the silence in progress; None without one."""
        try:
            return frozenset(json.loads(self._watch.told_file.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None


def _stored_beacon(watch: WatchSettings) -> Beacon | None:
    try:
        return decode(watch.beacon_file.read_bytes(), watch.key, str(watch.beacon_file))
    except (OSError, InputError):
        return None

"""A worker's part of shared delivery: sends on the channels that the leader gives it, by the leader's clock."""

import asyncio
import logging
import random
import secrets
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Final

from alertd.clock import elapsed_s
from alertd.daemon.channels import open_channels
from alertd.daemon.leadership import RENEWALS_PER_LEASE, process_name, wait
from alertd.daemon.sharing import fingerprint
from alertd.delivery.channel import Channel
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import StoreError
from alertd.service.brief_email import content_loader
from alertd.service.channel_alarms import follow_up
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.store.work.senders import LeaderTime

log = logging.getLogger(__name__)

POLL_EVERY_S: Final = 1.0
TRY_AGAIN_S: Final = 5.0
MOST_DELAY_S: Final = 5.0  # between two looks at the leader's time; a later one is too vague to set the clock by
CLOCK_HOLDS_S: Final = 30.0  # without a new time of the leader, nothing is settled [A]
MOST_RUNS: Final = 2  # a slow channel keeps one run; the other serves the rest
STOP_WITHIN_S: Final = 4.0


class LeaderClock:
    """The leader's time, continued by a clock that nobody sets: clocks of two machines are never compared.

    A worker asks no source, so its own clock cannot be checked. Each time that is read is up to one look old; the later
    end of that span counts, so that no expired notice is sent.
    """

    def __init__(self, elapsed: Callable[[], float] = elapsed_s) -> None:
        self._elapsed = elapsed
        self._beat: int | None = None
        self._looked_s = elapsed()
        self._base: tuple[datetime, float] | None = None
        self._settles = False

    def look(self, read: Callable[[], LeaderTime | None]) -> None:
        """Read the leader's time. Raises StoreError."""
        began_s = self._elapsed()
        found = read()
        ended_s = self._elapsed()
        if found is not None and found.beat != self._beat:
            span_s = ended_s - self._looked_s
            # The first one may be hours old.
            if self._beat is not None and span_s <= MOST_DELAY_S:
                self._base, self._settles = (found.now + timedelta(seconds=span_s), ended_s), found.settles
            self._beat = found.beat
        self._looked_s = began_s

    @property
    def known(self) -> bool:
        """Whether the leader's time has been seen to change."""
        return self._base is not None

    @property
    def settles(self) -> bool:
        """Whether this time may expire anything."""
        return self._settles and self._base is not None and self._elapsed() - self._base[1] <= CLOCK_HOLDS_S

    def __call__(self) -> datetime:
        assert self._base is not None  # noqa: S101 - callers ask `known` first
        return self._base[0] + timedelta(seconds=self._elapsed() - self._base[1])


class SendingWorker:
    """One delivering worker of an open store."""

    def __init__(
        self, store: Store, settings: Settings, channels: Mapping[str, Channel], offers: str, clock: LeaderClock
    ) -> None:
        """offers: the fingerprint of these settings."""
        self.owner = f"{process_name()}:{secrets.token_hex(4)}"  # containers on two hosts may share a name and number
        self._store, self._settings, self._offers, self._clock = store, settings, offers, clock
        self._channels = channels
        self._outbox = store.senders.outbox_of(self.owner)
        self._delivery = DeliveryWorker(self._outbox, channels, owner=self.owner, rng=random.Random())
        self._own: frozenset[str] = frozenset()
        self._runs: set[asyncio.Task[None]] = set()
        self._renewed_s = 0.0
        self._problem = ""

    async def run(self, stop: asyncio.Event) -> None:
        """Deliver until `stop` is set, then give the channels back. Raises StoreError when it cannot join."""
        await asyncio.to_thread(self._store.senders.join, self.owner, self._offers)
        try:
            while not stop.is_set():
                await self._look()
                if self._clock.known and self._own and len(self._runs) < MOST_RUNS:
                    run = asyncio.create_task(self._deliver())
                    self._runs.add(run)
                    run.add_done_callback(self._runs.discard)
                await wait(stop, POLL_EVERY_S)
        finally:
            if self._runs:
                _, late = await asyncio.wait(self._runs, timeout=STOP_WITHIN_S)
                for run in late:
                    run.cancel()
            with suppress(StoreError):  # the leader takes the channels back after a while
                await asyncio.to_thread(self._store.senders.remove, self.owner)

    async def _look(self) -> None:
        try:
            await asyncio.to_thread(self._clock.look, self._store.senders.leader_time)
            own = await asyncio.to_thread(self._outbox.own_channels, self._channels)
            if own != self._own:
                log.info("worker %s sends on: %s", self.owner, ", ".join(sorted(own)) or "no channel")
            self._own = own
            every_s = self._settings.takeover_s / RENEWALS_PER_LEASE
            if elapsed_s() - self._renewed_s >= every_s:
                if not await asyncio.to_thread(self._store.senders.renew, self.owner):
                    log.warning("worker %s was counted as dead; it begins again", self.owner)
                    await asyncio.to_thread(self._store.senders.join, self.owner, self._offers)
                self._renewed_s = elapsed_s()
            self._problem = ""
        except StoreError as exc:  # what is decided is still sent where the store can be read
            self._report(exc)

    async def _deliver(self) -> None:
        try:
            done = await self._delivery.deliver_due(self._clock(), settles=self._clock.settles)
            await follow_up(self._store, self._settings, done, self._clock)
        except StoreError as exc:
            self._report(exc)
        except Exception:
            log.exception("delivery failed; it runs again")

    def _report(self, exc: StoreError) -> None:
        if str(exc) != self._problem:
            log.error("%s", exc)
        self._problem = str(exc)


async def deliver_for_leader(settings: Settings, stop: asyncio.Event) -> None:
    """Deliver until `stop` is set; a server that cannot be reached is tried again. Raises ConfigError."""
    offers = await asyncio.to_thread(fingerprint, settings)
    last = ""
    while not stop.is_set():
        try:
            with Store(settings.store) as store:
                async with open_channels(settings, content_loader(store)) as channels:
                    await SendingWorker(store, settings, channels, offers, LeaderClock()).run(stop)
        except StoreError as exc:
            if str(exc) != last:
                log.error("%s", exc)
            last = str(exc)
            await wait(stop, TRY_AGAIN_S)

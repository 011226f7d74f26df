"""The leader's part of shared delivery: gives channels to delivering workers, and judges which of them are dead."""

import asyncio
import hashlib
import json
import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Final

import alertd
from alertd.daemon.leadership import RENEWALS_PER_LEASE
from alertd.delivery.shares import share_channels
from alertd.errors import StoreError
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.store.work.senders import Sender, Senders

log = logging.getLogger(__name__)

ROUND_EVERY_S: Final = 1.0
_SCRYPT: Final = {"n": 2**14, "r": 8, "p": 1}  # RFC 7914: guessing a secret from the fingerprint stays slow


class DeliveryShare:
    """The shares of one leader, for as long as its settings last."""

    def __init__(
        self,
        senders: Senders,
        settings: Settings,
        reading: Callable[[], tuple[datetime, bool]],
        elapsed: Callable[[], float] = time.monotonic,
    ) -> None:
        """reading: the leader's time (UTC), and whether it may expire anything."""
        self._senders, self._reading, self._elapsed = senders, reading, elapsed
        self._takeover_s = settings.takeover_s
        # While this process stands still or the store fails, no worker can give a sign of life.
        self._longest_gap_s = settings.takeover_s / RENEWALS_PER_LEASE
        self._channels = [channel.name for channel in settings.channels if not channel.spec.here_only]
        self._offers = fingerprint(settings)
        self._seen: dict[str, tuple[int, float]] = {}  # beat, and for how long it has been the same [s]
        self._refused: set[str] = set()
        self._round_s = elapsed()

    def round(self) -> None:
        """Remove dead workers, give their channels to others, and publish the time. Raises StoreError."""
        at_s = self._elapsed()
        gap_s = min(at_s - self._round_s, self._longest_gap_s)
        living = [one.owner for one in self._senders.present() if self._lives(one, gap_s)]
        given = self._senders.given()
        shared = share_channels(self._channels, living, given)
        if shared != given:
            self._senders.give(shared)
            log.info("channels of workers: %s", ", ".join(f"{t} {o}" for t, o in shared.items()) or "none")
        if living:
            self._senders.publish(self._reading)
        self._round_s = at_s

    def _lives(self, sender: Sender, gap_s: float) -> bool:
        beat, silent_s = self._seen.get(sender.owner, (-1, 0.0))
        silent_s = silent_s + gap_s if beat == sender.beat else 0.0
        self._seen[sender.owner] = (sender.beat, silent_s)
        if silent_s >= self._takeover_s:
            log.warning("worker %s gives no sign of life; its channels go to others", sender.owner)
            self._senders.remove(sender.owner)
            del self._seen[sender.owner]
            return False
        same = sender.offers == self._offers
        if not same and sender.owner not in self._refused:
            log.warning(
                "worker %s has other channels, secrets or another version than this daemon: it delivers nothing; "
                "start it again with the daemon's settings",
                sender.owner,
            )
            self._refused.add(sender.owner)
        return same


def fingerprint(settings: Settings) -> str:
    """A hash of all that decides what a channel sends and where to; equal only for equal settings and secrets."""
    channels = [
        {
            "kind": channel.spec.section,
            "keys": channel.settings.model_dump(mode="json", exclude=set(channel.spec.secrets)),
            "secrets": dict(channel.secrets),
        }
        for channel in settings.channels
    ]
    text = json.dumps([alertd.__version__, settings.fleet, channels], sort_keys=True)
    return hashlib.scrypt(text.encode(), salt=b"alertd channels", dklen=16, **_SCRYPT).hex()


def take_back(store: Store) -> None:
    """Take back every channel that a former leader gave to workers. Raises StoreError."""
    if store.senders.given():
        store.senders.give({})


@asynccontextmanager
async def share_delivery(share: DeliveryShare) -> AsyncIterator[None]:
    """Share the channels until the end. Workers keep theirs then: they go on while no daemon leads."""
    await _round(share)
    sharing = asyncio.create_task(_repeat(share))
    try:
        yield
    finally:
        sharing.cancel()
        await asyncio.wait([sharing])


async def _repeat(share: DeliveryShare) -> None:
    while True:
        await asyncio.sleep(ROUND_EVERY_S)
        await _round(share)


async def _round(share: DeliveryShare) -> None:
    try:
        await asyncio.to_thread(share.round)
    except StoreError as exc:  # every job of the daemon reports it too
        log.debug("channels not shared: %s", exc)

"""A call to an outside watchdog after each good cycle: when the calls end, the watchdog knows that alertd is dead."""

import asyncio
import logging
import time
from collections.abc import Callable
from typing import Final

from alertd.delivery.address_policy import Network
from alertd.delivery.channels.webhook import Endpoint, WebhookChannel
from alertd.errors import DeliveryError

log = logging.getLogger(__name__)

NAME: Final = "daemon.heartbeat_url"
DEADLINE_S: Final = 10.0
TOLD_EVERY_S: Final = 60.0
_UNSIGNED: Final = "whsec_" + "A" * 32  # a webhook needs a key to sign with; a heartbeat says nothing to sign


class Heartbeat(WebhookChannel):
    """An empty POST, under the same rules for addresses as webhooks. Use as an async context manager.

    A failure is one line in the log, at most once a minute, and nothing else: the watchdog reports the silence.
    """

    def __init__(
        self,
        url: str,
        allow_networks: tuple[Network, ...] = (),
        ticks: Callable[[], float] = time.monotonic,
        **more: object,
    ) -> None:
        """Raises ConfigError when the URL cannot be used."""
        endpoint = Endpoint(name=NAME, url=url, secrets=(_UNSIGNED,), allow_networks=allow_networks)
        super().__init__(endpoint, deadline_s=DEADLINE_S, **more)  # type: ignore[arg-type]
        self._ticks, self._told_s = ticks, float("-inf")
        self._calls: set[asyncio.Task[None]] = set()

    def beat(self) -> None:
        """Begin a call and do not wait for it. While one is under way no other begins."""
        if not self._calls:
            call = asyncio.create_task(self.call())
            self._calls.add(call)
            call.add_done_callback(self._calls.discard)

    async def call(self) -> None:
        try:
            await self.exchange(b"", {}, 0.0)
        except DeliveryError as exc:
            if self._ticks() - self._told_s >= TOLD_EVERY_S:
                self._told_s = self._ticks()
                log.warning("heartbeat: %s", exc)

    async def aclose(self) -> None:
        for call in self._calls:
            call.cancel()
        await super().aclose()

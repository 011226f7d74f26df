"""Calls an external watchdog after each good cycle; the watchdog raises an alarm when the calls stop."""

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
LOG_EVERY_S: Final = 60.0
_UNSIGNED: Final = "whsec_" + "A" * 32  # WebhookChannel requires a signing key; a heartbeat has no content to sign


class Heartbeat(WebhookChannel):
    """Sends an empty POST, with the address rules of webhooks. Use as an async context manager.

    A failure is logged at most once a minute and has no other effect: the watchdog reports the missing calls.
    """

    def __init__(
        self,
        url: str,
        allow_networks: tuple[Network, ...] = (),
        ticks: Callable[[], float] = time.monotonic,
        **more: object,
    ) -> None:
        """Raises ConfigError when the URL is not usable."""
        endpoint = Endpoint(name=NAME, url=url, secrets=(_UNSIGNED,), allow_networks=allow_networks)
        super().__init__(endpoint, deadline_s=DEADLINE_S, **more)  # type: ignore[arg-type]
        self._ticks, self._logged_s = ticks, float("-inf")
        self._calls: set[asyncio.Task[None]] = set()

    def beat(self) -> None:
        """Start a call without waiting for it. Does nothing while a call is in progress."""
        if not self._calls:
            call = asyncio.create_task(self.call())
            self._calls.add(call)
            call.add_done_callback(self._calls.discard)

    async def call(self) -> None:
        """Send one call and wait for it; a failure is only logged."""
        try:
            await self.exchange(b"", {}, 0.0)
        except DeliveryError as exc:
            if self._ticks() - self._logged_s >= LOG_EVERY_S:
                self._logged_s = self._ticks()
                log.warning("heartbeat failed: %s", exc)

    async def aclose(self) -> None:
        """Cancel a running call and close the connections."""
        for call in self._calls:
            call.cancel()
        await super().aclose()

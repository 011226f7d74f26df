"""How each way out is doing, for a system that watches the daemon."""

import asyncio
from typing import Any

from fastapi import APIRouter

from alertd.delivery.health import channel_health
from alertd.plan.record import to_plain
from alertd.service.clock import Clock
from alertd.service.settings import Settings
from alertd.store.store import Store


def channels_router(settings: Settings, store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/health")
    async def get_health() -> dict[str, Any]:
        """Each channel: what waits, what is parked, when it last took something, and what is wrong with it."""
        return {"channels": await asyncio.to_thread(_channels)}

    def _channels() -> Any:
        # What the store keeps of each channel outlives the daemon, so no running one is asked.
        kept = store.endpoints.standings()
        return to_plain(channel_health(settings.ways_out, store.outbox.tallies(), (), kept, clock()))

    return router

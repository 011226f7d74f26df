"""`GET /metrics`: the daemon's measures in the text formats that monitoring systems read."""

import asyncio
import logging
from typing import Annotated

from fastapi import APIRouter, Header, Response
from prometheus_client.exposition import choose_encoder

from alertd.errors import StoreError
from alertd.service.clock import Clock
from alertd.service.metrics import Meters
from alertd.store.store import Store

log = logging.getLogger(__name__)


def metrics_router(store: Store, clock: Clock, meters: Meters) -> APIRouter:
    router = APIRouter()

    @router.get("/metrics", response_class=Response)
    async def metrics(accept: Annotated[str, Header()] = "") -> Response:
        """OpenMetrics 1.0 text for who asks for it, Prometheus text 0.0.4 else. Never a trip, driver or place."""
        try:
            await asyncio.to_thread(meters.look, store, clock())
        except StoreError as exc:  # the rest is worth all the more then
            log.warning("metrics without the store's: %s", exc)
        encode, content_type = choose_encoder(accept)
        return Response(encode(meters.registry), media_type=content_type)

    return router

"""Route of position reports."""

from functools import partial

from fastapi import APIRouter, Response

from alertd.clock import Clock
from alertd.records.positions import save_position
from alertd.sources.requests.positions import PositionRequest, parse_position
from alertd.store.store import Store
from alertd.web.api.resources import (
    KNOWN,
    JsonBody,
    accept,
    parse_body,
    request_body,
    require_active_trip,
    require_past,
)


def positions_router(store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")

    @router.post("/{trip_id}/positions", status_code=201, openapi_extra=request_body(PositionRequest), responses=KNOWN)
    async def post_position(trip_id: str, body: JsonBody) -> Response:
        """Report where the truck of a trip is: 201 when new, 200 when known just so. The next cycle plans from it."""
        position = parse_body(body, "position", parse_position)
        hint = "send when the truck was there; check the device's clock"
        require_past(position.seen_at, position.at, clock(), hint)
        await require_active_trip(store, trip_id)
        save = partial(save_position, store, trip_id, position)
        return await accept(position, save, about={"trip_id": trip_id})

    return router

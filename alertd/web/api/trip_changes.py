"""Routes that change a trip, and that send many trips or positions at once."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Header, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from alertd.clock import Clock
from alertd.errors import InputError
from alertd.plan.serialize import to_plain
from alertd.records.closures import IdConflict
from alertd.records.positions import save_position
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.positions import PositionRequest, parse_position
from alertd.store.store import Store
from alertd.web.api.resources import (
    JSON,
    JsonBody,
    json_value,
    parse_body,
    request_body,
    require_active_trip,
    require_past,
)
from alertd.web.api.trip_register import TripRegister, trip_etag
from alertd.web.idempotency import PARAMETER
from alertd.web.problems import ProblemError, problem_of

MAX_TRIPS: Final = 100  # [A] a body holds 64 kB, and a trip up to 600 bytes
MAX_POSITIONS: Final = 500  # [A] likewise, with about 100 bytes each


class _Batch(BaseModel):
    """What a batch holds; each of its rows is checked by itself."""

    model_config = ConfigDict(extra="forbid")


class TripBatch(_Batch):
    """Trips to register at once."""

    trips: list[TripRequest] = Field(min_length=1, max_length=MAX_TRIPS)


class TripPosition(PositionRequest):
    """A position of a trip."""

    trip_id: str = Field(min_length=1, max_length=64)


class PositionBatch(_Batch):
    """Positions to report at once."""

    positions: list[TripPosition] = Field(min_length=1, max_length=MAX_POSITIONS)


def trip_changes_router(register: TripRegister) -> APIRouter:
    router = APIRouter(prefix="/v1")
    takes = request_body(TripRequest)

    @router.put(
        "/trips/{trip_id}",
        openapi_extra={"requestBody": takes["requestBody"]},
        responses={201: {"description": "It was not known."}},
    )
    async def put_trip(
        trip_id: str,
        body: JsonBody,
        if_match: Annotated[str, Header(max_length=200)] = "",
        if_none_match: Annotated[str, Header(max_length=200)] = "",
    ) -> Response:
        """Change a trip, or register it: 200 changed, 201 new. A known trip needs `If-Match` with its ETag."""
        trip = parse_body(body, "trip", parse_trip)
        if trip.id != trip_id:
            raise InputError("request", "id", f"is {trip.id}, and the path names {trip_id}", "write the id of the path")
        stored, new = await register.put(trip, if_match, if_none_match)
        about = {"created_at": to_plain(stored.created_at), "cancelled": stored.cancelled}
        headers = {"ETag": trip_etag(stored)}
        return JSONResponse({**json.loads(stored.body), **about}, 201 if new else 200, headers)

    @router.post("/batches/trips", openapi_extra=_takes(TripBatch))
    async def post_trips(body: JsonBody) -> dict[str, Any]:
        """Register many trips. Each is taken or refused by itself, in the order sent."""

        async def one(row: Any) -> tuple[int, str]:
            trip = parse_trip(row, "request")
            new = await register.add(trip)
            return (201 if new else 200), trip.id

        results = await _each(_rows(body, "trips", MAX_TRIPS), "id", one)
        if any(r["status"] == 201 for r in results):
            register.wake()
        return {"results": results}

    return router


def position_batch_router(store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.post("/batches/positions", openapi_extra=_takes(PositionBatch))
    async def post_positions(body: JsonBody) -> dict[str, Any]:
        """Report many positions. Each is taken or refused by itself, in the order sent."""

        async def one(row: Any) -> tuple[int, str]:
            trip_id = row.get("trip_id") if isinstance(row, dict) else None
            if not isinstance(trip_id, str):
                raise InputError("request", "trip_id", "is missing or no text", "name the trip of each position")
            position = parse_position({k: v for k, v in row.items() if k != "trip_id"}, "request")
            require_past(position.seen_at, position.at, clock(), "send when the truck was there")
            await require_active_trip(store, trip_id)
            new = await asyncio.to_thread(save_position, store, trip_id, position)
            return (201 if new else 200), trip_id

        return {"results": await _each(_rows(body, "positions", MAX_POSITIONS), "trip_id", one)}

    return router


def _takes(model: type[BaseModel]) -> dict[str, Any]:
    content = {JSON: {"schema": model.model_json_schema()}}
    return {"requestBody": {"required": True, "content": content}, "parameters": [PARAMETER]}


def _rows(body: bytes, name: str, most: int) -> Sequence[Any]:
    found = json_value(body, f"list of {name}")
    rows = found.get(name) if isinstance(found, dict) and found.keys() == {name} else None
    if not isinstance(rows, list) or not 1 <= len(rows) <= most:
        raise InputError("request", name, f"is no list of 1 to {most}", f'write {{"{name}": [...]}}')
    return rows


async def _each(
    rows: Sequence[Any], key: str, one: Callable[[Any], Awaitable[tuple[int, str]]]
) -> list[dict[str, Any]]:
    """The outcome of each row: its index, id and status, and the problem of a refused one."""
    results = []
    for index, row in enumerate(rows):
        sent = row.get(key) if isinstance(row, dict) else None
        shown = sent if isinstance(sent, str) else None
        try:
            status, id_ = await one(row)
        except (InputError, ProblemError, IdConflict) as exc:
            refused = problem_of(exc)
            results.append({"index": index, key: shown, "status": refused["status"], "problem": refused})
        else:
            results.append({"index": index, key: id_, "status": status})
    return results

"""Routes of driver reports: message read, chains on, chains off, arrived."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Response
from fastapi.responses import JSONResponse

from alertd.clock import Clock
from alertd.errors import InputError
from alertd.records.driver_reports import load_reports, save_report
from alertd.sources.requests.driver_reports import READ, parse_report
from alertd.store.store import Store
from alertd.web.problems import ProblemError

CLOCKS_APART = timedelta(minutes=5)  # a device's clock may be so far ahead of ours


def reports_router(
    store: Store, clock: Clock, body: Callable[..., Any], json_of: Callable[[bytes, str], Any], takes: dict[str, Any]
) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")

    @router.post(
        "/{trip_id}/events", status_code=201, openapi_extra=takes, responses={200: {"description": "It was known so."}}
    )
    async def post_event(trip_id: str, sent: Annotated[bytes, Depends(body)]) -> Response:
        """Report that a message was read, chains went on or off, or the truck arrived: 201 when new, 200 when known."""
        now = clock()
        report = parse_report(json_of(sent, "report"), "request")
        if report.happened_at > now + CLOCKS_APART:
            raise InputError(
                "request", "at", f"{report.at} is in the future, it is {now.isoformat(timespec='seconds')}",
                "send when it happened; check the device's clock",
            )  # fmt: skip
        trip = await asyncio.to_thread(store.trip, trip_id)
        if trip is None or trip.cancelled:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is {'unknown' if trip is None else 'cancelled'}")
        if report.what == READ:
            known = await asyncio.to_thread(store.notices, trip_id)
            if all(n.id != report.notice_id for n in known):
                raise ProblemError(404, "no such notice", f"trip {trip_id} has no notice {report.notice_id}")
        new = await asyncio.to_thread(save_report, store, trip_id, report)
        return JSONResponse({"trip_id": trip_id, **report.model_dump()}, status_code=201 if new else 200)

    @router.get("/{trip_id}/events")
    async def list_events(trip_id: str) -> dict[str, Any]:
        """What was reported of a trip, oldest first."""
        found = await asyncio.to_thread(load_reports, store, trip_id)
        return {"trip_id": trip_id, "events": [r.model_dump() for r in found]}

    return router

"""Routes of driver reports: message read, chains on, chains off, arrived."""

import asyncio
from functools import partial
from typing import Any

from fastapi import APIRouter, Response

from alertd.clock import Clock
from alertd.records.driver_reports import load_reports, save_report
from alertd.sources.requests.driver_reports import READ, ReportRequest, parse_report
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
from alertd.web.problems import ProblemError


def reports_router(store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")

    @router.post("/{trip_id}/events", status_code=201, openapi_extra=request_body(ReportRequest), responses=KNOWN)
    async def post_event(trip_id: str, sent: JsonBody) -> Response:
        """Report that a message was read, chains went on or off, or the truck arrived: 201 when new, 200 when known."""
        report = parse_body(sent, "report", parse_report)
        require_past(report.happened_at, report.at, clock(), "send when it happened; check the device's clock")
        await require_active_trip(store, trip_id)
        if report.what == READ:
            known = await asyncio.to_thread(store.notices, trip_id)
            if all(n.id != report.notice_id for n in known):
                raise ProblemError(404, "no such notice", f"trip {trip_id} has no notice {report.notice_id}")
        return await accept(report, partial(save_report, store, trip_id, report), about={"trip_id": trip_id})

    @router.get("/{trip_id}/events")
    async def list_events(trip_id: str) -> dict[str, Any]:
        """What was reported of a trip, oldest first."""
        found = await asyncio.to_thread(load_reports, store, trip_id)
        return {"trip_id": trip_id, "events": [r.model_dump() for r in found]}

    return router

"""Routes of the chain log: read it as JSON or CSV, and correct it."""

from datetime import timedelta
from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse

from alertd.clock import Clock
from alertd.notices.reports.chain_log_table import chain_log_json, csv_text
from alertd.planning.planner import Planner
from alertd.service.chain_log import chain_log, save_correction
from alertd.service.date_range import period
from alertd.sources.requests.corrections import CorrectionRequest, parse_correction
from alertd.store.store import Store
from alertd.web.api.resources import KNOWN, JsonBody, accept, parse_body, request_body

A_MONTH = timedelta(days=31)


def chainlog_router(planner: Planner, store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/chainlog")
    body_only = {"requestBody": request_body(CorrectionRequest)["requestBody"]}
    as_csv = {"description": "The log, as JSON or as CSV.", "content": {"text/csv": {"schema": {"type": "string"}}}}

    @router.get("", responses={200: as_csv})
    async def get_chainlog(
        driver: Annotated[str, Query(max_length=80)] = "",
        since: Annotated[str, Query(alias="from", max_length=40)] = "",
        until: Annotated[str, Query(alias="to", max_length=40)] = "",
        format: Annotated[Literal["json", "csv"], Query()] = "json",
    ) -> Response:
        """When chains were on, with minutes, by driver; of the last 31 days when no dates are given."""
        now = clock()
        first, last = period(since, until, planner.settings.brief_zone, now, default=A_MONTH)
        pay = planner.settings.chain_pay
        entries = await chain_log(planner, store, first, last, driver)
        if format == "csv":
            named = {"Content-Disposition": 'attachment; filename="chainlog.csv"'}
            return Response(csv_text(entries, now, pay), media_type="text/csv; charset=utf-8", headers=named)
        return JSONResponse({"from": first.isoformat(), "to": last.isoformat(), **chain_log_json(entries, now, pay)})

    @router.post("/corrections", status_code=201, openapi_extra=body_only, responses=KNOWN)
    async def post_correction(body: JsonBody) -> Response:
        """Correct an entry: 201 new, 200 known just so. What was reported stays in the log beside it."""
        request = parse_body(body, "correction", parse_correction)
        return await accept(request, partial(save_correction, store, request, clock()))

    return router

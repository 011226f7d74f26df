"""Routes to upload a GPX file and to list the available routes."""

import asyncio
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse

from alertd.planning.planner import Planner
from alertd.web.api.resources import After, Limit, page
from alertd.web.api.route_uploads import NAME_PATTERN, RouteUploads, routes_on_file
from alertd.web.idempotency import PARAMETER
from alertd.web.problems import ProblemError

ROUTES_PATH: Final = "/v1/routes"
# No other types: a web page in a browser on this machine can post plain text and forms without permission. For these
# the browser asks first (Fetch, "CORS-safelisted request-header"). Generated clients send files as the second.
_GPX: Final = "application/gpx+xml"
_BINARY: Final = "application/octet-stream"
_TAKES: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "content": {type_: {"schema": {"type": "string", "format": "binary"}} for type_ in (_GPX, _BINARY)},
    },
    "parameters": [PARAMETER],
}


def routes_router(planner: Planner) -> APIRouter:
    router = APIRouter(prefix=ROUTES_PATH)
    uploads = RouteUploads(planner.settings.places.routes)

    @router.post(
        "", status_code=201, openapi_extra=_TAKES, responses={200: {"description": "The same file was sent before."}}
    )
    async def post_route(request: Request, name: Annotated[str, Query(pattern=NAME_PATTERN)]) -> Response:
        """Send a GPX file: 201 with the name that trips call it by, 200 when the same was sent before."""
        if request.headers.get("content-type", "").split(";")[0].strip().lower() not in (_GPX, _BINARY):
            raise ProblemError(415, "not GPX", f"send it with Content-Type: {_GPX}")
        with uploads.slot():
            kept = await uploads.save(name, await request.body())
        body = {"name": kept.name, "points": kept.points, "findings": list(kept.findings)}
        return JSONResponse(body, status_code=201 if kept.new else 200)

    @router.get("")
    async def list_routes(limit: Limit = None, after: After = "") -> dict[str, Any]:
        """The routes that a trip may name, the operator's and those that were sent; with `limit`, a page of them."""
        rows = await asyncio.to_thread(routes_on_file, planner.settings.places.routes)
        return page("routes", rows, limit, after, key=lambda row: str(row["name"]))

    return router

"""Routes of closures: the operator posts a closed road, lists the active closures, and withdraws one."""

import asyncio
from collections.abc import Callable
from functools import partial
from typing import Any

from fastapi import APIRouter, Response

from alertd.clock import Clock
from alertd.planning.planner import Planner
from alertd.records.closures import active_closures, save_closure, withdraw
from alertd.sources.requests.closures import ClosureRequest, parse_closure
from alertd.store.store import Store
from alertd.web.api.closure_reach import met_by
from alertd.web.api.resources import KNOWN, After, JsonBody, Limit, accept, page, parse_body, request_body
from alertd.web.problems import ProblemError


def closures_router(planner: Planner, store: Store, clock: Clock, wake: Callable[[], None]) -> APIRouter:
    router = APIRouter(prefix="/v1/closures")

    @router.post("", status_code=201, openapi_extra=request_body(ClosureRequest), responses=KNOWN)
    async def post_closure(body: JsonBody) -> Response:
        """Post a closed road: 201 when new, 200 when it was known just so, 409 when the id is another closure's.

        `routes` and `trips` name those that lie on it. `warning` says when none does: the places may be off the road.
        """
        closure = parse_body(body, "closure", parse_closure)
        met = await met_by(planner, store, closure.to_core())
        return await accept(closure, partial(save_closure, store, closure, clock()), on_new=wake, about=met)

    @router.get("")
    async def list_closures(limit: Limit = None, after: After = "") -> dict[str, Any]:
        """Every closure that is neither taken back nor over; with `limit`, a page of them."""
        found = await asyncio.to_thread(active_closures, store, clock())
        return page("closures", [c.model_dump(mode="json", by_alias=True) for c in found], limit, after)

    @router.delete("/{closure_id}", status_code=204)
    async def delete_closure(closure_id: str) -> None:
        """Take a closure back: the road is open. Its id is not given again."""
        if not await asyncio.to_thread(withdraw, store, closure_id, clock()):
            raise ProblemError(404, "no such closure", f"closure {closure_id} is unknown")
        wake()

    return router

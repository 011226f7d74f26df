"""Routes of posted controls: a dispatcher reports what a sign shows, and lists the active controls."""

import asyncio
from collections.abc import Callable
from functools import partial
from typing import Any

from fastapi import APIRouter, Response

from alertd.clock import Clock
from alertd.plan.serialize import to_plain
from alertd.planning.planner import Planner
from alertd.records.posted_controls import RecordedControl, active_posted, known_places, save_posted, withdraw_posted
from alertd.sources.requests.posted_controls import PostedRequest, parse_posted, to_control
from alertd.store.store import Store
from alertd.web.api.resources import After, JsonBody, Limit, accept, page, parse_body, request_body
from alertd.web.problems import ProblemError


def posted_router(planner: Planner, store: Store, clock: Clock, wake: Callable[[], None]) -> APIRouter:
    router = APIRouter(prefix="/v1/posted")
    reference = planner.reference
    known: dict[int | str, dict[str, Any]] = {200: {"description": "It was known so; now confirmed."}}

    @router.post("", status_code=201, openapi_extra=request_body(PostedRequest), responses=known)
    async def post_posted(body: JsonBody) -> Response:
        """Report a posted control: 201 new, 200 known just so, which confirms it, 409 when the id is taken."""
        now = clock()
        request = parse_body(body, "posted control", parse_posted)
        names = known_places(reference, request.jurisdiction)
        control = to_control(request, reference.rulesets, names, now, "request")
        answer = await accept(request, partial(save_posted, store, request, control, now))
        wake()
        return answer

    @router.get("")
    async def list_posted(limit: Limit = None, after: After = "") -> dict[str, Any]:
        """Every posted control in force: those reported here, and those that feeds list; with `limit`, a page."""
        rows = [_plain(k) for k in await asyncio.to_thread(active_posted, store, reference, clock())]
        return page("posted", rows, limit, after, key=lambda r: f"{r['feed'] or ''}:{r['id']}")

    @router.delete("/{posted_id}", status_code=204)
    async def delete_posted(posted_id: str) -> None:
        """Take a report back: the sign is off. Its id is not given again. What a feed lists cannot be taken back."""
        if not await asyncio.to_thread(withdraw_posted, store, posted_id, reference, clock()):
            raise ProblemError(404, "no such report", f"no posted control {posted_id} was reported here")
        wake()

    return router


def _plain(k: RecordedControl) -> dict[str, Any]:
    c = k.control
    return {
        "id": c.id,
        "feed": k.feed or None,
        "jurisdiction": c.jurisdiction,
        "level": c.level,
        "words": c.words,
        "source": c.source,
        "place": c.where.words,
        "since": to_plain(c.since),
        "until": to_plain(c.until),
        "first_seen": to_plain(k.first_seen),
        "confirmed_at": to_plain(c.confirmed_at),
        "request": None if k.request is None else k.request.model_dump(mode="json", by_alias=True),
    }

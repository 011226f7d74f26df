"""The scores page."""

import asyncio
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from alertd.clock import Clock
from alertd.notices.reports.scores_html import score_page
from alertd.planning.planner import Planner
from alertd.service.date_range import period
from alertd.service.scoring import scores
from alertd.store.store import Store

A_MONTH = timedelta(days=31)


def score_page_router(planner: Planner, store: Store, clock: Clock) -> APIRouter:
    """The page below the board, for a signed-in browser."""
    router = APIRouter(prefix="/board", include_in_schema=False)
    settings = planner.settings

    @router.get("/score", response_class=HTMLResponse)
    async def get_score_page(
        since: Annotated[str, Query(alias="from", max_length=40)] = "",
        until: Annotated[str, Query(alias="to", max_length=40)] = "",
    ) -> HTMLResponse:
        """The scores as a page, with a reliability diagram when there are enough cases."""
        first, last = period(since, until, settings.brief_zone, clock(), default=A_MONTH)
        found = await scores(planner, store, first, last)
        odds = settings.plan.chain_probability
        page = await asyncio.to_thread(score_page, settings.fleet, found, first, last, settings.brief_zone, odds)
        # The page loads nothing; the policy enforces it.
        return HTMLResponse(page, headers={"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'"})

    return router

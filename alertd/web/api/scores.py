"""Route of the scores as JSON."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query

from alertd.clock import Clock
from alertd.notices.reports.scores import score_json
from alertd.plan.serialize import to_plain
from alertd.planning.planner import Planner
from alertd.service.date_range import period
from alertd.service.scoring import scores
from alertd.store.store import Store

A_MONTH = timedelta(days=31)


def score_router(planner: Planner, store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1")
    settings = planner.settings

    @router.get("/score")
    async def get_score(
        since: Annotated[str, Query(alias="from", max_length=40)] = "",
        until: Annotated[str, Query(alias="to", max_length=40)] = "",
    ) -> dict[str, Any]:
        """How the plans of a period fared against what happened; of the last 31 days when no dates are given."""
        first, last = period(since, until, settings.brief_zone, clock(), default=A_MONTH)
        found = await scores(planner, store, first, last)
        return {"from": to_plain(first), "to": to_plain(last), "scores": [score_json(s) for s in found]}

    return router

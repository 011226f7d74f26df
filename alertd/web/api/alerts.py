"""Routes of the CAP alert feed and of single alerts."""

import asyncio
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from alertd.notices.formats.cap_feed import ALERT_MEDIA_TYPE, MEDIA_TYPE, cap_feed
from alertd.service.cap_alerts import CapAlerts, PublishedAlert
from alertd.web.problems import ProblemError

ENDING: Final = ".xml"


def alerts_router(alerts: CapAlerts) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/alerts.atom", response_class=Response, responses=_answers(MEDIA_TYPE))
    async def get_alerts(request: Request) -> Response:
        """What stands, as an Atom feed of CAP 1.2 alerts: one of each trip that has to prepare for something."""
        shown, made_at = await active_alerts(), alerts.made_at
        if made_at is None:
            raise ProblemError(503, "not available now", "no cycle has ended since the start; ask again in a minute")
        base = str(request.base_url).rstrip("/") + "/v1/alerts"
        xml = cap_feed([s.xml for s in shown], alerts.sender, base, made_at, ending=ENDING, own_url=f"{base}.atom")
        return Response(xml, media_type=MEDIA_TYPE)

    @router.get("/alerts/{identifier}.xml", response_class=Response, responses=_answers(ALERT_MEDIA_TYPE))
    async def get_alert(identifier: str) -> Response:
        """One alert that stands, by its identifier."""
        for shown in await active_alerts():
            if shown.identifier == identifier:
                return Response(shown.xml, media_type=ALERT_MEDIA_TYPE)
        raise ProblemError(404, "no such alert", f"no alert {identifier} is active; the feed lists those that are")

    async def active_alerts() -> list[PublishedAlert]:
        return await asyncio.to_thread(alerts.active)

    return router


def _answers(media_type: str) -> dict[int | str, dict[str, Any]]:
    kind = media_type.split(";")[0]
    return {200: {"description": "XML.", "content": {kind: {"schema": {"type": "string"}}}}}

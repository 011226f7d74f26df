"""All HTML pages as one router."""

from collections.abc import Callable

from fastapi import APIRouter, Depends, Response

from alertd.clock import Clock
from alertd.planning.planner import Planner
from alertd.store.store import Store
from alertd.web.auth import Authorizer
from alertd.web.pages.base import Pages
from alertd.web.pages.board import BoardPage
from alertd.web.pages.charts import ChartCache
from alertd.web.pages.driver import DriverPage
from alertd.web.pages.scores import score_page_router
from alertd.web.pages.sign_in import BoardSession, go_to
from alertd.web.pages.trip import trip_router


def pages_router(
    planner: Planner, store: Store, clock: Clock, wake: Callable[[], None], authorizer: Authorizer
) -> APIRouter:
    settings = planner.settings
    pages = Pages(lambda language: settings.languages.translators_for(language).driver.gettext)
    links, charts = planner.links, ChartCache(planner)
    session = BoardSession(settings, store, clock, links, pages, authorizer)
    router = APIRouter()
    router.add_api_route("/", _to_board, methods=["GET"], include_in_schema=False)
    router.include_router(pages.router())
    router.include_router(DriverPage(planner, store, clock, links, pages, charts).router())
    router.include_router(session.router())
    router.include_router(trip_router(planner, store, clock, links, pages, charts, session))
    router.include_router(BoardPage(planner, store, clock, wake, pages, session).router())
    router.include_router(score_page_router(planner, store, clock), dependencies=[Depends(session.require_reader)])
    return router


async def _to_board() -> Response:
    return go_to("/board")

"""Every page that people see, as one router."""

from collections.abc import Callable

from fastapi import APIRouter, Depends

from alertd.clock import Clock
from alertd.planning.planner import Planner
from alertd.store.store import Store
from alertd.web.auth import Entrance
from alertd.web.pages.base import Pages
from alertd.web.pages.board import BoardPage
from alertd.web.pages.charts import Drawings
from alertd.web.pages.driver import DriverPage
from alertd.web.pages.scores import score_page_router
from alertd.web.pages.sign_in import Door
from alertd.web.pages.trip import trip_router


def pages_router(
    planner: Planner, store: Store, clock: Clock, wake: Callable[[], None], entrance: Entrance
) -> APIRouter:
    settings = planner.settings
    pages = Pages(lambda language: settings.languages.of(language).driver.say)
    links, drawings = planner.links, Drawings(planner)
    door = Door(settings, clock, links, pages, entrance)
    router = APIRouter()
    router.include_router(pages.router())
    router.include_router(DriverPage(planner, store, clock, links, pages, drawings).router())
    router.include_router(door.router())
    router.include_router(trip_router(planner, store, clock, links, pages, drawings, door))
    router.include_router(BoardPage(planner, store, clock, wake, pages, door).router())
    router.include_router(score_page_router(planner, store, clock), dependencies=[Depends(door.reader)])
    return router

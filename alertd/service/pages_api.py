"""Every page that people see, as one router."""

from collections.abc import Callable

from fastapi import APIRouter, Depends

from alertd.service.board_page import BoardPage
from alertd.service.clock import Clock
from alertd.service.drawings import Drawings
from alertd.service.driver_page import DriverPage
from alertd.service.entrance import Entrance
from alertd.service.page import Pages
from alertd.service.planner import Planner
from alertd.service.score_api import score_page_router
from alertd.service.sign_in import Door
from alertd.service.trip_page import trip_router
from alertd.store.store import Store


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

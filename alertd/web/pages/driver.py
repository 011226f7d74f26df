"""The driver's page: next action, read when parked; one tap for "Got it", "Chains on", "Chains off", road and sky here.

A GET changes nothing, because mail scanners and link previews follow links too. Reports are sent by POST.
"""

import asyncio
import json
from collections.abc import Sequence

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse

from alertd.clock import Clock
from alertd.errors import InputError
from alertd.i18n import Translator, gettext_noop
from alertd.planning.planner import Planner
from alertd.planning.signed_links import DRIVER, VALID_AFTER_TRIP, SignedLinks, Subjects
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.driver_reports import (
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    LOADED,
    READ,
    REMOVING_BEGUN,
    ROAD_SEEN,
)
from alertd.store.store import Store
from alertd.web.pages.base import HEADERS, SECRET_PATH, Pages, check_same_origin, form_of
from alertd.web.pages.charts import NARROW, ChartCache
from alertd.web.pages.driver_taps import DONE, save_tap
from alertd.web.pages.driver_values import driver_values
from alertd.web.pages.law import law_values
from alertd.web.problems import ProblemError


class DriverPage:
    """Routes of one trip's driver: the page, the law on it, and the taps."""

    def __init__(
        self, planner: Planner, store: Store, clock: Clock, links: SignedLinks, pages: Pages, charts: ChartCache
    ) -> None:
        self._planner, self._store, self._clock = planner, store, clock
        self._links, self._pages, self._charts = links, pages, charts
        self._trips, self._renewing = Subjects(links, DRIVER, store.trip_ids), asyncio.Lock()

    def router(self) -> APIRouter:
        router = APIRouter(prefix="/d", include_in_schema=False)
        router.add_api_route("/{token}", self._show, methods=["GET", "HEAD"])
        router.add_api_route("/{token}", self._tap, methods=["POST"])
        router.add_api_route("/{token}/law", self._law, methods=["GET"])
        return router

    async def _trip_of(self, token: str) -> TripRequest:
        """The trip of a link. Raises ProblemError: 410 for an expired link, 404 for any other invalid one.

        The store is read for a genuine token only, because anybody can send an invalid one.
        """
        opened = self._trips.opened(token)
        if opened is None and self._trips.is_worth_renewing(token):
            async with self._renewing:  # one at a time; the others use its result
                if self._trips.is_worth_renewing(token):
                    await asyncio.to_thread(self._trips.renew)
            opened = self._trips.opened(token)
        if opened is not None and (
            opened.until <= self._clock() or await asyncio.to_thread(self._is_over, opened.subject)
        ):
            detail = gettext_noop("The trip is over. Ask dispatch for a new link.")
            raise ProblemError(410, gettext_noop("This link has run out"), detail)
        known = await asyncio.to_thread(self._store.trip, opened.subject) if opened is not None else None
        if known is None or known.cancelled:
            detail = gettext_noop("It is not whole, or its trip was cancelled. Ask dispatch.")
            raise ProblemError(404, gettext_noop("This link does not work"), detail)
        return parse_trip(json.loads(known.body), f"trip {known.id}")

    def _is_over(self, trip_id: str) -> bool:
        """Whether the truck arrived so long ago that nothing more is shown or reported."""
        plan = self._planner.latest.plan(self._store, trip_id)
        return plan is not None and plan.arrived_at is not None and self._clock() >= plan.arrived_at + VALID_AFTER_TRIP

    def _translator(self, language: str, lands: Sequence[str] = ()) -> Translator:
        return self._planner.settings.languages.translators_for(language, lands).driver

    def _refused(self, title: str, detail: str, status: int, language: str = "") -> Response:
        """An error page with the reason; `language` is "" while the trip is unknown."""
        translator = self._translator(language)
        values = {"title": translator.translate(title), "detail": translator.translate(detail)}
        return self._pages.render(
            "refused.html", values, language=translator.language, status=status, headers=SECRET_PATH
        )

    async def _show(self, token: str, request: Request, done: str = "") -> Response:
        try:
            trip = await self._trip_of(token)
        except ProblemError as exc:
            return self._refused(exc.title, exc.detail, exc.status)
        plan = await asyncio.to_thread(self._planner.latest.plan, self._store, trip.id)
        translator = self._translator(trip.language, () if plan is None else plan.lands)
        values = await asyncio.to_thread(driver_values, self._planner, self._store, trip, self._clock(), translator)
        if values["plan"] is not None:
            pictures = await self._charts.of(values["plan"], trip, NARROW)
            values |= {"drawn": pictures.by_name, "said": pictures.words.get("road", ())}
        stands = {READ: values["read_at"], CHAINS_ON: values["on_at"], CHAINS_OFF: values["off_at"]}
        stands |= {LOADED: values["loaded"], HANGING_BEGUN: values["hanging_at"], REMOVING_BEGUN: values["removing_at"]}
        stands[ROAD_SEEN] = values["road_seen"] or values["falls_seen"]
        values |= {"token": token, "done": translator.gettext(DONE[done]) if stands.get(done) else ""}
        return self._pages.render("driver.html", values, language=translator.language, headers=SECRET_PATH)

    async def _tap(self, token: str, request: Request) -> Response:
        check_same_origin(request, secret_path=True)
        form = await form_of(request)
        language = ""
        try:
            trip = await self._trip_of(token)
            language = trip.language
            what = await asyncio.to_thread(save_tap, self._store, trip.id, form, self._clock())
        except ProblemError as exc:
            return self._refused(exc.title, exc.detail, exc.status)
        except InputError as exc:
            return self._refused(gettext_noop("Not noted"), str(exc), 422, language)
        headers = {**HEADERS, **SECRET_PATH}
        if "application/json" in request.headers.get("accept", ""):
            return JSONResponse({"said": self._translator(language).gettext(DONE[what])}, headers=headers)
        return RedirectResponse(f"/d/{token}?done={what}", 303, headers=headers)

    async def _law(self, token: str) -> Response:
        """The law on the trip, for an officer and for print."""
        try:
            trip = await self._trip_of(token)
        except ProblemError as exc:
            return self._refused(exc.title, exc.detail, exc.status)
        plan = await asyncio.to_thread(self._planner.latest.plan, self._store, trip.id)
        translator = self._translator(trip.language, () if plan is None else plan.lands)
        values = law_values(plan, trip, self._planner.settings.fleet, self._clock(), translator)
        return self._pages.render(
            "law.html", values | {"back": f"/d/{token}"}, language=translator.language, headers=SECRET_PATH
        )

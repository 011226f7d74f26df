"""The driver's page: next action, read when parked; one tap for "Got it", "Chains on", "Chains off", the road here.

A GET changes nothing, because mail scanners and link previews follow links too. Reports are sent by POST.
"""

import asyncio
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse

from alertd.clock import Clock
from alertd.errors import AlertdError, InputError
from alertd.i18n import Translator, gettext_noop
from alertd.notices import headline, surfaces
from alertd.notices.charts import alt_text
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.checklists.items import ITEMS
from alertd.notices.checklists.loading import Loaded, asks_loading, loading_items, missing_words
from alertd.notices.checklists.moments import Checklist, checklists, current_moments
from alertd.notices.model import Audience, Notice
from alertd.notices.next_action import ActionKind, NextAction, is_old, next_action
from alertd.notices.surfaces import to_slow_for
from alertd.notices.text import days_text, law_text, phrases, place_text
from alertd.notices.text import driver_parts as spoken
from alertd.notices.triggers.escalation import newest
from alertd.notices.triggers.scheduled import ChainStatus
from alertd.notices.upheld import upheld_words
from alertd.plan.chain_up.chains_on import CLOCKS_APART, Report, TruckReport, chains_on
from alertd.plan.chain_up.hanging import LASTS
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import StopChoice
from alertd.planning.planner import Planner
from alertd.planning.signed_links import DRIVER, VALID_AFTER_TRIP, SignedLinks, Subjects
from alertd.records.driver_reports import load_reports, save_report
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.driver_reports import (
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    LOADED,
    READ,
    REMOVING_BEGUN,
    ROAD_SEEN,
    ReportRequest,
    parse_report,
)
from alertd.store.store import Store
from alertd.web.pages.base import HEADERS, SECRET_PATH, Pages, check_same_origin, form_of, svg
from alertd.web.pages.charts import ChartCache
from alertd.web.pages.law import law_values
from alertd.web.problems import ProblemError

DONE: Final = {
    READ: gettext_noop("Got it: your dispatcher sees that you have read this."),
    LOADED: gettext_noop("Noted: your dispatcher sees what is on board."),
    HANGING_BEGUN: gettext_noop("Noted: you hang chains. Report them on when they are tight."),
    CHAINS_ON: gettext_noop("Noted: chains are on."),
    REMOVING_BEGUN: gettext_noop("Noted: you take chains off. Report them off when they are stowed."),
    CHAINS_OFF: gettext_noop("Noted: chains are off."),
    ROAD_SEEN: gettext_noop("Noted. Dispatch sees it, and where the place is known so do the trucks behind you."),
}
_NO_WORK: Final = (READ, LOADED, ROAD_SEEN)  # reports that say nothing of chains on the tires
ROADS: Final = {
    "bare": gettext_noop("Bare"),
    "wet": gettext_noop("Wet"),
    "snow": gettext_noop("Snow"),
    "ice": gettext_noop("Ice"),
}


SOON: Final = timedelta(minutes=45)
FORECAST_OLD_H: Final = 3.0  # [A] from here on the age of the forecast is amber: newer ones come every hour or six


_HEADS: Final = {
    ActionKind.READY: gettext_noop("BE READY TO CHAIN"),
    ActionKind.HOLD: gettext_noop("HOLD"),
    ActionKind.SLOW: gettext_noop("SLOW DOWN: WINTER ROAD"),
    ActionKind.TAKE_OFF: gettext_noop("STAY CHAINED UNTIL"),  # never "chains off" first while there is snow ahead
    ActionKind.ARRIVED: gettext_noop("ARRIVED, by the plan"),
}


def heading(plan: Plan, step: NextAction, now_utc: datetime, translator: Translator) -> str:
    """The largest words of the page. `plan`: the plan of the next action."""
    if plan.arrived_at is not None:
        return translator.gettext("ARRIVED")
    if step.step is ActionKind.HANG:
        if step.stretch is not None and step.stretch.chained:
            return translator.gettext("ADD CHAINS")
        return translator.gettext("CHAIN UP") if step.at - now_utc <= SOON else translator.gettext("PLAN TO CHAIN")
    if step.step is ActionKind.SLOW and surfaces.is_wind_only(plan):
        return translator.gettext("SLOW DOWN: WIND OR SIGHT")
    if step.surface is not None and step.surface.icy:
        return translator.gettext("ICE: SLOW DOWN")
    return (
        translator.gettext(_HEADS[step.step])
        if step.step in _HEADS
        else translator.gettext("No chains expected by this forecast")
    )


def warnings(plan: Plan, missed: str, now_utc: datetime, translator: Translator) -> list[str]:
    """Reasons why this page may be incomplete."""
    if plan.arrived_at is not None:
        return []
    out = []
    if is_old(plan, now_utc) or missed:
        age = phrases.age((now_utc - plan.made_at).total_seconds() / 3600.0, translator)
        out.append(
            translator.gettext(
                "This plan is {age} old and was not made again. Be ready to chain, whatever it says.", age=age
            )
        )
    if plan.partial:
        out.append(translator.gettext("Some of the forecast is old or missing. Be ready to chain."))
    if plan.singles_short:
        out.append(
            translator.gettext("SHORT OF CHAINS: {n} missing. Tell dispatch before you go.", n=plan.singles_short)
        )
    return out


def template_functions(translator: Translator) -> dict[str, Any]:
    """Functions of the page's template by name. english: the page uses the language of the plans' own sentences."""
    english = translator.language == "en"
    tires = partial(spoken.tires, translator=translator)
    return {
        "english": english,
        "count": translator.ngettext,
        "likely": partial(phrases.likely, translator=translator),
        "held_until": partial(phrases.held_until, translator=translator),
        "why_held": partial(spoken.why_held, translator=translator),
        "reason": partial(headline.reason, translator=translator),
        "place_words": partial(spoken.place_words, translator=translator),
        "snow_depth": partial(phrases.snow_depth, translator=translator),
        "may_be_white": partial(phrases.may_be_white, translator=translator),
        "age": partial(phrases.age, translator=translator),
        "day_clock": partial(phrases.day_clock, translator=translator),
        "surface": partial(spoken.surface, translator=translator),
        "mark": partial(place_text.mark, translator=translator),
        "surface_odds": partial(spoken.surface_odds, translator=translator),
        "forecast_age": partial(phrases.forecast_age, translator=translator),
        "speed": partial(spoken.speed, translator=translator),
        "span": partial(surfaces.span, translator=translator),
        "hours": surfaces.hours,
        "distance": AxisUnits(metric=translator.metric).distance,
        "tires": tires,
        "tires_long": (lambda stretch: stretch.tires_words) if english else tires,
        "rests": partial(days_text.rest_and_outlook_lines, translator=translator),
        "begun": _capitalized,
    }


def _capitalized(text: str) -> str:
    """Capitalizes the first letter; the rest, such as a time zone, is unchanged."""
    return text[:1].upper() + text[1:]


ICONS: Final = {
    ActionKind.HANG: "C",
    ActionKind.READY: "R",
    ActionKind.HOLD: "H",
    ActionKind.SLOW: "S",
    ActionKind.TAKE_OFF: "ON",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedChains:
    """Reported chain state of a trip, since when work on chains goes on, and when each of its messages was read."""

    status: ChainStatus
    off_at: datetime | None
    hanging_at: datetime | None = None
    removing_at: datetime | None = None
    loaded: Loaded | None = None
    road_seen: ReportRequest | None = None
    read_at: dict[str, datetime]


def chains_of(reports: Sequence[ReportRequest], now_utc: datetime) -> ReportedChains:
    taps = [TruckReport(at=r.happened_at, what=Report(r.what)) for r in reports if r.what in (CHAINS_ON, CHAINS_OFF)]
    on = chains_on(taps, now_utc)
    work = [r for r in reports if r.what not in _NO_WORK and r.happened_at <= now_utc + CLOCKS_APART]
    newest_work = max(work, key=lambda r: r.happened_at, default=None)
    begun: dict[str, datetime] = {
        r.what: r.happened_at for r in work if r is newest_work and now_utc - r.happened_at <= LASTS
    }
    gone_through = [Loaded(at=r.happened_at, missing=tuple(r.missing)) for r in reports if r.what == LOADED]
    offs = [t.at for t in taps if t.what is Report.CHAINS_OFF and t.at <= now_utc + CLOCKS_APART]
    read = sorted((r.happened_at, r.notice_id) for r in reports if r.what == READ)
    return ReportedChains(
        status=ChainStatus(on_at=None if on is None else on.since),
        off_at=max(offs, default=None) if on is None else None,
        hanging_at=begun.get(HANGING_BEGUN),
        removing_at=begun.get(REMOVING_BEGUN),
        loaded=max(gone_through, key=lambda x: x.at, default=None),
        road_seen=max((r for r in reports if r.what == ROAD_SEEN), key=lambda r: r.happened_at, default=None),
        read_at={notice_id: at for at, notice_id in read if at <= now_utc + CLOCKS_APART},
    )


class DriverPage:
    """Routes of one trip's driver: the page, its charts, and the taps."""

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
        router.add_api_route("/{token}/{name}.svg", self._picture, methods=["GET"])
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
            values["said"] = await _road_description(self._planner, trip, values["plan"])
        stands = {READ: values["read_at"], CHAINS_ON: values["on_at"], CHAINS_OFF: values["off_at"]}
        stands |= {LOADED: values["loaded"], HANGING_BEGUN: values["hanging_at"], REMOVING_BEGUN: values["removing_at"]}
        stands[ROAD_SEEN] = values["road_seen"]
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

    async def _picture(self, token: str, name: str) -> Response:
        trip = await self._trip_of(token)
        plan = await asyncio.to_thread(self._planner.latest.plan, self._store, trip.id)
        drawn = None if plan is None else await self._charts.svg(plan, trip, name, wide=False)
        if drawn is None:
            raise ProblemError(404, "no such picture", name)
        return svg(drawn, SECRET_PATH)


def save_tap(store: Store, trip_id: str, form: dict[str, str], now_utc: datetime) -> str:
    """Save what a button reports; the same tap again changes nothing. Raises InputError.

    `at` comes with a tap that waited for a network connection; a time in the future counts as now.
    """
    what = form.get("what", "")
    row: dict[str, Any] = {"what": what, "at": now_utc.isoformat()}
    if form.get("at"):
        row["at"] = form["at"]
    if what == READ:
        row["notice_id"] = form.get("notice", "")
    elif what == LOADED:
        row["missing"] = [] if form.get("all") else [item for item in ITEMS if not form.get(f"have_{item}")]
    elif what == ROAD_SEEN:
        row |= {"road": form.get("road", ""), "place": form.get("place", "")[:80]}
    elif form.get("place"):
        row["place"] = form["place"][:80]
    request = parse_report(row, "page")
    if request.happened_at > now_utc + CLOCKS_APART:
        request = request.model_copy(update={"at": now_utc.astimezone(UTC).isoformat()})
    if what == READ:
        if all(n.id != request.notice_id for n in store.notices(trip_id)):
            raise InputError("page", "notice", "is not a message of this trip", "load the page again")
        save_report(store, trip_id, request)
        return what
    if what in (LOADED, ROAD_SEEN):
        save_report(store, trip_id, request)
        return what
    before = [
        r for r in load_reports(store, trip_id) if r.what not in _NO_WORK and r.happened_at <= request.happened_at
    ]
    if not before or before[-1].what != what:
        save_report(store, trip_id, request)
    return what


def driver_values(
    planner: Planner, store: Store, trip: TripRequest, now_utc: datetime, translator: Translator
) -> dict[str, Any]:
    """Values of the driver's page of a trip now."""
    plan = planner.latest.plan(store, trip.id)
    missed = planner.latest.missed.get(trip.id, "")
    chains = chains_of(load_reports(store, trip.id), now_utc)
    mine = [n for n in store.notices(trip.id) if n.audience is Audience.DRIVER]
    last = newest(mine)
    values: dict[str, Any] = {
        "trip": trip,
        "plan": plan,
        "missed": missed,
        "now": now_utc,
        "zone": plan.depart_zone if plan else planner.settings.brief_zone,
        "fleet": planner.settings.fleet,
        "message": last,
        "read_at": _read_at(mine, last, chains),
        "on_at": chains.status.on_at,
        "off_at": chains.off_at,
        "hanging_at": chains.hanging_at,
        "removing_at": chains.removing_at,
        "loaded": chains.loaded,
        "road_seen": chains.road_seen,
        "roads": ROADS,
        "summits": _summits(planner, trip),
        "missing": missing_words(chains.loaded.missing, translator) if chains.loaded else "",
        "said": (),
        **template_functions(translator),
    }
    if plan is None:
        return values
    step = next_action(plan, chains.status, chains.off_at, now_utc, translator)
    older_h = (now_utc - plan.made_at).total_seconds() / 3600.0
    return values | {
        "step": step,
        "icon": ICONS.get(step.step, ""),
        "head": translator.gettext("HANGING CHAINS")
        if chains.hanging_at and step.step is ActionKind.HANG
        else heading(plan, step, now_utc, translator),
        "loading": loading_items(plan, translator) if asks_loading(plan) else (),
        "checklists": _checklists(plan, chains, now_utc, translator),
        "warn": [
            *(upheld_words(row, plan, now_utc, translator) for row in planner.latest.upheld(plan)),
            *warnings(plan, missed, now_utc, translator),
        ],
        "later": [s for n, s in enumerate(plan.stretches, 1) if n != step.number and s.chain_up.arrive_at > step.at],
        "icy": to_slow_for(plan),
        "grave_lines": headline.grave_lines(plan, translator),
        "road_lines": headline.road_lines(plan, translator),
        "arrival": headline.arrival(plan, translator),
        "wind_only": surfaces.is_wind_only(plan),
        "winter": [s for s in plan.surfaces if not s.icy],
        "place": step.stop.name if step.stop else "",
        "geo": geo(step.stop) if step.stop else "",
        "pictures": ("road", "map") if plan.along.distance_m else (),
        "older_h": older_h,
        "forecast_is_old": max((s.age_h + older_h for s in plan.sources), default=FORECAST_OLD_H) >= FORECAST_OLD_H,
        "met": [c for c in plan.closures if c.met],
        "strip": law_text.strip_lines(plan, translator),
        "grave_duties": law_text.grave_duties(plan),
        "other_duties": law_text.other_duties(plan),
        "posted": [p for p in plan.posted if p.enter_at is not None and p.enter_at > now_utc and p.believed_frac > 0],
    }


def _summits(planner: Planner, trip: TripRequest) -> tuple[str, ...]:
    """Names of the summits on a trip's road, in its order; none while the road is not read."""
    route = planner.known_route(trip.route)
    return () if route is None else tuple(dict.fromkeys(s.name for s in route.summits if s.name))


def _checklists(plan: Plan, chains: ReportedChains, now_utc: datetime, translator: Translator) -> tuple[Checklist, ...]:
    """The lists of the work with chains, those of this moment first; only the loading list where none is needed."""
    if plan.arrived_at is not None:
        return ()
    leaves = plan.position is None and now_utc < plan.depart_at
    current = current_moments(
        leaves=leaves and asks_loading(plan),
        hanging=chains.hanging_at is not None,
        removing=chains.removing_at is not None,
        chained=chains.status.on_at is not None,
        needs_chains=any(s.leave_at > now_utc for s in plan.stretches),
    )
    return checklists(current, [words for _, words in loading_items(plan, translator)], translator)


def geo(stop: StopChoice) -> str:
    """A URI that opens the reader's own map (RFC 5870)."""
    at = f"{stop.lat_deg:.5f},{stop.lon_deg:.5f}"
    return f"geo:{at}?q={at}({quote(phrases.stop_words(stop))})"


def _read_at(mine: Sequence[Notice], last: Notice | None, chains: ReportedChains) -> datetime | None:
    """When the last message, or an equally recent one, was confirmed."""
    if last is None:
        return None
    return max((chains.read_at[n.id] for n in mine if n.id in chains.read_at and n.created_at >= last.created_at),
               default=None)  # fmt: skip


async def _road_description(planner: Planner, trip: TripRequest, plan: Plan) -> tuple[str, ...]:
    """The elevation profile in sentences; empty when the route no longer exists."""
    if not plan.along.distance_m:
        return ()
    try:
        route = await planner.route(trip.route, f"trip {trip.id}")
    except AlertdError:
        return ()
    return await asyncio.to_thread(alt_text.profile_alt, plan, route, AxisUnits(metric=False))

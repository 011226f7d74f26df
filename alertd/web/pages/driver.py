"""The driver's page: what to do next, read when parked; one tap each for "Got it", "Chains on" and "Chains off".

A GET changes nothing, whoever follows the link first: mail scanners and link previews do. Reports are posted.
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
from alertd.i18n import Tongue, marked
from alertd.notices import surfaces
from alertd.notices.charts import alt_text
from alertd.notices.charts.axis_units import Measures
from alertd.notices.model import Audience, Notice
from alertd.notices.next_action import NextStep, Step, is_old, next_step
from alertd.notices.surfaces import to_slow_for
from alertd.notices.text import driver_parts, phrases
from alertd.notices.text import driver_parts as spoken
from alertd.notices.triggers.escalation import newest
from alertd.notices.triggers.scheduled import Chained
from alertd.notices.upheld import upheld_words
from alertd.plan.chain_up.chains_on import CLOCKS_APART, Report, TruckReport, chains_on
from alertd.plan.model import Plan, StopChoice
from alertd.planning.planner import Planner
from alertd.planning.signed_links import DRIVER, LIVES_ON, Links, Subjects
from alertd.records.driver_reports import keep_report, reports_of
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.driver_reports import CHAINS_OFF, CHAINS_ON, READ, ReportRequest, parse_report
from alertd.store.store import Store
from alertd.web.pages.base import HEADERS, SECRET_PATH, Pages, check_same_origin, form_of, svg
from alertd.web.pages.charts import Drawings
from alertd.web.problems import Refused

DONE: Final = {
    READ: marked("Got it: your dispatcher sees that you have read this."),
    CHAINS_ON: marked("Noted: chains are on."),
    CHAINS_OFF: marked("Noted: chains are off."),
}


SOON: Final = timedelta(minutes=45)


_HEADS: Final = {
    Step.READY: marked("BE READY TO CHAIN"),
    Step.HOLD: marked("HOLD"),
    Step.SLOW: marked("SLOW DOWN: WINTER ROAD"),
    Step.TAKE_OFF: marked("STAY CHAINED UNTIL"),  # never "chains off" on top while there is snow to drive
    Step.ARRIVED: marked("ARRIVED, by the plan"),
}


def head(plan: Plan, step: NextStep, now_utc: datetime, tongue: Tongue) -> str:
    """The words that stand largest. `plan`: whose next step it is."""
    if plan.arrived_at is not None:
        return tongue.say("ARRIVED")
    if step.step is Step.HANG:
        if step.stretch is not None and step.stretch.chained:
            return tongue.say("ADD CHAINS")
        return tongue.say("CHAIN UP") if step.at - now_utc <= SOON else tongue.say("PLAN TO CHAIN")
    if step.surface is not None and step.surface.icy:
        return tongue.say("ICE: SLOW DOWN")
    return tongue.say(_HEADS[step.step]) if step.step in _HEADS else tongue.say("No chains expected by this forecast")


def warnings(plan: Plan, missed: str, now_utc: datetime, tongue: Tongue) -> list[str]:
    """Why this page may say too little."""
    if plan.arrived_at is not None:
        return []
    out = []
    if is_old(plan, now_utc) or missed:
        age = phrases.age((now_utc - plan.made_at).total_seconds() / 3600.0, tongue)
        out.append(
            tongue.say("This plan is {age} old and was not made again. Be ready to chain, whatever it says.", age=age)
        )
    if plan.partial:
        out.append(tongue.say("Some of the forecast is old or missing. Be ready to chain."))
    if plan.singles_short:
        out.append(tongue.say("SHORT OF CHAINS: {n} missing. Tell dispatch before you go.", n=plan.singles_short))
    return out


def said_in(tongue: Tongue) -> dict[str, Any]:
    """The functions of the page's template by name. english: the page is in the language of plans' own sentences."""
    english = tongue.language == "en"
    tires = partial(spoken.tires, tongue=tongue)
    return {
        "english": english,
        "count": tongue.count,
        "likely": partial(phrases.likely, tongue=tongue),
        "held_until": partial(phrases.held_until, tongue=tongue),
        "why_held": partial(spoken.why_held, tongue=tongue),
        "place_words": partial(spoken.place_words, tongue=tongue),
        "snow_depth": partial(phrases.snow_depth, tongue=tongue),
        "age": partial(phrases.age, tongue=tongue),
        "day_clock": partial(phrases.day_clock, tongue=tongue),
        "surface": partial(spoken.surface, tongue=tongue),
        "speed": partial(spoken.speed, tongue=tongue),
        "span": partial(surfaces.span, tongue=tongue),
        "hours": surfaces.hours,
        "distance": Measures(metric=tongue.metric).distance,
        "tires": tires,
        "tires_long": (lambda stretch: stretch.tires_words) if english else tires,
        "checklist": driver_parts.at_the_place(tongue),
        "begun": _begun,
    }


def _begun(text: str) -> str:
    """As the beginning of a sentence; the rest, such as a time zone, keeps its letters."""
    return text[:1].upper() + text[1:]


ICONS: Final = {Step.HANG: "C", Step.READY: "R", Step.HOLD: "H", Step.SLOW: "S", Step.TAKE_OFF: "ON"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Chains:
    """What was reported of a trip's chains, and which of its messages were read when."""

    chained: Chained
    off_at: datetime | None
    read_at: dict[str, datetime]


def chains_of(reports: Sequence[ReportRequest], now_utc: datetime) -> Chains:
    taps = [TruckReport(at=r.happened_at, what=Report(r.what)) for r in reports if r.what in (CHAINS_ON, CHAINS_OFF)]
    on = chains_on(taps, now_utc)
    offs = [t.at for t in taps if t.what is Report.CHAINS_OFF and t.at <= now_utc + CLOCKS_APART]
    read = sorted((r.happened_at, r.notice_id) for r in reports if r.what == READ)
    return Chains(
        chained=Chained(on_at=None if on is None else on.since),
        off_at=max(offs, default=None) if on is None else None,
        read_at={notice_id: at for at, notice_id in read if at <= now_utc + CLOCKS_APART},
    )


class DriverPage:
    """The routes of one trip's driver: the page, its pictures, and the taps."""

    def __init__(
        self, planner: Planner, store: Store, clock: Clock, links: Links, pages: Pages, drawings: Drawings
    ) -> None:
        self._planner, self._store, self._clock = planner, store, clock
        self._links, self._pages, self._drawings = links, pages, drawings
        self._trips, self._renewing = Subjects(links, DRIVER, store.trip_ids), asyncio.Lock()

    def router(self) -> APIRouter:
        router = APIRouter(prefix="/d", include_in_schema=False)
        router.add_api_route("/{token}", self._show, methods=["GET", "HEAD"])
        router.add_api_route("/{token}", self._tap, methods=["POST"])
        router.add_api_route("/{token}/{name}.svg", self._picture, methods=["GET"])
        return router

    async def _trip_of(self, token: str) -> TripRequest:
        """The trip of a link. Raises Refused: 410 for one that has run out, 404 for any other that is no good.

        The store is read for a genuine token only: anybody can send what is none.
        """
        opened = self._trips.opened(token)
        if opened is None and self._trips.is_worth_renewing(token):
            async with self._renewing:  # one at a time; the others look at what it read
                if self._trips.is_worth_renewing(token):
                    await asyncio.to_thread(self._trips.renew)
            opened = self._trips.opened(token)
        if opened is not None and (
            opened.until <= self._clock() or await asyncio.to_thread(self._is_over, opened.subject)
        ):
            detail = marked("The trip is over. Ask dispatch for a new link.")
            raise Refused(410, marked("This link has run out"), detail)
        known = await asyncio.to_thread(self._store.trip, opened.subject) if opened is not None else None
        if known is None or known.cancelled:
            detail = marked("It is not whole, or its trip was cancelled. Ask dispatch.")
            raise Refused(404, marked("This link does not work"), detail)
        return parse_trip(json.loads(known.body), f"trip {known.id}")

    def _is_over(self, trip_id: str) -> bool:
        """Whether the truck arrived so long ago that nothing more is to be read or reported."""
        plan = self._planner.shown.plan(self._store, trip_id)
        return plan is not None and plan.arrived_at is not None and self._clock() >= plan.arrived_at + LIVES_ON

    def _tongue(self, language: str) -> Tongue:
        return self._planner.settings.languages.of(language).driver

    def _refused(self, title: str, detail: str, status: int, language: str = "") -> Response:
        """A page that says why not; `language` is "" while it is not known whose trip it is."""
        tongue = self._tongue(language)
        values = {"title": tongue.one(title), "detail": tongue.one(detail)}
        return self._pages.show("refused.html", values, language=tongue.language, status=status, headers=SECRET_PATH)

    async def _show(self, token: str, request: Request, done: str = "") -> Response:
        try:
            trip = await self._trip_of(token)
        except Refused as exc:
            return self._refused(exc.title, exc.detail, exc.status)
        tongue = self._tongue(trip.language)
        values = await asyncio.to_thread(driver_values, self._planner, self._store, trip, self._clock(), tongue)
        if values["plan"] is not None:
            values["said"] = await _said(self._planner, trip, values["plan"])
        stands = {READ: values["read_at"], CHAINS_ON: values["on_at"], CHAINS_OFF: values["off_at"]}
        values |= {"token": token, "done": tongue.say(DONE[done]) if stands.get(done) else ""}
        return self._pages.show("driver.html", values, language=tongue.language, headers=SECRET_PATH)

    async def _tap(self, token: str, request: Request) -> Response:
        check_same_origin(request, secret_path=True)
        form = await form_of(request)
        language = ""
        try:
            trip = await self._trip_of(token)
            language = trip.language
            what = await asyncio.to_thread(keep_tap, self._store, trip.id, form, self._clock())
        except Refused as exc:
            return self._refused(exc.title, exc.detail, exc.status)
        except InputError as exc:
            return self._refused(marked("Not noted"), str(exc), 422, language)
        headers = {**HEADERS, **SECRET_PATH}
        if "application/json" in request.headers.get("accept", ""):
            return JSONResponse({"said": self._tongue(language).say(DONE[what])}, headers=headers)
        return RedirectResponse(f"/d/{token}?done={what}", 303, headers=headers)

    async def _picture(self, token: str, name: str) -> Response:
        trip = await self._trip_of(token)
        plan = await asyncio.to_thread(self._planner.shown.plan, self._store, trip.id)
        drawn = None if plan is None else await self._drawings.svg(plan, trip, name, wide=False)
        if drawn is None:
            raise Refused(404, "no such picture", name)
        return svg(drawn, SECRET_PATH)


def keep_tap(store: Store, trip_id: str, form: dict[str, str], now_utc: datetime) -> str:
    """Keep what a button reports; the same tap again changes nothing. Raises InputError.

    `at` comes with one that waited for a network; what a device's clock puts into the future happened now.
    """
    what = form.get("what", "")
    row: dict[str, Any] = {"what": what, "at": now_utc.isoformat()}
    if form.get("at"):
        row["at"] = form["at"]
    if what == READ:
        row["notice_id"] = form.get("notice", "")
    elif form.get("place"):
        row["place"] = form["place"][:80]
    asked = parse_report(row, "page")
    if asked.happened_at > now_utc + CLOCKS_APART:
        asked = asked.model_copy(update={"at": now_utc.astimezone(UTC).isoformat()})
    if what == READ:
        if all(n.id != asked.notice_id for n in store.notices(trip_id)):
            raise InputError("page", "notice", "is not a message of this trip", "load the page again")
        keep_report(store, trip_id, asked)
        return what
    before = [r for r in reports_of(store, trip_id) if r.what != READ and r.happened_at <= asked.happened_at]
    if not before or before[-1].what != what:
        keep_report(store, trip_id, asked)
    return what


def driver_values(
    planner: Planner, store: Store, trip: TripRequest, now_utc: datetime, tongue: Tongue
) -> dict[str, Any]:
    """What the driver's page says of a trip now."""
    plan = planner.shown.plan(store, trip.id)
    missed = planner.shown.missed.get(trip.id, "")
    chains = chains_of(reports_of(store, trip.id), now_utc)
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
        "on_at": chains.chained.on_at,
        "off_at": chains.off_at,
        "said": (),
        **said_in(tongue),
    }
    if plan is None:
        return values
    step = next_step(plan, chains.chained, chains.off_at, now_utc, tongue)
    return values | {
        "step": step,
        "icon": ICONS.get(step.step, ""),
        "head": head(plan, step, now_utc, tongue),
        "warn": [
            *(upheld_words(row, plan, now_utc, tongue) for row in planner.shown.upheld(plan)),
            *warnings(plan, missed, now_utc, tongue),
        ],
        "later": [s for n, s in enumerate(plan.stretches, 1) if n != step.number and s.chain_up.arrive_at > step.at],
        "icy": to_slow_for(plan),
        "winter": [s for s in plan.surfaces if not s.icy],
        "place": step.stop.name if step.stop else "",
        "geo": geo(step.stop) if step.stop else "",
        "pictures": ("road", "map") if plan.along.distance_m else (),
        "older_h": (now_utc - plan.made_at).total_seconds() / 3600.0,
        "met": [c for c in plan.closures if c.met],
        "posted": [p for p in plan.posted if p.enter_at is not None and p.enter_at > now_utc and p.believed_frac > 0],
    }


def geo(stop: StopChoice) -> str:
    """Opens the reader's own map (RFC 5870)."""
    at = f"{stop.lat_deg:.5f},{stop.lon_deg:.5f}"
    return f"geo:{at}?q={at}({quote(phrases.stop_words(stop))})"


def _read_at(mine: Sequence[Notice], last: Notice | None, chains: Chains) -> datetime | None:
    """When the last message, or one as new, was confirmed."""
    if last is None:
        return None
    return max((chains.read_at[n.id] for n in mine if n.id in chains.read_at and n.created_at >= last.created_at),
               default=None)  # fmt: skip


async def _said(planner: Planner, trip: TripRequest, plan: Plan) -> tuple[str, ...]:
    """The picture of the road in sentences; none when the route is gone since."""
    if not plan.along.distance_m:
        return ()
    try:
        route = await planner.route(trip.route, f"trip {trip.id}")
    except AlertdError:
        return ()
    return await asyncio.to_thread(alt_text.strip_said, plan, route, Measures(metric=False))

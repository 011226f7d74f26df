"""The office's page of one trip: its whole plan, charts, notices and reports."""

import asyncio
import json
from datetime import datetime
from functools import partial
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from alertd.clock import Clock
from alertd.i18n import ENGLISH
from alertd.notices.charts.palette import ADVICE
from alertd.notices.checklists.loading import missing_words
from alertd.notices.headline import arrival, headlines
from alertd.notices.lane_words import lane_line
from alertd.notices.model import Audience
from alertd.notices.next_action import is_old
from alertd.notices.surfaces import office_lines
from alertd.notices.text import days_text, law_text, phrases
from alertd.notices.text.departures import departure_advice, departure_lines
from alertd.notices.text.driver_parts import surface
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Stretch, SurfaceStretch
from alertd.planning.planner import Planner
from alertd.planning.signed_links import SignedLinks
from alertd.records.driver_reports import load_reports
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.store.store import Store
from alertd.units import HOUR_S
from alertd.web.pages.base import Pages
from alertd.web.pages.charts import BOTH, ChartCache
from alertd.web.pages.driver_taps import FALLS, ROADS, chains_of
from alertd.web.pages.law import law_values
from alertd.web.pages.sign_in import BoardSession, go_to
from alertd.web.problems import ProblemError

MAX_NOTICES: Final = 30
MAX_LANE_CLASSES: Final = 5


def trip_router(
    planner: Planner,
    store: Store,
    clock: Clock,
    links: SignedLinks,
    pages: Pages,
    charts: ChartCache,
    session: BoardSession,
) -> APIRouter:
    router = APIRouter(prefix="/board", include_in_schema=False)

    def trip_of(trip_id: str) -> TripRequest:
        stored = store.trip(trip_id)
        if stored is None:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")
        return parse_trip(json.loads(stored.body), f"trip {trip_id}")

    @router.get("/trips/{trip_id}")
    async def trip_page(trip_id: str, request: Request) -> Response:
        if not session.signed_in(request):
            return go_to("/board/sign-in")
        trip = await asyncio.to_thread(trip_of, trip_id)
        values = await asyncio.to_thread(trip_values, planner, store, links, trip, clock())
        if values["plan"] is not None:
            pictures = await charts.of(values["plan"], trip, BOTH)
            values |= {"drawn": pictures.by_name, "in_words": pictures.words}
        return pages.render("trip.html", values)

    @router.get("/trips/{trip_id}/law")
    async def law_page(trip_id: str, request: Request) -> Response:
        if not session.signed_in(request):
            return go_to("/board/sign-in")
        trip = await asyncio.to_thread(trip_of, trip_id)
        plan = await asyncio.to_thread(planner.latest.plan, store, trip_id)
        values = law_values(plan, trip, planner.settings.fleet, clock(), ENGLISH)
        return pages.render("law.html", values | {"back": f"/board/trips/{trip_id}"})

    return router


def trip_values(
    planner: Planner, store: Store, links: SignedLinks, trip: TripRequest, now_utc: datetime
) -> dict[str, Any]:
    """Values of the page of one trip."""
    plan = planner.latest.plan(store, trip.id)
    reports = load_reports(store, trip.id)
    read_at = chains_of(reports, now_utc).read_at
    notices = store.notices(trip.id, (Audience.DRIVER, Audience.DISPATCHER))[-MAX_NOTICES:]
    values: dict[str, Any] = {
        "trip": trip,
        "plan": plan,
        "missed": planner.latest.missed.get(trip.id, ""),
        "now": now_utc,
        "zone": plan.depart_zone if plan else planner.settings.brief_zone,
        "fleet": planner.settings.fleet,
        "changed": planner.latest.changes.get(trip.id),
        "notices": [(n, read_at.get(n.id), store.outbox.of_notice(n.id)) for n in reversed(notices)],
        "reports": list(reversed(reports)),
        "missing_words": missing_words,
        "roads": ROADS,
        "falls": FALLS,
    }
    if plan is None:
        return values
    hours, zone = plan.hours, plan.arrive_zone
    return values | {
        "link": links.link_for(plan, now_utc),
        "old": is_old(plan, now_utc),
        "older_h": (now_utc - plan.made_at).total_seconds() / HOUR_S,
        "leaving": departure_lines(plan),
        "headlines": headlines(plan),
        "arrival": arrival(plan),
        "surfaces": office_lines(plan),
        "surface": partial(surface, translator=ENGLISH),
        "lane_classes": _lane_classes,
        "lane_share": _lane_share,
        "lane_line": lane_line,
        "strip": law_text.strip_lines(plan),
        "departures": _departures(plan),
        "hours_line": phrases.hours_line(hours, zone) if hours else "",
        "breaks": [
            *(phrases.break_lines(hours, zone) if hours else []),
            *days_text.rest_and_outlook_lines(plan),
            *(phrases.capital(x) for x in (*days_text.choice_lines(plan), *days_text.other_route_lines(plan))),
            *filter(None, [days_text.asks_line(plan)]),
            *days_text.not_placed_lines(plan),
        ],
    }


def _lane_classes(stretch: Stretch | SurfaceStretch) -> list[str]:
    """The classes that either lane meets, at most five, in the order of the plan."""
    both = (*stretch.untouched_surfaces, *stretch.serviced_surfaces)
    return list(dict.fromkeys(name for name, _ in both))[:MAX_LANE_CLASSES]


def _lane_share(surfaces: tuple[tuple[str, float], ...], name: str) -> float:
    return dict(surfaces).get(name, 0.0)


def _departures(plan: Plan) -> list[dict[str, Any]]:
    """The compared departure of each full hour, and the planned one."""
    out = []
    for d in plan.departures:
        planned = d.depart_at == plan.depart_at
        if planned or d.depart_at.timestamp() % HOUR_S == 0.0:
            advice = departure_advice(plan, d)
            out.append({"d": d, "tone": advice.value, "says": ADVICE[advice].name, "planned": planned})
    return out

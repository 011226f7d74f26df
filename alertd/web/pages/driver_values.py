"""The values of the driver's page: the next action of a trip now, and all that is shown below it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from urllib.parse import quote

from alertd.i18n import Translator
from alertd.notices import headline, surfaces
from alertd.notices.checklists.loading import asks_loading, loading_items, missing_words
from alertd.notices.checklists.moments import Checklist, checklists, current_moments
from alertd.notices.model import Audience, Notice
from alertd.notices.next_action import ActionKind, next_action
from alertd.notices.surfaces import to_slow_for
from alertd.notices.text import law_text, phrases
from alertd.notices.triggers.escalation import newest
from alertd.notices.upheld import upheld_words
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import StopChoice
from alertd.planning.planner import Planner
from alertd.records.driver_reports import load_reports
from alertd.sources.files.trips import TripRequest
from alertd.store.store import Store
from alertd.web.pages.driver_taps import FALLS, ROADS, ReportedChains, chains_of
from alertd.web.pages.driver_words import ICONS, heading, template_functions, warnings

FORECAST_OLD_H: Final = 3.0  # [A] from here on the age of the forecast is amber: newer ones come every hour or six


def driver_values(
    planner: Planner, store: Store, trip: TripRequest, now_utc: datetime, translator: Translator
) -> dict[str, Any]:
    """Values of the driver's page of a trip now."""
    plan = planner.latest.plan(store, trip.id)
    missed = planner.latest.missed.get(trip.id, "")
    chains = chains_of(load_reports(store, trip.id), now_utc)
    mine = store.notices(trip.id, (Audience.DRIVER,))
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
        "falls_seen": chains.falls_seen,
        "roads": ROADS,
        "falls": FALLS,
        "summits": _summits(planner, trip),
        "missing": missing_words(chains.loaded.missing, translator) if chains.loaded else "",
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

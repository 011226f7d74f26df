"""Composes the current morning brief of the trips file; stores and sends nothing."""

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from alertd.clock import Clock
from alertd.errors import ConfigError, InputError
from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_html import brief_page
from alertd.notices.reports.brief_text import text_of
from alertd.plan.model.plan import Plan
from alertd.planning.corridors.job import NotPlanned
from alertd.planning.one_off import load_daemon_state
from alertd.planning.planner import create_planner
from alertd.settings.model import Settings
from alertd.settings.route_zones import RouteZones
from alertd.sources.files.trips import read_trips_file


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentBrief:
    """A brief as text. `page`: the same as HTML, "" when not requested."""

    text: str
    partial: bool
    origin_note: str
    page: str = ""


async def current_brief(settings: Settings, clock: Clock, *, page: bool = False) -> CurrentBrief:
    """Plan every trip of the trips file that departs within the look-ahead and compose the brief.

    Raises ConfigError when no trips file is set.
    """
    if settings.trips is None:
        raise ConfigError(str(settings.where), "daemon.trips", "no trips file is set", 'write e.g. trips = "trips.csv"')
    now = clock()
    ends = now + timedelta(hours=settings.look_ahead_h)
    file = read_trips_file(settings.trips, RouteZones(settings.places.routes))
    trips = [t for t in file.trips if now < t.depart_at <= ends]
    bad = [(f"{settings.trips.name} {row.label}", str(row.mistake)) for row in file.bad]
    async with create_planner(settings, clock) as planning:
        known = await load_daemon_state(planning, now)
        outcomes = await planning.plan(trips, now, road_reports=known.road_reports)
        plans = [o for o in outcomes if isinstance(o, Plan)]
    missed = [*bad, *((o.trip.id, o.reason) for o in outcomes if isinstance(o, NotPlanned))]
    brief = compile_brief(
        BriefInput(
            fleet=settings.fleet,
            plans=plans,
            not_planned=missed,
            now=now,
            zone=settings.brief_zone,
            before=known.last_brief,
            loaded=known.loaded,
        )
    )
    return CurrentBrief(
        text=text_of(brief),
        partial=bool(missed) or any(p.partial for p in plans),
        origin_note=known.origin_note,
        page=brief_page(brief) if page else "",
    )


def write_page(page: str, html: Path | None, pdf: Path | None) -> None:
    """Write the page to the HTML and PDF files requested. Raises InputError when a file cannot be written."""
    for option, file, content in (("--html", html, page.encode()), ("--pdf", pdf, b"")):
        if file is not None:
            try:
                file.write_bytes(_pdf(page) if option == "--pdf" else content)
            except OSError as exc:
                raise InputError(option, "", f"{file} cannot be written ({exc.strerror})", "name another file") from exc


def _pdf(page: str) -> bytes:
    try:
        from weasyprint import HTML, URLFetcher  # takes a second to import, and needs Pango on the machine
    except (ImportError, OSError) as exc:
        raise InputError(
            "--pdf",
            "",
            f"the library that makes PDF cannot be used ({str(exc).splitlines()[0]})",
            "pip install weasyprint and the system's Pango, or print the page of --html",
        ) from exc
    # Only embedded data: a name in a trip must not make this machine read a file or contact a host.
    return bytes(HTML(string=page, url_fetcher=URLFetcher(allowed_protocols=("data",))).write_pdf())

"""Renders and stores the brief's HTML and images once, so that every attempt sends the same bytes."""

import asyncio
import base64
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.email_content import Attachment, EmailContent
from alertd.errors import StoreError
from alertd.notices.model import Notice
from alertd.notices.reports.brief_html import MAX_DRAWN, WIDTH_PX, InlineImage, brief_page, trips_needing_action
from alertd.plan.model.plan import Plan
from alertd.planning.planner import Planner
from alertd.records.brief_content import BRIEF_CONTENTS, BriefContent, BriefImage, load_brief_content, notice_hash
from alertd.sources.files.trips import parse_trip
from alertd.store.store import Store

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadImage:
    """A road profile as PNG, with its alt text."""

    png: bytes
    alt_text: str


async def draw_roads(planner: Planner, plans: Sequence[Plan], route_of: Mapping[str, str]) -> dict[str, RoadImage]:
    """Road images of the first trips that need action, by trip. `route_of`: the route file of each trip."""
    from alertd.notices.charts.canvas import View  # importing matplotlib takes half a second
    from alertd.notices.charts.elevation_profile import draw_profile

    out = {}
    for plan in trips_needing_action(plans)[:MAX_DRAWN]:
        route = await planner.route(route_of[plan.trip_id], f"trip {plan.trip_id}")
        picture = await asyncio.to_thread(draw_profile, plan, route, View(width_px=WIDTH_PX))
        out[plan.trip_id] = RoadImage(
            png=await asyncio.to_thread(picture.small_png), alt_text=" ".join(picture.alt_text)
        )
    return out


def page_for_file(
    fleet: str,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now: datetime,
    zone: str,
    drawn: Mapping[str, RoadImage],
) -> str:
    """The brief as one HTML page with embedded images."""
    shown = {
        trip: InlineImage(src=f"data:image/png;base64,{base64.b64encode(d.png).decode()}", alt=d.alt_text)
        for trip, d in drawn.items()
    }
    return brief_page(fleet, plans, not_planned, now, zone, shown)


async def save_content(
    planner: Planner,
    store: Store,
    notice: Notice,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now_utc: datetime,
) -> None:
    """Render the brief of a notice and store it under a hash of the notice's body, before the notice is stored.

    A stored brief therefore always has its content, and a brief decided again after a crash has its own. After an
    internal rendering error the brief is sent as text. Raises StoreError.
    """
    try:
        content = await _build_content(planner, store, notice, plans, not_planned, now_utc)
    except StoreError:
        raise
    except Exception:
        log.exception("brief is sent as text only: internal error")
        return
    await asyncio.to_thread(BRIEF_CONTENTS.save, store, content, now_utc)


async def _build_content(
    planner: Planner,
    store: Store,
    notice: Notice,
    plans: Sequence[Plan],
    not_planned: Sequence[tuple[str, str]],
    now_utc: datetime,
) -> BriefContent:
    route_of = await asyncio.to_thread(_routes, store, plans)
    drawn = await draw_roads(planner, plans, route_of)
    cids = {trip: f"road-{n}@alertd.invalid" for n, trip in enumerate(drawn, 1)}
    shown = {trip: InlineImage(src=f"cid:{cids[trip]}", alt=d.alt_text) for trip, d in drawn.items()}
    settings, lines = planner.settings, planner.latest.upheld_lines(plans, now_utc)
    return BriefContent(
        notice_hash=notice_hash(notice.body),
        html=brief_page(settings.fleet, plans, not_planned, now_utc, settings.brief_zone, shown, lines),
        images=tuple(BriefImage(cid=cids[trip], filename=f"{trip}.png", png=d.png) for trip, d in drawn.items()),
    )


def content_loader(store: Store) -> Callable[[OutgoingNotice], EmailContent]:
    """Returns the email content of a notice: the stored content of a brief, empty content otherwise."""

    def load_content(outgoing: OutgoingNotice) -> EmailContent:
        if outgoing.kind != "brief":
            return EmailContent()
        stored = load_brief_content(store, outgoing.body)
        if stored is None:
            return EmailContent()
        attachments = tuple(
            Attachment(filename=i.filename, media_type="image/png", content=i.png, content_id=i.cid)
            for i in stored.images
        )
        return EmailContent(html=stored.html, attachments=attachments)

    return load_content


def _routes(store: Store, plans: Sequence[Plan]) -> dict[str, str]:
    trips = {trip.id: trip.body for trip in store.trips()}
    return {p.trip_id: parse_trip(json.loads(trips[p.trip_id]), f"trip {p.trip_id}").route for p in plans}

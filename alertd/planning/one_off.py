"""The daemon's closures and posted controls, and the feeds, for a plan made on the command line."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from alertd.errors import StoreError
from alertd.plan.controls.placement import FeedNote
from alertd.planning.planner import Planner
from alertd.planning.road_reports import RoadReports, named_places
from alertd.records.posted_controls import collect_posted

if TYPE_CHECKING:
    from alertd.notices.checklists.loading import Loaded
    from alertd.notices.reports.brief_changes import BriefState


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonState:
    """road_reports: as a cycle would plan with. origin_note: their origin in words. last_brief: None without one.
    loaded: by trip id, what drivers reported of their loading lists.
    """

    road_reports: RoadReports
    origin_note: str
    last_brief: "BriefState | None" = None
    loaded: "Mapping[str, Loaded]" = field(default_factory=dict)


async def load_daemon_state(planner: Planner, now_utc: datetime) -> DaemonState:
    """Read the daemon's store if there is one, and ask the feeds. Nothing is written there.

    A store that cannot be read prevents no plan; the plan says so.
    """
    place = planner.settings.store
    feeds = tuple(f.name for f in planner.feeds.feeds) if planner.feeds is not None else ()
    if isinstance(place, Path) and not await asyncio.to_thread(place.is_file):
        posted = await collect_posted(planner.feeds, planner.reference, None, now_utc, record=False)
        return DaemonState(road_reports=RoadReports(controls=posted), origin_note=_origin_note("", feeds))
    try:
        # A plan without a store needs no database library, and nothing that reads one.
        from alertd.records.brief_states import last_state
        from alertd.records.closures import active_closures
        from alertd.records.driver_reports import loaded_by_trip, roads_seen
        from alertd.store.store import Store

        store = await asyncio.to_thread(Store, place)
        try:
            closures = await asyncio.to_thread(lambda: tuple(c.to_core() for c in active_closures(store, now_utc)))
            posted = await collect_posted(planner.feeds, planner.reference, store, now_utc, record=False)
            before = await asyncio.to_thread(last_state, store, now_utc)
            seen = await asyncio.to_thread(roads_seen, store, named_places(planner.reference), now_utc)
            loaded = await asyncio.to_thread(loaded_by_trip, store, now_utc)
        finally:
            await asyncio.to_thread(store.close)
    except StoreError as exc:
        posted = await collect_posted(planner.feeds, planner.reference, None, now_utc, record=False)
        text = f"Closures and posted controls of the daemon are not known ({exc})"
        missing = (*posted.missing, FeedNote(jurisdiction="", text=text))
        return DaemonState(
            road_reports=RoadReports(controls=replace(posted, missing=missing)),
            origin_note=_origin_note("store not read", feeds),
        )
    counted = f"{_n(len(closures), 'closure')} and {_n(len(posted.controls), 'posted control')}"
    return DaemonState(
        road_reports=RoadReports(closures=closures, controls=posted, seen=seen),
        origin_note=_origin_note(f"{counted}, with the daemon's store {place}", feeds),
        last_brief=before,
        loaded=loaded,
    )


def _n(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _origin_note(store: str, feeds: Sequence[str]) -> str:
    """What was asked; "" where there is neither a store nor a feed."""
    asked = ", ".join(filter(None, (store, *(f"feed {name}" for name in feeds))))
    return f"planned with {asked}" if asked else ""

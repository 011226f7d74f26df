"""One planning cycle: plans due trips road by road, and records each road as soon as it is planned."""

import asyncio
import json
import logging
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import aclosing
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from alertd.errors import InputError
from alertd.local_time import local_to_utc
from alertd.notices.checklists.loading import Loaded
from alertd.notices.formats.webhook_event import brief_event
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.reports.brief import Brief, BriefInput, compile_brief
from alertd.notices.reports.brief_changes import BriefState, state_of
from alertd.notices.reports.brief_text import text_of
from alertd.notices.sent_state import facts_from_plain
from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.cycle_caches import clear_cycle_caches
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import canonical
from alertd.planning.corridors.job import NotPlanned, Reports
from alertd.planning.cycles.held_plan import HeldPlan, HeldPlans
from alertd.planning.cycles.turns import PlanningMode
from alertd.planning.planner import Planner
from alertd.planning.road_reports import RoadReports, named_places
from alertd.planning.stations import gather_observations
from alertd.records.brief_states import BRIEF_STATES, last_state
from alertd.records.closures import active_closures
from alertd.records.driver_reports import loaded_by_trip, roads_seen, truck_reports
from alertd.records.positions import POSITIONS, is_reporting, load_positions
from alertd.records.posted_controls import collect_posted
from alertd.service.brief_email import save_content
from alertd.service.recording.plan_recorder import PlanRecorder, SentStates, not_planned_notice, recently_notified
from alertd.service.scheduled_notices import ActiveTrip
from alertd.service.trip_import.import_file import TripsImport, import_trips_file
from alertd.settings.route_zones import RouteZones
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.store.rows import Slot
from alertd.store.store import Store

log = logging.getLogger(__name__)

FINISHED_AFTER = timedelta(hours=24)  # a trip that left longer ago is over, unless its truck still reports
FINISHED_AT_LATEST = timedelta(days=4)  # upper limit, also for a truck that reports
BRIEF_GRACE = timedelta(hours=4)  # a daemon that was down still sends the brief within this time


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleOutcome:
    """plans: as shown to people, see `notices.upheld`, without their other departures, see `HeldPlan`."""

    plans: Sequence[Plan]
    not_planned: tuple[NotPlanned, ...]
    new_notices: tuple[str, ...]
    active: tuple[ActiveTrip, ...] = ()
    unread: tuple[tuple[str, str], ...] = ()  # (file, reason) of a trips file that could not be read


def load_trip_file(planner: Planner, store: Store, now_utc: datetime) -> tuple[tuple[str, str], ...]:
    """Import the configured trips file; returns what could not be read, with reasons. Stored trips stay."""
    path = planner.settings.trips
    if path is None:
        return ()
    settings = planner.settings
    ask = TripsImport(
        path=path,
        targets=settings.targets,
        zone_of=RouteZones(settings.places.routes),
        cancel=settings.cancel_vanished_trips,
    )
    unread, ignored = import_trips_file(ask, store, now_utc)
    planner.latest.ignore_columns(path, ignored)
    return unread


def due_trips(
    store: Store,
    now_utc: datetime,
    look_ahead: timedelta,
    unread: list[tuple[str, str]] | None = None,
    known: Collection[str] = (),
    parsed: dict[str, tuple[str, TripRequest]] | None = None,
) -> list[TripRequest]:
    """Trips that leave soon enough to plan and are not over. Unreadable stored trips are appended to `unread`.

    known: ids of trips to leave out. parsed: by id, trips of earlier calls with their stored texts. A text that is
    stored again is not parsed again; those of the due trips are left in it.
    """
    out, before = [], dict(parsed or {})
    if parsed is not None and not known:
        parsed.clear()
    for stored in store.trips():
        if stored.id in known:
            continue
        try:
            text, trip = before.get(stored.id, ("", None))
            if trip is None or text != stored.body:
                trip = parse_trip(json.loads(stored.body), f"trip {stored.id}")
        except InputError as exc:  # stored by another version with wider rules
            log.error("not planned: %s", exc)
            if unread is not None:
                unread.append((stored.id, str(exc)))
            continue
        left = now_utc - trip.depart_at
        if -look_ahead <= left <= FINISHED_AFTER or (
            FINISHED_AFTER < left <= FINISHED_AT_LATEST and is_reporting(store, trip.id, now_utc)
        ):
            out.append(trip)
            if parsed is not None:
                parsed[trip.id] = stored.body, trip
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class OnRecorded:
    """Who else deals with the active trips. turn: held while a road is recorded; take: gets what was recorded."""

    turn: asyncio.Lock
    take: Callable[[Sequence[ActiveTrip]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class DueTrips:
    """The trips that a cycle plans, and what it plans them with. sent: what was sent about each, by trip id."""

    now_utc: datetime
    trips: tuple[TripRequest, ...]
    reports: Reports
    on_roads: RoadReports
    sent: SentStates
    unread: tuple[tuple[str, str], ...]


async def run_cycle(
    planner: Planner,
    store: Store,
    now_utc: datetime,
    on_recorded: OnRecorded | None = None,
    *,
    may_ease: Callable[[], bool] = lambda: True,
) -> CycleOutcome:
    """Plan every due trip, and record each plan together with its notices. Raises StoreError.

    may_ease: returns False while the clock is in doubt; relief then waits.
    """
    due = await read_due_trips(planner, store, now_utc)
    outcome = await plan_and_record(planner, store, due, on_recorded, may_ease)
    await observe_roads(planner, store, due)  # last, so that no plan waits for it
    return outcome


async def read_due_trips(
    planner: Planner, store: Store, now_utc: datetime, known: Collection[str] | None = None
) -> DueTrips:
    """The due trips, with the reports about them and their roads. Asks the feeds. Raises StoreError.

    known: ids of trips to leave out; the trips file is then not read either. None reads all.
    """
    unread = () if known is not None else await asyncio.to_thread(load_trip_file, planner, store, now_utc)
    look_ahead = timedelta(hours=planner.settings.look_ahead_h)
    unknown: list[tuple[str, str]] = []
    trips = await asyncio.to_thread(due_trips, store, now_utc, look_ahead, unknown, known or (), planner.kept.parsed)
    for trip_id, why in unknown:
        await asyncio.to_thread(
            store.record_notices, [not_planned_notice(trip_id, "", why, now_utc)], planner.settings.targets, now_utc
        )
    unread = (*unread, *unknown)
    sent = await asyncio.to_thread(lambda: store.sent_states([trip.id for trip in trips], only=known is None))
    reports = await asyncio.to_thread(_reports, store, trips, sent, now_utc)
    closures = await asyncio.to_thread(lambda: tuple(closure.to_core() for closure in active_closures(store, now_utc)))
    controls = await collect_posted(planner.feeds, planner.reference, store, now_utc, record=True)
    seen = await asyncio.to_thread(roads_seen, store, named_places(planner.reference), now_utc)
    on_roads = RoadReports(closures=closures, controls=controls, seen=seen)
    return DueTrips(now_utc=now_utc, trips=tuple(trips), reports=reports, on_roads=on_roads, sent=sent, unread=unread)


async def plan_and_record(
    planner: Planner,
    store: Store,
    due: DueTrips,
    on_recorded: OnRecorded | None = None,
    may_ease: Callable[[], bool] = lambda: True,
    *,
    urgent: bool = False,
) -> CycleOutcome:
    """Plan road by road, and record each road's plans as soon as they are made. Raises StoreError.

    urgent: these trips are a few new ones beside those that a cycle plans; it goes on meanwhile.

    The trips come in the order of the next moment that matters to their drivers, and new trips before all others.
    """
    now_utc = due.now_utc
    notified_at = await asyncio.to_thread(recently_notified, store, due.trips, now_utc)
    recorder = PlanRecorder(
        planner=planner,
        store=store,
        now_utc=now_utc,
        reports=due.reports,
        sent=due.sent,
        notified_at=notified_at,
        may_ease=may_ease,
    )
    turns = sorted(due.trips, key=lambda trip: turn_of(trip, planner.latest.held(trip.id), now_utc))
    new = {trip.id for trip in turns if trip.id not in due.sent} if due.sent else set[str]()
    if not urgent:
        planner.kept.retain({trip.id for trip in turns})

    async def plan(trips: Sequence[TripRequest], mode: PlanningMode) -> None:
        async with aclosing(planner.plan_in_turn(trips, now_utc, due.reports, due.on_roads, new, mode)) as groups:
            async for group in groups:
                if on_recorded is None:
                    await asyncio.to_thread(recorder.record, group)
                else:
                    async with on_recorded.turn:
                        on_recorded.take(await asyncio.to_thread(recorder.record, group))

    await plan(turns, PlanningMode(keep=recorder.is_unchanged, urgent=urgent, basis_of=recorder.basis_of))
    if recorder.again:  # what other trips were sent meanwhile leaves something to send
        await plan(tuple(recorder.again), PlanningMode(urgent=urgent, basis_of=recorder.basis_of))
    done = [recorder.active[trip.id] for trip in due.trips if trip.id in recorder.active]
    outcome = CycleOutcome(
        plans=HeldPlans([one.held for one in done]),
        not_planned=tuple(recorder.failed),
        new_notices=tuple(recorder.new_notices),
        unread=due.unread,
        active=tuple(done),
    )
    missed = [(m.trip.id, m.reason) for m in recorder.failed]
    unread = None if urgent else due.unread
    planner.latest.update([one.held for one in done], missed, unread, now_utc, changed=recorder.changes)
    if not urgent:
        clear_cycle_caches()
    return outcome


def turn_of(trip: TripRequest, plan: HeldPlan | None, now_utc: datetime) -> tuple[bool, datetime]:
    """The place of a trip in a cycle. plan: its last one.

    A trip without a plan comes first; then the next moment of a trip decides: its departure, the place to chain up, a
    stretch or a closure ahead. A truck that should have left by its plan is looked at as if under way.
    """
    if plan is None:
        return False, trip.depart_at
    later = plan.next_moment(now_utc)
    moments = [trip.depart_at, *([] if later is None else [later])]
    return True, min((at for at in moments if at >= now_utc), default=now_utc)


async def observe_roads(planner: Planner, store: Store, planned: DueTrips) -> None:
    """Record reports of stations near the roads of the trips, for scoring."""
    if planner.weather_sources.observer is not None:
        routes = [name for trip in planned.trips for name in (trip.route, *trip.other_routes)]
        await gather_observations(planner.weather_sources.observer, planner.route, routes, store, planned.now_utc)


def _reports(store: Store, trips: Sequence[TripRequest], sent: SentStates, now_utc: datetime) -> Reports:
    by_truck = truck_reports(store, {trip.id for trip in trips}, now_utc)
    placed = store.trip_events.trips_with(POSITIONS.kind)
    return {
        trip.id: (
            *(load_positions(store, trip.id) if trip.id in placed else ()),
            *by_truck.get(trip.id, ()),
            *_sent_places(sent.get(trip.id), now_utc),
        )
        for trip in trips
    }


def _sent_places(sent: Mapping[str, Any] | None, now_utc: datetime) -> list[TruckReport]:
    """The listed stops last sent to the driver to chain at or to be ready at."""
    return [
        TruckReport(at=fact.sent_at or now_utc, what=Report.SENT_PLACE, stop_id=fact.stop_id)
        for fact in facts_from_plain([row for row in sent["said"] if row["stop_id"]] if sent is not None else ())
        if fact.advice in (Advice.READY, Advice.CHAIN) and not is_unlisted(fact.stop_id)
    ]


def brief_slot(now_utc: datetime, planner: Planner) -> Slot | None:
    """The slot of today's brief from its local time until the end of its grace period; None otherwise."""
    settings = planner.settings
    zone = ZoneInfo(settings.brief_zone)
    today = now_utc.astimezone(zone).date()
    for local_date in (today, today - timedelta(days=1)):  # the brief of a late evening may be sent after midnight
        due = local_to_utc(local_date, settings.brief_at, zone)
        if due <= now_utc < due + BRIEF_GRACE:
            return Slot(kind=NoticeKind.BRIEF.value, fleet=settings.fleet, local_date=local_date.isoformat())
    return None


async def send_brief(
    planner: Planner,
    store: Store,
    now_utc: datetime,
    slot: Slot,
    not_sent: Sequence[tuple[str, str]] = (),
    again: str = "",
    *,
    may_ease: bool = True,
) -> tuple[str, ...]:
    """Run a cycle and record the brief of one local date, once. not_sent: (date, reason) of earlier briefs not sent.

    again: why it is sent although a brief of this date was sent before; a different text makes a different notice.
    """
    if await asyncio.to_thread(store.slot_filled, slot):
        return ()
    outcome = await run_cycle(planner, store, now_utc, may_ease=lambda: may_ease)
    before = await asyncio.to_thread(last_state, store, now_utc)
    loaded = await asyncio.to_thread(loaded_by_trip, store, now_utc)
    brief = _brief_of(planner, outcome, now_utc, before, loaded)
    notice = _brief_notice(brief, slot, now_utc, not_sent, again)
    if planner.settings.sends_pages:
        await save_content(store, notice, brief, now_utc)
    targets = planner.settings.targets
    new = await asyncio.to_thread(lambda: store.record_notices([notice], targets, now_utc, slot=slot))
    if new:  # after the brief: one that was never recorded is not what the next is compared with
        await asyncio.to_thread(BRIEF_STATES.save, store, state_of(brief.lines, now_utc), now_utc)
    return new


def unplanned_trips(outcome: CycleOutcome) -> list[tuple[str, str]]:
    """(trip or file, reason) of all trips that could not be planned or read."""
    return [*outcome.unread, *((m.trip.id, m.reason) for m in outcome.not_planned)]


def make_brief(
    planner: Planner,
    outcome: CycleOutcome,
    now_utc: datetime,
    slot: Slot,
    not_sent: Sequence[tuple[str, str]] = (),
    again: str = "",
) -> Notice:
    """The notice of a brief, without the changes since the last one."""
    return _brief_notice(_brief_of(planner, outcome, now_utc, None), slot, now_utc, not_sent, again)


def _brief_of(
    planner: Planner,
    outcome: CycleOutcome,
    now_utc: datetime,
    before: BriefState | None,
    loaded: Mapping[str, Loaded] | None = None,
) -> Brief:
    settings = planner.settings
    plans = tuple(outcome.plans)  # a brief goes over all plans a dozen times: each is unpacked once
    return compile_brief(
        BriefInput(
            fleet=settings.fleet,
            plans=plans,
            not_planned=unplanned_trips(outcome),
            now=now_utc,
            zone=settings.brief_zone,
            upheld=planner.latest.upheld_lines(plans, now_utc),
            before=before,
            loaded=loaded or {},
        )
    )


def _brief_notice(
    brief: Brief, slot: Slot, now_utc: datetime, not_sent: Sequence[tuple[str, str]], again: str
) -> Notice:
    text = text_of(brief)
    if not_sent:
        text = "\n".join((text, "EARLIER BRIEFS THAT WERE NOT SENT", *(f"  {day}: {why}" for day, why in not_sent)))
    id_ = notice_id(NoticeKind.BRIEF, Audience.DISPATCHER, slot.fleet, slot.local_date, *filter(None, [again]))
    return Notice(
        id=id_,
        kind=NoticeKind.BRIEF,
        audience=Audience.DISPATCHER,
        trip_id="",
        plan_id="",
        created_at=now_utc,
        expires_at=now_utc + timedelta(hours=12),
        text=text,
        body=canonical(brief_event(id_, slot.fleet, slot.local_date, text, now_utc)),
    )

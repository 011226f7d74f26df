"""One planning cycle: plans due trips, decides their notices, records each plan in one transaction."""

import asyncio
import json
import logging
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from alertd.errors import InputError, StoreError
from alertd.local_time import local_to_utc
from alertd.notices.checklists.loading import Loaded
from alertd.notices.formats.webhook_event import brief_event
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy
from alertd.notices.reports.brief import Brief, BriefInput, compile_brief
from alertd.notices.reports.brief_changes import BriefState, state_of
from alertd.notices.reports.brief_text import text_of
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice, with_link
from alertd.notices.triggers.late_delivery import delivery_from_plain, delivery_notices, delivery_to_plain
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.unplanned import to_driver
from alertd.notices.upheld import raised, upheld
from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.position.map_match import PositionReport
from alertd.plan.serialize import canonical, to_plain
from alertd.planning.planner import NotPlanned, Outcome, Planner, Reports, not_planned_for
from alertd.planning.road_reports import RoadReports, named_places
from alertd.planning.stations import gather_observations
from alertd.records.brief_states import BRIEF_STATES, last_state
from alertd.records.closures import active_closures
from alertd.records.driver_reports import keep_arrival, loaded_by_trip, roads_seen, truck_reports
from alertd.records.positions import is_reporting, load_positions
from alertd.records.posted_controls import collect_posted
from alertd.service.brief_email import save_content
from alertd.service.scheduled_notices import ActiveTrip
from alertd.service.trips_file import import_trips_file
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.store.rows import Slot, StoredTrip
from alertd.store.store import Store

log = logging.getLogger(__name__)

FINISHED_AFTER = timedelta(hours=24)  # a trip that left longer ago is over, unless its truck still reports
FINISHED_AT_LATEST = timedelta(days=4)  # upper limit, also for a truck that reports
BRIEF_GRACE = timedelta(hours=4)  # a daemon that was down still sends the brief within this time


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleOutcome:
    """plans: as shown to people, see `notices.upheld`."""

    plans: tuple[Plan, ...]
    not_planned: tuple[NotPlanned, ...]
    new_notices: tuple[str, ...]
    active: tuple[ActiveTrip, ...] = ()
    unread: tuple[tuple[str, str], ...] = ()  # (file, reason) of a trips file that could not be read


def save_trip(store: Store, trip: TripRequest, now_utc: datetime, *, replace: bool = False) -> bool:
    """Save a trip as given; returns whether anything changed. Raises StoreError when its id is in use."""
    return store.put_trip(StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=now_utc), replace=replace)


def load_trip_file(planner: Planner, store: Store, now_utc: datetime) -> tuple[tuple[str, str], ...]:
    """Import the configured trips file; returns what could not be read, with reasons. Stored trips stay."""
    path = planner.settings.trips
    if path is None:
        return ()
    unread, ignored = import_trips_file(path, store, planner.settings.targets, now_utc)
    planner.latest.ignore_columns(path, ignored)
    return unread


def due_trips(
    store: Store, now_utc: datetime, look_ahead: timedelta, unread: list[tuple[str, str]] | None = None
) -> list[TripRequest]:
    """Trips that leave soon enough to plan and are not over. Unreadable stored trips are appended to `unread`."""
    out = []
    for stored in store.trips():
        try:
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
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCycle:
    """The due trips, the outcome of each in the same order, and the reports of their trucks, before recording."""

    now_utc: datetime
    trips: tuple[TripRequest, ...]
    outcomes: tuple[Outcome, ...]
    reports: Reports
    unread: tuple[tuple[str, str], ...]


async def run_cycle(planner: Planner, store: Store, now_utc: datetime, *, may_ease: bool = True) -> CycleOutcome:
    """Plan every due trip, and record each plan with its notices in one transaction. Raises StoreError."""
    planned = await plan_due_trips(planner, store, now_utc)
    outcome = await record_cycle(planner, store, planned, may_ease=may_ease)
    await observe_roads(planner, store, planned)  # last, so that no plan waits for it
    return outcome


async def plan_due_trips(planner: Planner, store: Store, now_utc: datetime) -> PlannedCycle:
    """Plan every due trip. Asks sources, so it may be slow. Raises StoreError."""
    unread = await asyncio.to_thread(load_trip_file, planner, store, now_utc)
    look_ahead = timedelta(hours=planner.settings.look_ahead_h)
    unknown: list[tuple[str, str]] = []
    trips = await asyncio.to_thread(due_trips, store, now_utc, look_ahead, unknown)
    for trip_id, why in unknown:
        await asyncio.to_thread(
            store.record_notices, [_not_planned(trip_id, "", why, now_utc)], planner.settings.targets, now_utc
        )
    unread = (*unread, *unknown)
    reports = await asyncio.to_thread(_reports, store, trips, now_utc)
    closures = await asyncio.to_thread(lambda: tuple(closure.to_core() for closure in active_closures(store, now_utc)))
    controls = await collect_posted(planner.feeds, planner.reference, store, now_utc, record=True)
    seen = await asyncio.to_thread(roads_seen, store, named_places(planner.reference), now_utc)
    on_roads = RoadReports(closures=closures, controls=controls, seen=seen)
    outcomes = await planner.plan(trips, now_utc, reports, on_roads)
    return PlannedCycle(now_utc=now_utc, trips=tuple(trips), outcomes=tuple(outcomes), reports=reports, unread=unread)


async def record_cycle(planner: Planner, store: Store, planned: PlannedCycle, *, may_ease: bool = True) -> CycleOutcome:
    """Record each plan with its notices in one transaction. Asks no source. Raises StoreError.

    may_ease: False while the clock is in doubt; relief then waits.
    """
    now_utc, reports = planned.now_utc, planned.reports
    policy = replace(planner.settings.notices, may_ease=may_ease)
    done: list[ActiveTrip] = []
    made: list[Plan] = []
    notified_at = await asyncio.to_thread(_recently_notified, store, planned.trips, now_utc)
    failed = [o for o in planned.outcomes if isinstance(o, NotPlanned)]
    new: list[str] = []
    for trip, plan in zip(planned.trips, planned.outcomes, strict=True):
        if isinstance(plan, NotPlanned):
            continue
        try:
            ids, facts = await asyncio.to_thread(_record, planner, store, plan, notified_at, now_utc, policy)
        except StoreError:
            raise
        except Exception as exc:  # an error in one trip's texts must not block the notices of the others
            failed.append(not_planned_for(trip, exc))
        else:
            new += ids
            if plan.arrived_at is not None and _by_position(plan.arrived_at, reports[trip.id]):
                await asyncio.to_thread(keep_arrival, store, trip.id, plan.arrived_at)
            seen = raised(plan, upheld(plan, facts, now_utc), now_utc)
            done.append(ActiveTrip(plan=seen, facts=facts))
            made.append(plan)
    for miss in failed:
        log.error("trip %s not planned: %s", miss.trip.id, miss.reason, extra={"trip": miss.trip.id})
        new += await asyncio.to_thread(
            store.record_notices,
            [_not_planned(miss.trip.id, miss.trip.driver, miss.reason, now_utc)],
            planner.settings.targets,
            now_utc,
        )
    new += await asyncio.to_thread(_notify_drivers, planner, store, [m.trip for m in failed], notified_at, now_utc)
    outcome = CycleOutcome(
        plans=tuple(one.plan for one in done),
        not_planned=tuple(failed),
        new_notices=tuple(new),
        unread=planned.unread,
        active=tuple(done),
    )
    facts_by_trip = {one.plan.trip_id: one.facts for one in done}
    planner.latest.update(made, [(m.trip.id, m.reason) for m in failed], planned.unread, now_utc, facts_by_trip)
    return outcome


async def observe_roads(planner: Planner, store: Store, planned: PlannedCycle) -> None:
    """Record reports of stations near the roads of the trips, for scoring."""
    if planner.weather_sources.observer is not None:
        routes = [name for trip in planned.trips for name in (trip.route, *trip.other_routes)]
        await gather_observations(planner.weather_sources.observer, planner.route, routes, store, planned.now_utc)


def _reports(store: Store, trips: Sequence[TripRequest], now_utc: datetime) -> Reports:
    by_truck = truck_reports(store, {trip.id for trip in trips}, now_utc)
    return {
        trip.id: (*load_positions(store, trip.id), *by_truck.get(trip.id, ()), *_sent_places(store, trip.id, now_utc))
        for trip in trips
    }


def _sent_places(store: Store, trip_id: str, now_utc: datetime) -> list[TruckReport]:
    """The listed stops last sent to the driver to chain at or to be ready at."""
    return [
        TruckReport(at=fact.sent_at or now_utc, what=Report.SENT_PLACE, stop_id=fact.stop_id)
        for fact in load_facts(store, trip_id) or ()
        if fact.advice in (Advice.READY, Advice.CHAIN) and fact.stop_id and not is_unlisted(fact.stop_id)
    ]


def _by_position(arrived_at: datetime, reports: Sequence[PositionReport | TruckReport]) -> bool:
    """Whether positions showed the arrival. An arrival that a person reported may still be a mistake."""
    return any(isinstance(r, PositionReport) and r.at == arrived_at for r in reports)


def _record(
    planner: Planner,
    store: Store,
    plan: Plan,
    notified_at: defaultdict[str, list[datetime]],
    now_utc: datetime,
    policy: Policy,
) -> tuple[tuple[str, ...], tuple[SentFact, ...]]:
    """Record a plan with its notices; returns the ids of new notices, and the facts sent so far."""
    settings, driver = planner.settings, plan.driver or plan.trip_id
    translators = settings.languages.translators_for(plan.language, plan.lands)
    before = _latest_body(store, plan.trip_id)
    known = None if before is None else _not_ahead(facts_from_plain(before["said"]), now_utc)
    notices, facts = plan_notices(plan, known, now_utc, policy, notified_at[driver], translators)
    sent = delivery_from_plain(None if before is None else before.get("delivery"))
    events, sent = delivery_notices(plan, sent, now_utc, policy)
    notices = (*with_link(notices, planner.links.message_link(plan, now_utc)), *events)
    body = canonical({"plan": to_plain(plan), "said": facts_to_plain(facts), "delivery": delivery_to_plain(sent)})
    new = store.record_plan(plan.id, plan.trip_id, now_utc, body, notices, settings.targets, settled=policy.may_ease)
    notified_at[driver] += [now_utc for n in notices if n.audience is Audience.DRIVER and n.id in new]
    return new, facts


def _not_ahead(facts: tuple[SentFact, ...], now_utc: datetime) -> tuple[SentFact, ...]:
    """Return the facts without times of the future, which a clock that was ahead left."""
    return tuple(
        replace(
            one,
            sent_at=None if one.sent_at is None else min(one.sent_at, now_utc),
            milder_since=None if one.milder_since is None or one.milder_since > now_utc else one.milder_since,
        )
        for one in facts
    )


def _recently_notified(
    store: Store, trips: Sequence[TripRequest], now_utc: datetime
) -> defaultdict[str, list[datetime]]:
    """Times of messages to each driver of these trips within the last hour; by trip without a named driver."""
    whose = {trip.id: trip.driver or trip.id for trip in trips}
    notified_at: defaultdict[str, list[datetime]] = defaultdict(list)
    for notice in store.notices_since(Audience.DRIVER, now_utc - timedelta(hours=1)):
        notified_at[whose.get(notice.trip_id, notice.trip_id)].append(notice.created_at)
    return notified_at


def load_facts(store: Store, trip_id: str) -> tuple[SentFact, ...] | None:
    """The facts last sent about a trip; None when nothing was sent."""
    body = _latest_body(store, trip_id)
    return None if body is None else facts_from_plain(body["said"])


def _latest_body(store: Store, trip_id: str) -> dict[str, Any] | None:
    """The newest plan of a trip as stored, with what was sent about it."""
    stored = store.latest_plan(trip_id)
    return None if stored is None else dict(json.loads(stored.body))


def _notify_drivers(
    planner: Planner,
    store: Store,
    trips: Sequence[TripRequest],
    notified_at: defaultdict[str, list[datetime]],
    now_utc: datetime,
) -> tuple[str, ...]:
    """Notify each driver of a trip without a plan once, to be ready to chain; returns the ids of new notices."""
    settings, new = planner.settings, list[str]()
    for trip in trips:
        driver, translator = trip.driver or trip.id, settings.languages.translators_for(trip.language).driver
        notices = to_driver(trip.id, trip.depart_at, settings.brief_zone, now_utc, settings.notices, translator)
        if settings.notices.messages_left(notified_at[driver], now_utc):
            ids = store.record_notices(notices, settings.targets, now_utc)
            notified_at[driver] += [now_utc] * len(ids)
            new += ids
    return tuple(new)


def _not_planned(trip_id: str, driver: str, reason: str, now_utc: datetime) -> Notice:
    """Notice to the office, at most once a day, that a trip cannot be planned."""
    who = f"Driver {driver or 'unknown'} should be ready to chain."
    text = f"{trip_id} could not be planned: {reason}. {who} {phrases.SIGNS}"
    key = (trip_id, reason, now_utc.date().isoformat())
    return office_notice("trip.not_planned", key, text, timedelta(hours=24), now_utc, trip_id=trip_id)


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
    outcome = await run_cycle(planner, store, now_utc, may_ease=may_ease)
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
    return compile_brief(
        BriefInput(
            fleet=settings.fleet,
            plans=outcome.plans,
            not_planned=unplanned_trips(outcome),
            now=now_utc,
            zone=settings.brief_zone,
            upheld=planner.latest.upheld_lines(outcome.plans, now_utc),
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

"""Records the outcomes of one planning cycle as they come: a plan and its notices together, a road in a transaction."""

import logging
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice, with_link
from alertd.notices.triggers.late_delivery import delivery_from_plain, delivery_notices, delivery_to_plain
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.unplanned import to_driver
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import PositionReport
from alertd.plan.serialize import canonical, forget_texts, plan_text
from alertd.planning.corridors.job import NotPlanned, Reports, not_planned_for
from alertd.planning.cycles.held_plan import Given, HeldPlan, held_as_shown
from alertd.planning.planner import Planner
from alertd.records.driver_reports import keep_arrival
from alertd.service.recording.quiet import Quiet, digest_of_sent
from alertd.service.scheduled_notices import ActiveTrip
from alertd.sources.files.trips import TripRequest
from alertd.store.plans.plan_text import packed_text
from alertd.store.rows import PlanRecord
from alertd.store.store import Store

log = logging.getLogger(__name__)

SentStates = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """A plan to record, and what is sent about its trip afterwards."""

    plan: Plan
    record: PlanRecord
    facts: tuple[SentFact, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """Notices and events to send about a plan, and what is known to be sent afterwards.

    said, delivery: the latter as plain values.
    """

    notices: tuple[Notice, ...]
    events: tuple[Notice, ...]
    facts: tuple[SentFact, ...]
    said: list[dict[str, Any]]
    delivery: dict[str, Any]


@dataclass(slots=True, kw_only=True)
class PlanRecorder:
    """The state of one cycle while its plans are recorded. `record` takes each group of trips as it is planned.

    again: trips with a kept plan that must be made again, because something is to be sent or noted about them.
    sent: what was sent about each trip before, by trip id. may_ease: returns False while the clock is in doubt; relief
    then waits. active: the plans as shown to people. changes: of each new plan, see `LatestPlans.changes_to`.
    """

    planner: Planner
    store: Store
    now_utc: datetime
    reports: Reports
    sent: SentStates
    notified_at: defaultdict[str, list[datetime]]
    may_ease: Callable[[], bool] = lambda: True
    active: dict[str, ActiveTrip] = field(default_factory=dict)
    failed: list[NotPlanned] = field(default_factory=list)
    new_notices: list[str] = field(default_factory=list)
    again: list[TripRequest] = field(default_factory=list)
    changes: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def record(self, group: Sequence[tuple[TripRequest, Given]]) -> tuple[ActiveTrip, ...]:
        """Record the outcomes of these trips; returns those with a plan. Raises StoreError."""
        failed = [outcome for _, outcome in group if isinstance(outcome, NotPlanned)]
        recorded: list[ActiveTrip] = []
        for part in _apart(group, lambda trip: trip.driver or trip.id):
            decided: list[_Decided] = []
            kept: list[tuple[TripRequest, Plan | HeldPlan, tuple[SentFact, ...] | None]] = []
            for trip, plan in part:
                if isinstance(plan, NotPlanned):
                    continue
                try:
                    if plan.made_at < self.now_utc and self.planner.kept.holds(plan):
                        kept.append((trip, plan, self._unchanged_facts(plan)))
                    else:
                        decided.append(self._decide(plan if isinstance(plan, Plan) else plan.plan))
                except StoreError:
                    raise
                except Exception as exc:  # an error in one trip's texts must not block the notices of the others
                    failed.append(not_planned_for(trip, exc))
            recorded += self._write(decided)
            for trip, plan, facts in kept:
                if facts is None:
                    self.again.append(trip)
                else:
                    recorded.append(self._activate(plan, facts))
        self._not_planned(failed)
        return tuple(recorded)

    def _unchanged_facts(self, kept: Plan | HeldPlan) -> tuple[SentFact, ...] | None:
        """The facts of a kept plan; None where something is to be sent, or where they are not those in the store."""
        before, policy = self.sent.get(kept.trip_id), self._policy
        quiet = self.planner.kept.note_of(kept)
        if isinstance(quiet, Quiet) and before is not None and quiet.still(before, policy):
            return quiet.facts
        plan = kept if isinstance(kept, Plan) else kept.unpack()
        asked = self._asked(plan, policy, self.now_utc)
        self._note_quiet(plan, asked, policy)
        return asked.facts if self._asks_nothing(plan, asked) else None

    @property
    def _policy(self) -> Policy:
        return replace(self.planner.settings.notices, may_ease=self.may_ease())

    def _asks_nothing(self, plan: Plan, asked: _Asked) -> bool:
        """Whether nothing is to be sent, and what is known to be sent stays as it is in the store."""
        before = self.sent.get(plan.trip_id)
        same = before is not None and (asked.said, asked.delivery) == (before["said"], before.get("delivery"))
        return same and not (asked.notices or asked.events)

    def _note_quiet(self, plan: Plan, asked: _Asked, policy: Policy) -> None:
        """Note a plan of which nothing is asked now, nor at the last moment at which it may stand. See `Quiet`."""
        until = self.planner.kept.stands_until(plan)
        if until is None or until < self.now_utc or any(fact.pending for fact in asked.facts):
            return
        if not self._asks_nothing(plan, asked):
            return
        if self._asks_nothing(plan, self._asked(plan, policy, until)):
            digest = digest_of_sent(asked.said, self.sent[plan.trip_id].get("delivery"))
            self.planner.kept.note(plan, Quiet(digest=digest, policy=policy, facts=asked.facts))

    def _asked(self, plan: Plan, policy: Policy, now_utc: datetime) -> _Asked:
        """What is to be sent about a plan at a moment, and what is known to be sent afterwards."""
        settings = self.planner.settings
        translators = settings.languages.translators_for(plan.language, plan.lands)
        before = self.sent.get(plan.trip_id)
        known = None if before is None else _not_ahead(facts_from_plain(before["said"]), now_utc)
        notified = self.notified_at[plan.driver or plan.trip_id]
        notices, facts = plan_notices(plan, known, now_utc, policy, notified, translators)
        delivery = delivery_from_plain(None if before is None else before.get("delivery"))
        events, delivery = delivery_notices(plan, delivery, now_utc, policy)
        said, later = facts_to_plain(facts), delivery_to_plain(delivery)
        return _Asked(notices=notices, events=events, facts=facts, said=said, delivery=later)

    def _decide(self, plan: Plan) -> _Decided:
        """The notices that a plan asks for, and its record."""
        planner, now_utc, policy = self.planner, self.now_utc, self._policy
        asked = self._asked(plan, policy, now_utc)
        self._note_quiet(plan, asked, policy)
        notices, facts, events = asked.notices, asked.facts, asked.events
        kept = packed_text(plan_text(plan), canonical(asked.said), canonical(asked.delivery))
        forget_texts(plan)  # the archive has it already
        record = PlanRecord(
            id=plan.id,
            trip_id=plan.trip_id,
            made_at=now_utc,
            kept=kept,
            notices=(*with_link(notices, planner.links.message_link(plan, now_utc)), *events),
            settled=policy.may_ease,
        )
        return _Decided(plan=plan, record=record, facts=facts)

    def _write(self, decided: Sequence[_Decided]) -> Iterator[ActiveTrip]:
        if not decided:
            return
        new_by_plan = self.store.record_plans([d.record for d in decided], self.planner.settings.targets)
        for one, new in zip(decided, new_by_plan, strict=True):
            plan = one.plan
            self.new_notices += new
            self.notified_at[plan.driver or plan.trip_id] += [
                self.now_utc for n in one.record.notices if n.audience is Audience.DRIVER and n.id in new
            ]
            if plan.arrived_at is not None and _by_position(plan, self.reports):
                keep_arrival(self.store, plan.trip_id, plan.arrived_at)
            yield self._activate(plan, one.facts)

    def _activate(self, plan: Plan | HeldPlan, facts: tuple[SentFact, ...]) -> ActiveTrip:
        if isinstance(plan, Plan):
            shown, held = held_as_shown(plan, facts, self.now_utc)
            self.changes[plan.trip_id] = self.planner.latest.changes_to(shown)
            self.planner.kept.recorded(held)
        else:
            held = plan  # a kept plan, of which nothing is upheld
        self.active[held.trip_id] = ActiveTrip(plan=held, facts=facts)
        return self.active[held.trip_id]

    def _not_planned(self, failed: Sequence[NotPlanned]) -> None:
        """Notify the office, and each driver once, to be ready to chain."""
        settings, now_utc = self.planner.settings, self.now_utc
        self.failed += failed
        for miss in failed:
            log.error("trip %s not planned: %s", miss.trip.id, miss.reason, extra={"trip": miss.trip.id})
            notice = not_planned_notice(miss.trip.id, miss.trip.driver, miss.reason, now_utc)
            self.new_notices += self.store.record_notices([notice], settings.targets, now_utc)
        for trip in (miss.trip for miss in failed):
            driver, translator = trip.driver or trip.id, settings.languages.translators_for(trip.language).driver
            notices = to_driver(trip.id, trip.depart_at, settings.brief_zone, now_utc, settings.notices, translator)
            if settings.notices.messages_left(self.notified_at[driver], now_utc):
                ids = self.store.record_notices(notices, settings.targets, now_utc)
                self.notified_at[driver] += [now_utc] * len(ids)
                self.new_notices += ids


def _apart(
    group: Sequence[tuple[TripRequest, Given]], whose: Callable[[TripRequest], str]
) -> Iterator[list[tuple[TripRequest, Given]]]:
    """The group in parts in which no driver occurs twice: the messages of one trip count for the next."""
    part: list[tuple[TripRequest, Given]] = []
    drivers = set[str]()
    for trip, outcome in group:
        if whose(trip) in drivers:
            yield part
            part, drivers = [], set()
        part.append((trip, outcome))
        drivers.add(whose(trip))
    if part:
        yield part


def _not_ahead(facts: tuple[SentFact, ...], now_utc: datetime) -> tuple[SentFact, ...]:
    """Return the facts without times of the future, which a clock that was ahead left."""

    def right(one: SentFact) -> SentFact:
        times = (one.sent_at, one.milder_since)
        if all(at is None or at <= now_utc for at in times):
            return one
        sent_at, since = times
        return replace(
            one,
            sent_at=None if sent_at is None else min(sent_at, now_utc),
            milder_since=None if since is None or since > now_utc else since,
        )

    return tuple(map(right, facts))


def _by_position(plan: Plan, reports: Reports) -> bool:
    """Whether positions showed the arrival. An arrival that a person reported may still be a mistake."""
    return any(isinstance(r, PositionReport) and r.at == plan.arrived_at for r in reports[plan.trip_id])


def not_planned_notice(trip_id: str, driver: str, reason: str, now_utc: datetime) -> Notice:
    """Notice to the office, at most once a day, that a trip cannot be planned."""
    who = f"Driver {driver or 'unknown'} should be ready to chain."
    text = f"{trip_id} could not be planned: {reason}. {who} {phrases.SIGNS}"
    key = (trip_id, reason, now_utc.date().isoformat())
    return office_notice("trip.not_planned", key, text, timedelta(hours=24), now_utc, trip_id=trip_id)


def recently_notified(
    store: Store, trips: Sequence[TripRequest], now_utc: datetime
) -> defaultdict[str, list[datetime]]:
    """Times of messages to each driver of these trips within the last hour; by trip without a named driver."""
    whose = {trip.id: trip.driver or trip.id for trip in trips}
    notified_at: defaultdict[str, list[datetime]] = defaultdict(list)
    for notice in store.notices_since(Audience.DRIVER, now_utc - timedelta(hours=1)):
        notified_at[whose.get(notice.trip_id, notice.trip_id)].append(notice.created_at)
    return notified_at

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
from alertd.notices.sent_state import SentFact
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice, with_link
from alertd.notices.triggers.unplanned import to_driver
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import PositionReport
from alertd.planning.corridors.job import Given, NotPlanned, Reports, not_planned_for
from alertd.planning.cycles.held_plan import HeldPlan, hold, with_shared_parts
from alertd.planning.decisions.decide import Basis, Decision, asked_of, decide, decide_again, quiet_note
from alertd.planning.decisions.decided import DecidedPlan
from alertd.planning.decisions.quiet import Quiet
from alertd.planning.planner import Planner
from alertd.records.driver_reports import keep_arrival
from alertd.service.scheduled_notices import ActiveTrip
from alertd.sources.files.trips import TripRequest
from alertd.store.rows import PlanRecord
from alertd.store.store import Store

log = logging.getLogger(__name__)

SentStates = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """A decision to record, and by which policy it was made."""

    decision: Decision
    policy: Policy


@dataclass(slots=True, kw_only=True)
class PlanRecorder:
    """The state of one cycle while its plans are recorded. `record` takes each group of trips as it is planned.

    again: trips with a kept plan that must be made again, because something is to be sent or noted about them.
    sent: what was sent about each trip before, by trip id. may_ease: returns False while the clock is in doubt; relief
    then waits. active: the plans as shown to people. changes: of each new plan, see `changes_between`.
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
    _unchanged: dict[str, tuple[HeldPlan, tuple[SentFact, ...]]] = field(default_factory=dict)  # see `is_unchanged`
    _policies: dict[bool, Policy] = field(default_factory=dict)  # by `may_ease`

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
                    if (
                        not isinstance(plan, DecidedPlan)
                        and plan.made_at < self.now_utc
                        and self.planner.kept.holds(plan)
                    ):
                        known, facts = self._unchanged.pop(trip.id, (None, None))
                        kept.append((trip, plan, facts if known is plan else self._unchanged_facts(trip, plan)))
                    else:
                        decided.append(self._decision(trip, plan))
                except StoreError:
                    raise
                except Exception as exc:  # an error in one trip's texts must not block the notices of the others
                    failed.append(not_planned_for(trip, exc))
            recorded += self._write(decided)
            for trip, plan, facts in kept:
                if facts is None:
                    self.again.append(trip)
                else:
                    recorded.append(self._activate(hold(plan), facts))  # of which nothing is upheld
        self._not_planned(failed)
        return tuple(recorded)

    def basis_of(self, trip: TripRequest) -> Basis:
        """What the decision about a trip depends on now, besides its plan."""
        shown = self.planner.latest.held(trip.id)
        return Basis(
            now_utc=self.now_utc,
            policy=self._policy(),
            languages=self.planner.settings.languages,
            before=self.sent.get(trip.id),
            notified=tuple(self.notified_at.get(trip.driver or trip.id, ())),
            compared=None if shown is None else shown.compared,
        )

    def is_unchanged(self, trip: TripRequest, kept: HeldPlan) -> bool:
        """Whether nothing is to be sent about a kept plan; otherwise it is made again."""
        try:
            facts = self._unchanged_facts(trip, kept)
        except Exception:  # `record` meets it again, and reports it
            return True
        if facts is None:
            return False
        self._unchanged[trip.id] = kept, facts
        return True

    def _policy(self) -> Policy:
        may_ease = self.may_ease()
        if self._policies.get(may_ease) is None:
            self._policies[may_ease] = replace(self.planner.settings.notices, may_ease=may_ease)
        return self._policies[may_ease]

    def _unchanged_facts(self, trip: TripRequest, kept: Plan | HeldPlan) -> tuple[SentFact, ...] | None:
        """The facts of a kept plan; None where something is to be sent, or where they are not those in the store."""
        before, quiet = self.sent.get(trip.id), self.planner.kept.note_of(kept)
        if isinstance(quiet, Quiet) and before is not None and quiet.still(before, self._policy(), self.now_utc):
            return quiet.facts
        plan, basis = kept if isinstance(kept, Plan) else kept.unpack(), self.basis_of(trip)
        asked = asked_of(plan, basis)
        if not asked.is_nothing(basis.before):
            return None
        if (note := quiet_note(plan, asked, basis, self.planner.kept.stands_until(plan))) is not None:
            self.planner.kept.note(plan, note)
        return asked.facts

    def _decision(self, trip: TripRequest, outcome: Plan | HeldPlan | DecidedPlan) -> _Decided:
        """What is sent about a new plan. What another process decided counts while its basis is that of now."""
        basis = self.basis_of(trip)
        if isinstance(outcome, DecidedPlan) and outcome.basis == basis.digest:
            held = with_shared_parts(outcome.decision.held)
            return _Decided(decision=replace(outcome.decision, held=held), policy=basis.policy)
        plan = outcome if isinstance(outcome, Plan) else outcome.unpack()
        until = self.planner.kept.stands_until(plan)
        if isinstance(outcome, DecidedPlan):
            decision = decide_again(outcome.decision, plan, basis, until)
        else:
            decision = decide(plan, basis, until)
        return _Decided(decision=decision, policy=basis.policy)

    def _write(self, decided: Sequence[_Decided]) -> Iterator[ActiveTrip]:
        if not decided:
            return
        records = [self._record_of(one) for one in decided]
        new_by_plan = self.store.record_plans(records, self.planner.settings.targets)
        for one, record, new in zip(decided, records, new_by_plan, strict=True):
            made = one.decision
            self.new_notices += new
            self.notified_at[made.held.driver or made.trip_id] += [
                self.now_utc for n in record.notices if n.audience is Audience.DRIVER and n.id in new
            ]
            if made.arrived_at is not None and _by_position(made.trip_id, made.arrived_at, self.reports):
                keep_arrival(self.store, made.trip_id, made.arrived_at)
            self.changes[made.trip_id] = made.changes
            self.planner.kept.recorded(made.held)
            if made.quiet is not None:
                self.planner.kept.note(made.held, made.quiet)
            yield self._activate(made.held, made.facts)

    def _record_of(self, one: _Decided) -> PlanRecord:
        made = one.decision
        link = self.planner.links.message_link(made, self.now_utc)
        return PlanRecord(
            id=made.held.id,
            trip_id=made.trip_id,
            made_at=self.now_utc,
            kept=made.kept,
            notices=(*with_link(made.notices, link), *made.events),
            settled=one.policy.may_ease,
        )

    def _activate(self, held: HeldPlan, facts: tuple[SentFact, ...]) -> ActiveTrip:
        self.active[held.trip_id] = ActiveTrip(plan=held, facts=facts)
        self.planner.latest.renew(held)
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


def _by_position(trip_id: str, arrived_at: datetime, reports: Reports) -> bool:
    """Whether positions showed the arrival. An arrival that a person reported may still be a mistake."""
    return any(isinstance(r, PositionReport) and r.at == arrived_at for r in reports[trip_id])


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

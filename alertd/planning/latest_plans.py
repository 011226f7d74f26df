"""The results of the last cycle for the pages: plans, failures, changes, the road by the hour."""

import json
import logging
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from math import ceil, floor
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any, Final

from pydantic import TypeAdapter, ValidationError

from alertd.notices.sent_state import SentFact, facts_from_plain
from alertd.notices.upheld import raised, upheld, upheld_words
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.plan import Plan
from alertd.plan.road_by_hour import RoadHours
from alertd.planning.cycles.held_plan import HeldByTrip, HeldPlan, changes_between, held_as_shown
from alertd.route.model import Route
from alertd.sources.files.trips import TripsFile
from alertd.units import HOUR_S

if TYPE_CHECKING:
    from alertd.store.store import Store

log = logging.getLogger(__name__)

MAX_ROADS: Final = 200  # of which the road by the hour is kept: 5 kB each
MAX_READ: Final = 200  # whole plans read from the store: for pages of one trip, and before the first cycle has ended
CHANGES_KEPT_FOR: Final = timedelta(hours=12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    at: datetime
    lines: tuple[str, ...]


class LatestPlans:
    """Kept in memory; after a restart plans come from the store until the first cycle has ended. Thread-safe.

    Plans are those that people see: while data are missing, never below the advice sent before (`notices.upheld`).
    """

    def __init__(self) -> None:
        self._held: dict[str, HeldPlan] = {}
        self.missed: dict[str, str] = {}  # by trip, why it could not be planned
        self.unread: tuple[tuple[str, str], ...] = ()  # trips files, and why they could not be taken in
        self.taken_at: datetime | None = None
        self.changes: dict[str, Change] = {}
        self._hours: OrderedDict[Route, RoadHours] = OrderedDict()
        self._upheld: dict[str, tuple[SentFact, ...]] = {}  # by id of the plan
        self._read: OrderedDict[str, Plan] = OrderedDict()
        self._whole_of: dict[str, HeldPlan] = {}  # by id of the plan, those of `_read` that are of a cycle
        self._lock = Lock()
        self._ignored: tuple[str, ...] = ()

    @property
    def plans(self) -> HeldByTrip:
        """The plans by trip, without their other departures: see `HeldPlan`."""
        return HeldByTrip(self._held)

    def held(self, trip_id: str) -> HeldPlan | None:
        """The packed plan of a trip; None where no cycle since the start made one."""
        return self._held.get(trip_id)

    @property
    def jurisdictions(self) -> set[str]:
        """Whose rules the plans rest on."""
        return {name for held in self._held.values() for name in held.jurisdictions}

    def ignore_columns(self, path: Path, columns: tuple[str, ...]) -> None:
        """Warn once about unknown columns of the trips file, and again when they change."""
        if columns and columns != self._ignored:
            words = TripsFile(trips=(), ignored=columns).ignored_words
            log.warning("%s: columns that are not known are ignored: %s", path.name, words)
        self._ignored = columns

    def update(
        self,
        plans: Iterable[Plan | HeldPlan],
        missed: Iterable[tuple[str, str]],
        unread: Iterable[tuple[str, str]] | None,
        now: datetime,
        facts: Mapping[str, Sequence[SentFact]] | None = None,
        changed: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        """Take the outcome of a cycle. Packed plans are as people see them; changed: their `changes_between`, by trip.

        facts: those sent for each trip, by which other plans are raised.

        unread: None for a few trips planned beside a cycle; those of all others stay.
        """
        rows: dict[str, tuple[SentFact, ...]] = {}
        new: dict[str, HeldPlan] = {}
        changes = {trip: c for trip, c in self.changes.items() if now - c.at < CHANGES_KEPT_FOR}
        for plan in plans:
            if isinstance(plan, HeldPlan):
                held, lines = plan, (changed or {}).get(plan.trip_id, ())
            else:
                shown, held = held_as_shown(plan, (facts or {}).get(plan.trip_id, ()), now)
                old = self._held.get(plan.trip_id)
                lines = changes_between(None if old is None else old.compared, shown)
            new[held.trip_id] = held
            if held.upheld:
                rows[held.id] = held.upheld
            if lines:
                changes[held.trip_id] = Change(at=now, lines=lines)
        failed = dict(missed)
        # Beside a cycle all others stay; and a cycle does not know the trips that were planned beside it.
        stay = {
            trip_id: plan
            for trip_id, plan in self._held.items()
            if trip_id not in new and trip_id not in failed and (unread is None or plan.made_at > now)
        }
        with self._lock:
            rows |= {plan.id: self._upheld[plan.id] for plan in stay.values() if plan.id in self._upheld}
            self._upheld = rows
        self._held = {**stay, **new}
        self.changes = {trip_id: c for trip_id, c in changes.items() if trip_id in self._held}
        if unread is None:
            self.missed = {t: why for t, why in self.missed.items() if t not in new} | failed
        else:
            self.missed, self.unread, self.taken_at = failed, tuple(unread), now

    def renew(self, held: HeldPlan) -> None:
        """Take the new plan of a trip of the last cycle as soon as it is recorded: two of each would take memory."""
        with self._lock:
            if held.trip_id in self._held:  # a new key would disturb who goes through the plans
                self._held[held.trip_id] = held
                if held.upheld:
                    self._upheld[held.id] = held.upheld

    def plan(self, store: "Store", trip_id: str) -> Plan | None:
        """The newest plan of a trip; None where there is none, or only one of an unknown version."""
        if (held := self._held.get(trip_id)) is not None:
            return self._whole(store, held)
        stored = store.latest_plan(trip_id)
        if stored is None:
            return None
        with self._lock:
            known = self._read.get(stored.id)
        plan = known
        if plan is None:
            body = json.loads(stored.body)
            plan = read_plan(body["plan"])
            if plan is not None:
                rows = upheld(plan, facts_from_plain(body["said"]), plan.made_at)
                plan = raised(plan, rows, plan.made_at)
                with self._lock:
                    self._upheld[plan.id] = rows
        if plan is not None:
            self._keep_read(stored.id, plan)
        return plan

    def _whole(self, store: "Store", held: HeldPlan) -> Plan:
        """A plan of a cycle with its other departures from the store; without, where another plan is stored by now."""
        with self._lock:
            kept = self._read.get(held.id)
        if kept is not None and self._whole_of.get(held.id) is held:
            return kept
        plan, stored = held.plan, store.latest_plan(held.trip_id)
        if stored is None or stored.id != held.id:
            return plan
        try:
            departures = _departure_reader().validate_python(json.loads(stored.body)["plan"]["departures"])
        except (KeyError, ValidationError):
            return plan
        plan = replace(plan, departures=departures)
        self._whole_of[held.id] = held
        self._keep_read(held.id, plan)
        return plan

    def _keep_read(self, plan_id: str, plan: Plan) -> None:
        with self._lock:
            self._read[plan_id] = plan
            self._read.move_to_end(plan_id)
            while len(self._read) > MAX_READ:
                gone, _ = self._read.popitem(last=False)
                if self._whole_of.pop(gone, None) is None:  # of no cycle
                    self._upheld.pop(gone, None)

    def upheld(self, plan: Plan) -> tuple[SentFact, ...]:
        """Facts sent before that ask for more than this plan, one of `plan` or of a cycle, does by itself."""
        with self._lock:
            return self._upheld.get(plan.id, ())

    def upheld_lines(self, plans: Iterable[Plan], now_utc: datetime) -> dict[str, list[str]]:
        """The same as text for the dispatcher, by trip."""
        return {p.trip_id: [upheld_words(row, p, now_utc) for row in self.upheld(p)] for p in plans}

    def save_road(self, route: Route, hours: RoadHours) -> None:
        """Keep the likely road of a route by the hour."""
        with self._lock:
            self._hours[route] = hours
            self._hours.move_to_end(route)
            while len(self._hours) > MAX_ROADS:
                self._hours.popitem(last=False)

    def road(self, route: Route, from_epoch_s: float, to_epoch_s: float) -> RoadHours | None:
        """The hours kept around two moments; None where fewer than two are."""
        with self._lock:
            kept = self._hours.get(route)
        if kept is None:
            return None
        first = max(floor((from_epoch_s - kept.first_epoch_s) / HOUR_S), 0)
        likely = kept.likely[:, first : ceil((to_epoch_s - kept.first_epoch_s) / HOUR_S) + 1]
        if likely.shape[1] < 2:
            return None
        return replace(kept, first_epoch_s=kept.first_epoch_s + first * HOUR_S, likely=likely)


def read_plan(plain: dict[str, Any]) -> Plan | None:
    """A plan back from its JSON; None for one of another version."""
    along = plain.get("along", {})
    for name, column in along.items():
        if isinstance(column, list):
            along[name] = [float("nan") if v is None else v for v in column]
    try:
        return _plan_reader().validate_python(plain)
    except ValidationError:
        return None


@cache
def _plan_reader() -> TypeAdapter[Plan]:
    """Made at the first use: a command that reads no stored plan does not need it."""
    return TypeAdapter(Plan)


@cache
def _departure_reader() -> TypeAdapter[tuple[Departure, ...]]:
    return TypeAdapter(tuple[Departure, ...])

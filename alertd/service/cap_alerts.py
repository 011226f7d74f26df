"""CAP alerts of the active plans, for systems that fetch alerts instead of receiving webhooks.

Published alerts are stored as events, so an alert after a restart still references those that it replaces. Each cycle
rebuilds the alerts themselves; after a restart they come from the stored plans until the first cycle has ended.
"""

import asyncio
import json
import logging
from dataclasses import dataclass, replace
from datetime import datetime

from alertd.delivery.cloudevents import source_of
from alertd.errors import InputError, SourceError
from alertd.notices.formats.cap import CapReference, CapSender, cap_alert, has_alert
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import to_plain
from alertd.planning.latest_plans import read_plan
from alertd.planning.planner import Planner
from alertd.records.published_alerts import PUBLISHED_ALERTS, AlertReference
from alertd.route.model import Route
from alertd.service.cycle import CycleOutcome
from alertd.store.store import Store

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedAlert:
    """One published alert."""

    identifier: str
    xml: bytes


class CapAlerts:
    """made_at: time of the cycle of these alerts; None before the first cycle, when no alert means nothing."""

    def __init__(self, store: Store, fleet: str) -> None:
        self._store = store
        self.sender = CapSender(id=source_of(fleet), name=fleet)
        self.made_at: datetime | None = None
        self._shown: dict[str, PublishedAlert] = {}

    async def update(self, planner: Planner, outcome: CycleOutcome, now_utc: datetime) -> None:
        """Build the alerts of a cycle. A trip that could not be planned this time keeps its published alert.

        Raises StoreError. A plan that cannot be encoded as an alert is logged.
        """
        shown = {miss.trip.id: self._shown[miss.trip.id] for miss in outcome.not_planned if miss.trip.id in self._shown}
        for plan in outcome.plans:
            try:
                stored = await asyncio.to_thread(self._store.trip, plan.trip_id)
                if stored is None:
                    continue
                route = await planner.route(json.loads(stored.body)["route"], f"trip {plan.trip_id}")
                one = await asyncio.to_thread(self._of, plan, route)
            except (ValueError, InputError, SourceError) as exc:
                log.error("no alert for trip %s: %s", plan.trip_id, exc)
                continue
            if one is not None:
                shown[plan.trip_id] = one
        self._shown, self.made_at = shown, now_utc

    async def restore(self, planner: Planner, now_utc: datetime) -> None:
        """Build the alerts of stored plans again after a restart, unless a cycle has ended meanwhile.

        `made_at` is then the time of the newest of these plans. It stays None where a trip's plan or route cannot be
        read: a feed without that trip would look complete. Raises StoreError.
        """
        shown: dict[str, PublishedAlert] = {}
        made_at: datetime | None = None
        for stored in await asyncio.to_thread(self._store.trips):
            kept = await asyncio.to_thread(self._store.latest_plan, stored.id)
            plan = None if kept is None else read_plan(json.loads(kept.body)["plan"])
            if kept is not None and plan is None:
                log.warning("alerts wait for the first cycle: the plan of trip %s is of another version", stored.id)
                return
            if plan is None or plan.arrive_late <= now_utc:
                continue
            try:
                route = await planner.route(json.loads(stored.body)["route"], f"trip {stored.id}")
                one = await asyncio.to_thread(self._of, plan, route)
            except (ValueError, InputError, SourceError) as exc:
                log.warning("alerts wait for the first cycle: trip %s: %s", stored.id, exc)
                return
            made_at = plan.made_at if made_at is None else max(made_at, plan.made_at)
            if one is not None:
                shown[stored.id] = one
        if self.made_at is None and made_at is not None:
            self._shown, self.made_at = shown, made_at

    def active(self) -> list[PublishedAlert]:
        """The alerts of trips that are not cancelled. Raises StoreError."""
        running = {trip.id for trip in self._store.trips()}
        return [shown for id_, shown in self._shown.items() if id_ in running]

    def _of(self, plan: Plan, route: Route) -> PublishedAlert | None:
        """The alert of a plan; None when there is nothing to publish and nothing to cancel."""
        last = PUBLISHED_ALERTS.load(self._store, plan.trip_id, 1)
        previous = last[0].value if last else None
        active = previous is not None and not previous.taken_back
        identifier = f"alertd.{plan.id}"
        if previous is not None and previous.identifier == identifier:  # the plan has not changed
            previous = previous.earlier
            active = previous is not None
        if not has_alert(plan) and not active:
            return None
        earlier: tuple[CapReference, ...] = ()
        if previous is not None and active:
            sent = datetime.fromisoformat(previous.sent)
            earlier = (CapReference(sender=previous.sender, identifier=previous.identifier, sent=sent),)
        xml = cap_alert(plan, route, self.sender, plan.made_at, earlier=earlier)
        alert = AlertReference(
            identifier=identifier,
            sender=self.sender.id,
            sent=str(to_plain(plan.made_at)),
            taken_back=not has_alert(plan),
            earlier=replace(previous, earlier=None) if previous is not None and active else None,
        )
        PUBLISHED_ALERTS.save(self._store, alert, plan.made_at, plan.trip_id)
        return PublishedAlert(identifier=identifier, xml=xml)

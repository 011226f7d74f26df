"""CAP alerts of the active plans, for systems that fetch alerts instead of receiving webhooks.

Published alerts are stored as events, so an alert after a restart still references those that it replaces. Each cycle
rebuilds the alerts themselves.
"""

import asyncio
import hashlib
import json
import logging
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.delivery.cloudevents import source_of
from alertd.errors import InputError, SourceError
from alertd.notices.formats.cap import CapReference, CapSender, cap_alert, has_alert
from alertd.plan.model import Plan
from alertd.plan.serialize import canonical, to_plain
from alertd.planning.planner import Planner
from alertd.route.model import Route
from alertd.service.cycle import CycleOutcome
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

KIND: Final = "alert"


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

    def active(self) -> list[PublishedAlert]:
        """The alerts of trips that are not cancelled. Raises StoreError."""
        running = {trip.id for trip in self._store.trips()}
        return [shown for id_, shown in self._shown.items() if id_ in running]

    def _of(self, plan: Plan, route: Route) -> PublishedAlert | None:
        """The alert of a plan; None when there is nothing to publish and nothing to cancel."""
        last = self._store.events(plan.trip_id, KIND, 1)
        said = json.loads(last[0].body) if last else None
        stands = said is not None and not said["taken_back"]
        identifier = f"alertd.{plan.id}"
        if said is not None and said["identifier"] == identifier:  # the plan has not changed
            stands, said = said["earlier"] is not None, said["earlier"]
        if not has_alert(plan) and not stands:
            return None
        earlier: tuple[CapReference, ...] = ()
        if stands and said is not None:
            earlier = (
                CapReference(
                    sender=said["sender"],
                    identifier=said["identifier"],
                    sent=datetime.fromisoformat(said["sent"]),
                ),
            )
        xml = cap_alert(plan, route, self.sender, plan.made_at, earlier=earlier)
        self._save(plan, identifier, {**said, "earlier": None} if stands and said else None)
        return PublishedAlert(identifier=identifier, xml=xml)

    def _save(self, plan: Plan, identifier: str, earlier: dict[str, object] | None) -> None:
        body = {
            "identifier": identifier,
            "sender": self.sender.id,
            "sent": to_plain(plan.made_at),
            "taken_back": not has_alert(plan),
            "earlier": earlier,
        }
        id_ = f"{KIND}_{hashlib.sha256(f'{plan.trip_id} {identifier}'.encode()).hexdigest()[:32]}"
        self._store.put_event(
            StoredEvent(id=id_, trip_id=plan.trip_id, kind=KIND, at=plan.made_at, body=canonical(body))
        )

"""Reports to the fleet's systems when a delivery becomes late, later, or is on time again: early word to a customer.

An event, not a message: it goes by webhook only, once per change. Recovery needs a complete plan that has lasted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from alertd.i18n import odds
from alertd.notices.formats.webhook_event import delivery_event
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy
from alertd.notices.text import days_text, phrases
from alertd.notices.triggers.lasting import forecast_at, has_lasted
from alertd.plan.model.days import DeliveryNote
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import canonical, to_plain

KEPT = timedelta(hours=24)  # after the latest arrival, as for the event of a plan


class DeliveryStatus(StrEnum):
    """How a delivery stands against the end of its window."""

    ON_TIME = "on_time"
    MAY_BE_LATE = "may_be_late"
    LATE = "late"

    @property
    def rank(self) -> int:
        """Order from on time to late."""
        return list(DeliveryStatus).index(self)


_WORDS = {
    DeliveryStatus.ON_TIME: "expected on time again",
    DeliveryStatus.MAY_BE_LATE: "may be late",
    DeliveryStatus.LATE: "expected late",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SentDelivery:
    """What was last sent about a trip's delivery; on time before anything was.

    late_s: expected lateness then. turn: number of events so far. milder_since, milder_on: since when, and on which
    forecast, plans have been milder than what was sent; None where the last one is not.
    """

    status: DeliveryStatus = DeliveryStatus.ON_TIME
    late_s: float = 0.0
    turn: int = 0
    milder_since: datetime | None = None
    milder_on: datetime | None = None


def delivery_to_plain(sent: SentDelivery) -> dict[str, Any]:
    """Return the stored JSON."""
    plain: dict[str, Any] = to_plain(sent)
    return plain


def delivery_from_plain(row: Mapping[str, Any] | None) -> SentDelivery:
    """Return what was sent from its stored JSON; None, from an older version, is nothing."""
    if row is None:
        return SentDelivery()
    since, on = (datetime.fromisoformat(row[n]) if row[n] else None for n in ("milder_since", "milder_on"))
    return SentDelivery(
        status=DeliveryStatus(row["status"]),
        late_s=float(row["late_s"]),
        turn=int(row["turn"]),
        milder_since=since,
        milder_on=on,
    )


def delivery_notices(
    plan: Plan, sent: SentDelivery, now_utc: datetime, policy: Policy
) -> tuple[tuple[Notice, ...], SentDelivery]:
    """Return the event that a plan requires, if any, and what is sent afterwards.

    It rises at once, also on partial data. It falls on a complete plan only, below lower limits, after it has lasted.
    """
    x = plan.delivery
    if x is None or x.late_s is None or plan.arrived_at is not None:
        return (), sent
    now = _status(plan, x, x.late_s, policy.delivery_late_probability, policy.delivery_late)
    both_late = now is sent.status is DeliveryStatus.LATE
    if now.rank > sent.status.rank or (both_late and x.late_s - sent.late_s >= policy.delivery_step.total_seconds()):
        return _send(plan, x, now, sent, NoticeKind.WORSE, now_utc)
    fallen = _status(plan, x, x.late_s, policy.delivery_cleared_probability, timedelta(0))
    less_late = both_late and sent.late_s - x.late_s >= policy.delivery_step.total_seconds()
    if _is_incomplete(plan) or not (fallen.rank < sent.status.rank or less_late):
        return (), replace(sent, milder_since=None, milder_on=None)
    if not has_lasted(sent.milder_since, sent.milder_on, plan, now_utc, policy):
        if sent.milder_since is None and policy.may_ease:
            return (), replace(sent, milder_since=now_utc, milder_on=forecast_at(plan))
        return (), sent
    return _send(plan, x, fallen, sent, NoticeKind.EASED, now_utc)


def _status(plan: Plan, x: DeliveryNote, late_s: float, probability: float, late: timedelta) -> DeliveryStatus:
    """Return the status by these limits. A truck that waits for a road may be late, whatever the clock says."""
    if late_s >= late.total_seconds():
        return DeliveryStatus.LATE
    if plan.hold is not None or (x.late_probability is not None and x.late_probability >= probability):
        return DeliveryStatus.MAY_BE_LATE
    return DeliveryStatus.ON_TIME


def _is_incomplete(plan: Plan) -> bool:
    """Whether anything is missing that an arrival depends on: weather, postings, the position, or the far end's."""
    beyond = plan.days is not None and plan.days.forecast_ends_at is not None
    unseen = plan.position is not None and plan.position.old
    return plan.partial or bool(plan.posted_missing) or unseen or beyond


def _send(
    plan: Plan, x: DeliveryNote, status: DeliveryStatus, sent: SentDelivery, kind: NoticeKind, now_utc: datetime
) -> tuple[tuple[Notice, ...], SentDelivery]:
    turn = sent.turn + 1
    id_ = notice_id(kind, Audience.FLEET, plan.trip_id, "delivery", status, str(turn))
    text = delivery_words(plan, x, status)
    notice = Notice(
        id=id_,
        kind=kind,
        audience=Audience.FLEET,
        trip_id=plan.trip_id,
        plan_id=plan.id,
        created_at=now_utc,
        expires_at=plan.arrive_late + KEPT,
        text=text,
        body=canonical(delivery_event(id_, kind, plan, (status.value, sent.status.value), text, now_utc)),
    )
    return (notice,), SentDelivery(status=status, late_s=x.late_s or 0.0, turn=turn)


def delivery_words(plan: Plan, x: DeliveryNote, status: DeliveryStatus) -> str:
    """Return the status, the window and the lateness in both futures, how sure it is, and the age of the forecast."""
    parts = [f"{plan.trip_id}: delivery {_WORDS[status]}; {days_text.delivery_line(plan)}"]
    if x.late_probability is not None and plan.hold is None:
        parts.append(f"chance of being late: {odds(x.late_probability)}")
    parts.append(f"{phrases.forecast_age(plan)}{', some of it old or missing' if plan.partial else ''}")
    return f"{'. '.join(parts)}. {phrases.SIGNS}"

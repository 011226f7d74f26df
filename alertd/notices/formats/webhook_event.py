"""Builds the body of a webhook event; its JSON Schema is shared/webhook-event.schema.json."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from alertd.notices.headline import arrival, headlines
from alertd.notices.model import Audience, NoticeKind
from alertd.notices.text import days_text, phrases
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Along, Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import to_plain

FORMAT = "alertd.event/1"
MAX_POSTED = 20  # posted controls in an event, in route order, those without a known place last
MOST_SURFACES = 12  # runs of winter road in an event, icy ones first
MAX_BRIDGES = 10  # bridges in an event; a frosty night may have hundreds, and a receiver's memory is limited


BINDING: Final = ("ban", "restriction", "winter tires", "speed")  # kinds of duties in an event


def plan_event(notice_id: str, kind: NoticeKind, plan: Plan, now_utc: datetime) -> dict[str, Any]:
    """Return a trip's plan for the fleet's systems.

    It omits the per-kilometre trace, the compared departures that are not suggested, and the alternatives of a demand:
    a tri-drive rig has nearly a hundred ways to meet one text. The event counts the tires and names those to chain. It
    names the ten likeliest bridges, while the cautions count all, and twelve runs of winter road. Of the law it has the
    counts and the duties that bind; tires one by one, exemptions, fines and notes are on the law page of the trip.
    """
    likeliest = sorted(plan.bridges, key=lambda b: -b.probability)[:MAX_BRIDGES]
    bridges = tuple(sorted(likeliest, key=lambda b: b.start_m))
    gravest = sorted(plan.surfaces, key=lambda s: (not s.icy, -s.probability, s.start_m))[:MOST_SURFACES]
    data = to_plain(
        replace(
            plan,
            along=Along(begins_at=plan.depart_at),
            departures=(),
            bridges=bridges,
            posted=plan.posted[:MAX_POSTED],
            surfaces=tuple(sorted(gravest, key=lambda s: s.start_m)),
        )
    )
    del data["along"], data["departures"]
    for land in data["law"]:
        del land["tires"], land["devices"], land["clause_doubts"]
        land["duties"] = [duty for duty in land["duties"] if duty["kind"] in BINDING]
    for stretch in data["stretches"]:
        for demand in stretch["hanging"]["demands"]:
            demand["tires_min"] = min(map(len, demand.pop("choices")))
    return {
        "type": "trip.plan",
        "format": FORMAT,
        "timestamp": to_plain(now_utc),
        "data": {
            "notice_id": notice_id,
            "kind": kind.value,
            "authority": POSTED_SIGNS_DECIDE,
            "headline": headlines(plan),
            "arrival": arrival(plan),
            "delivery": days_text.delivery_line(plan),
            "plan": data,
        },
    }


def delivery_event(
    notice_id: str, kind: NoticeKind, plan: Plan, statuses: tuple[str, str], text: str, now_utc: datetime
) -> dict[str, Any]:
    """Return how a delivery stands, for the fleet's systems. statuses: now, and as last sent.

    Raises ValueError for a plan without a delivery window.
    """
    if plan.delivery is None:
        raise ValueError(f"trip {plan.trip_id} has no delivery window")
    status, before = statuses
    return {
        "type": "trip.delivery",
        "format": FORMAT,
        "timestamp": to_plain(now_utc),
        "data": {
            "notice_id": notice_id,
            "kind": kind.value,
            "authority": POSTED_SIGNS_DECIDE,
            "trip_id": plan.trip_id,
            "plan_id": plan.id,
            "status": status,
            "status_before": before,
            "delivery": to_plain(plan.delivery),
            "arrive_at": to_plain(plan.arrive_at),
            "waits": plan.hold is not None,
            "partial": plan.partial,
            "text": text,
        },
    }


def message_event(
    notice_id: str,
    kind: NoticeKind,
    audience: Audience,
    plan: Plan,
    text: str,
    now_utc: datetime,
    advice: Advice | None = None,
    marks: Sequence[str] = (),
) -> dict[str, Any]:
    """Return a text for a person, to be passed on by the fleet's own means and never to a moving truck.

    advice: of the one place that the text is about, None if it is not about one place. marks: "digest" for one that
    only the next digest has, "pass_on" for a driver's message to the office.
    """
    about = {} if advice is None else {"advice": advice.value}
    return {
        "type": "trip.message",
        "format": FORMAT,
        "timestamp": to_plain(now_utc),
        "data": {
            "notice_id": notice_id,
            "kind": kind.value,
            "authority": POSTED_SIGNS_DECIDE,
            "audience": audience.value,
            "trip_id": plan.trip_id,
            "plan_id": plan.id,
            "driver": plan.driver,
            "dispatcher": plan.dispatcher,
            "text": text,
            "read": phrases.PARKED,
            **about,
            **dict.fromkeys(marks, True),
        },
    }


def brief_event(notice_id: str, fleet: str, local_date: str, text: str, now_utc: datetime) -> dict[str, Any]:
    """Return the morning brief of a fleet."""
    return {
        "type": "fleet.brief",
        "format": FORMAT,
        "timestamp": to_plain(now_utc),
        "data": {
            "notice_id": notice_id,
            "kind": NoticeKind.BRIEF.value,
            "authority": POSTED_SIGNS_DECIDE,
            "fleet": fleet,
            "local_date": local_date,
            "text": text,
        },
    }

"""A notice: one message to one audience, caused by a changed plan or a scheduled time."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Audience(StrEnum):
    """Who receives a notice."""

    DRIVER = "driver"
    DISPATCHER = "dispatcher"
    FLEET = "fleet"  # the fleet's own systems, by webhook


class NoticeKind(StrEnum):
    """Why a notice is sent."""

    PLAN = "plan"  # the first plan of a trip
    WORSE = "worse"  # the advice rose, or the driver must act sooner or do more
    CHANGED = "changed"  # place, tires or time changed, and the driver need not act sooner or do more
    EASED = "eased"  # the advice fell; never sent on missing or stale data
    BRIEF = "brief"  # the morning brief, one per fleet and local date
    DATA = "data"  # forecasts missing or stale: be ready to chain
    OUTLOOK = "outlook"  # the evening before
    EARLY = "early"  # hours before the chain-up place, if the last message about it is old
    APPROACH = "approach"  # the last message before the chain-up place
    RECHECK = "recheck"  # some time after chaining up
    OFF = "off"  # before the place where chains come off
    UNREAD = "unread"  # an urgent message is not confirmed


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One notice. `body` is the JSON text of its webhook, fixed at creation: every attempt sends these bytes.

    `expires_at`: after this time the notice is dropped as expired, not sent late.
    """

    id: str
    kind: NoticeKind
    audience: Audience
    trip_id: str  # "" for a brief
    plan_id: str  # "" for a brief
    created_at: datetime
    expires_at: datetime
    text: str
    body: str


def notice_id(kind: NoticeKind, audience: Audience, *content: str) -> str:
    """Return an id derived from content and audience: equal content is the same notice, so it is sent once.

    `content`: the trip and the facts that matter to the reader, in a fixed order.
    """
    digest = hashlib.sha256("\x1f".join((kind, audience, *content)).encode()).hexdigest()
    return f"ntc_{digest[:32]}"

"""One thing said to one audience because a plan changed or a moment came, with an identity of its own."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Audience(StrEnum):
    DRIVER = "driver"
    DISPATCHER = "dispatcher"
    FLEET = "fleet"  # the fleet's own systems, by webhook


class NoticeKind(StrEnum):
    PLAN = "plan"  # the first plan of a trip
    WORSE = "worse"  # the advice rose, or the place, tires or time changed materially
    EASED = "eased"  # the advice fell; never sent on missing or stale data
    BRIEF = "brief"  # the morning brief, one a fleet and local date
    DATA = "data"  # forecasts missing or stale: be ready to chain
    OUTLOOK = "outlook"  # the evening before
    EARLY = "early"  # hours before the chain-up place, when it was said long ago
    APPROACH = "approach"  # the last message before the chain-up place
    RECHECK = "recheck"  # some time after hanging
    OFF = "off"  # before the place where chains come off
    UNREAD = "unread"  # nobody confirmed an urgent message


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What is said. `body` is the JSON text a webhook carries, fixed here once: every try sends these bytes.

    `expires_at`: after this moment it is no longer of use and is dropped with that reason, not sent late.
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
    """An id derived from what is said to whom: the same content twice is the same notice, so nothing is said twice.

    `said` are the trip and the facts that make a difference to the reader, in a fixed order.
    """
    digest = hashlib.sha256("\x1f".join((kind, audience, *content)).encode()).hexdigest()
    return f"ntc_{digest[:32]}"

"""Row types that the store returns. Every time is aware and UTC."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from alertd.notices.model import Notice


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTrip:
    """A registered trip. `body` is its JSON text, as received."""

    id: str
    body: str
    created_at: datetime
    cancelled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPlan:
    """A stored plan. `body` is its JSON text."""

    id: str
    trip_id: str
    made_at: datetime
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ThinnedPlan:
    """What remains of a plan that retention removed before its days.

    facts: advice, chain probability, departure and arrival as in the plan; empty where its form was unknown.
    """

    id: str
    trip_id: str
    made_at: datetime
    thinned_at: datetime
    facts: tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRecord:
    """A plan to record with its notices. kept: see `plans.plan_text`. settled: False while the clock is in doubt."""

    id: str
    trip_id: str
    made_at: datetime
    kept: str
    notices: Sequence[Notice] = ()
    settled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """A report of a person or device. `id` is derived from the content; `body` is its JSON text."""

    id: str
    trip_id: str  # "" when it is not about a trip
    kind: str
    at: datetime
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Key of a notice that is sent once, such as the brief of one fleet on one local date (ISO text)."""

    kind: str
    fleet: str
    local_date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimedDelivery:
    """One notice claimed for one channel. Every attempt sends this `body`; `attempt` counts from 1."""

    id: int
    notice_id: str
    kind: str
    audience: str
    trip_id: str  # "" for a brief
    target: str
    text: str
    body: bytes
    created_at: datetime
    expires_at: datetime
    attempt: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """The state of one notice on one channel, for display."""

    id: int
    notice_id: str
    kind: str
    trip_id: str
    target: str
    state: str
    attempts: int
    next_try: datetime
    expires_at: datetime
    settled_at: datetime | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxHealth:
    """Totals of the outbox; `oldest_waiting_age_s` is 0 when no delivery waits."""

    waiting_n: int
    parked_n: int
    expired_n: int
    done_n: int
    oldest_waiting_age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A task to do once. `owner` and `epoch` are those of its last claim, "" and 0 before the first."""

    kind: str
    key: str
    due_at: datetime
    state: str
    owner: str
    epoch: int
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredToken:
    """An API token, identified by its hash only."""

    id: str
    hash: str
    name: str
    scopes: tuple[str, ...]
    created_at: datetime
    expires_at: datetime | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAnswer:
    """The response to a request with an idempotency key; the hash tells a repeated request from a different one."""

    route: str
    key: str
    request_hash: str
    status: int
    body: str
    created_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredChannelCounts:
    """Delivery counts of one channel. The times are None when no delivery supplies them."""

    target: str
    waiting_n: int
    parked_n: int
    expired_n: int
    done_n: int
    last_done_at: datetime | None
    oldest_waiting_at: datetime | None

"""What the store hands out: rows as values. Every time is aware and UTC."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTrip:
    """A trip as it was registered. `body` is its JSON text, kept as given."""

    id: str
    body: str
    created_at: datetime
    cancelled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPlan:
    id: str
    trip_id: str
    made_at: datetime
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """What a person or device reported. `id` is derived from what it says; `body` is its JSON text."""

    id: str
    trip_id: str  # "" when it is about no trip
    kind: str
    at: datetime
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """What may be said once only, such as the brief of one fleet on one local date (ISO text)."""

    kind: str
    fleet: str
    local_date: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimedDelivery:
    """One notice on its way to one target. Every try sends this `body`; `attempt` counts from 1, this one included."""

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
    """The state of one notice to one target, for people to read."""

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
    """`oldest_waiting_age_s` is 0 when nothing waits."""

    waiting_n: int
    parked_n: int
    expired_n: int
    done_n: int
    oldest_waiting_age_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """What is to be done once. `owner` and `epoch` are of its last claim, "" and 0 before the first."""

    kind: str
    key: str
    due_at: datetime
    state: str
    owner: str
    epoch: int
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredChannel:
    """One channel as the store knows it: "up", "failing" or "disabled". `failures`: in a row since the last success."""

    target: str
    state: str
    since: datetime
    why: str = ""
    last_success_at: datetime | None = None
    last_failure_at: datetime | None = None
    failures: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredToken:
    """A caller's token, by its hash only."""

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
    """What was answered to a request with a key of its own; the hash tells the same request from another."""

    route: str
    key: str
    request_hash: str
    status: int
    body: str
    created_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredChannelCounts:
    """One target's deliveries, counted. The times are None where there is nothing to take them from."""

    target: str
    waiting_n: int
    parked_n: int
    expired_n: int
    done_n: int
    last_done_at: datetime | None
    oldest_waiting_at: datetime | None

"""Table definitions, the same on SQLite and PostgreSQL. A schema change needs a step in `migrations`."""

from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import (
    Boolean,
    Column,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

REVISION: Final = "0007"  # newest revision in `migrations`


class Utc(TypeDecorator[datetime]):
    """Column type for an aware datetime. SQLite has no such type and stores `2026-01-05T12:00:00.000000Z`.

    That text has a fixed width, so text order is time order.
    """

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no time zone")
        utc = value.astimezone(UTC)
        if dialect.name != "sqlite":
            return utc
        # isoformat, not strftime: %Y drops leading zeros on some systems.
        return utc.isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: str | datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return datetime.fromisoformat(value) if isinstance(value, str) else value.astimezone(UTC)


metadata = MetaData()

meta = Table("meta", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))

trips = Table(
    "trips",
    metadata,
    Column("id", Text, primary_key=True),
    Column("created_at", Utc, nullable=False),
    Column("cancelled", Boolean, nullable=False),
    Column("body", Text, nullable=False),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Text, primary_key=True),
    Column("trip_id", Text, ForeignKey("trips.id"), nullable=False),
    Column("made_at", Utc, nullable=False),
    Column("body", Text, nullable=False),
    Index("plans_by_trip", "trip_id", "made_at"),
    Index("plans_by_age", "made_at"),
)

# Texts that were moved here from `plans` and `notices`, many in a row. See `plans.packed_texts`. Ids are never reused,
# so what was read of a pack stays true.
packs = Table(
    "packs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("texts", LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)

# What remains of plans that retention has removed before their days, as numbers that take little space. `facts`: see
# `plans.packed_texts`.
thinned_plans = Table(
    "thinned_plans",
    metadata,
    Column("id", Text, primary_key=True),
    Column("trip_id", Text, nullable=False),
    Column("made_epoch_s", Integer, nullable=False),
    Column("thinned_epoch_s", Integer, nullable=False),
    Column("facts", Text, nullable=False),
    sqlite_with_rowid=False,
)

# A slot is the key of a notice that is sent once, such as the brief of one fleet on one local date.
slots = Table(
    "slots",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("fleet", Text, primary_key=True),
    Column("local_date", Text, primary_key=True),
    Column("filled_at", Utc, nullable=False),
)

notices = Table(
    "notices",
    metadata,
    Column("id", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("audience", Text, nullable=False),
    Column("trip_id", Text, ForeignKey("trips.id")),
    Column("plan_id", Text, ForeignKey("plans.id")),
    Column("created_at", Utc, nullable=False),
    Column("expires_at", Utc, nullable=False),
    Column("text", Text, nullable=False),
    Column("body", Text, nullable=False),
    Index("notices_by_trip", "trip_id", "created_at"),
    Index("notices_by_age", "created_at"),
    Index("notices_by_plan", "plan_id"),
)

# When a clock that servers confirm first found a notice in the store. Retention counts from it: the times of the notice
# itself may come from a wrong clock.
notices_seen = Table(
    "notices_seen",
    metadata,
    Column("notice_id", Text, ForeignKey("notices.id"), primary_key=True),
    Column("seen_at", Utc, nullable=False),
    Index("notices_seen_by_age", "seen_at"),
)

# The outbox. `thread` is the trip, or the notice itself when it has none. Order is kept within a thread and target.
deliveries = Table(
    "deliveries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("notice_id", Text, ForeignKey("notices.id"), nullable=False),
    Column("target", Text, nullable=False),
    Column("thread", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_try", Utc, nullable=False),
    Column("expires_at", Utc, nullable=False),
    Column("owner", Text),
    Column("lease_until", Utc),
    Column("settled_at", Utc),
    Column("note", Text, nullable=False),
    UniqueConstraint("notice_id", "target"),
    Index("deliveries_due", "state", "target", "next_try"),
    Index("deliveries_thread", "target", "thread", "state", "id"),
    # Ids are never reused, so the older delivery always has the smaller id.
    sqlite_autoincrement=True,
)

# Numbers of the events that are sent, in the order of their commits. `type` is that of the notice's body.
event_log = Table(
    "event_log",
    metadata,
    Column("seq", Integer, primary_key=True),
    Column("notice_id", Text, ForeignKey("notices.id"), nullable=False),
    Column("type", Text, nullable=False),
    UniqueConstraint("notice_id"),
    # Numbers are never reused: a reader continues from the last one that it has seen.
    sqlite_autoincrement=True,
)

# Each attempt to deliver a notice to a channel: done, failed, parked, expired or requeued.
attempts = Table(
    "attempts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("delivery_id", Integer, ForeignKey("deliveries.id"), nullable=False),
    Column("at", Utc, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index("attempts_by_delivery", "delivery_id"),
    sqlite_autoincrement=True,
)

# Reports of people and devices: notice read, chains on, chains off, a position, a closed road.
events = Table(
    "events",
    metadata,
    Column("id", Text, primary_key=True),
    Column("trip_id", Text, ForeignKey("trips.id")),
    Column("kind", Text, nullable=False),
    Column("at", Utc, nullable=False),
    Column("body", Text, nullable=False),
    Index("events_by_trip", "trip_id", "at"),
    Index("events_by_kind", "kind", "at"),
)

# One row. Every write transaction begins by locking it: writers run one at a time, and one with an old epoch is
# refused. `beat` rises while the leader lives; `locked` is true when the leader holds the store's lock beside its
# lease.
leader = Table(
    "leader",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("epoch", Integer, nullable=False),
    Column("beat", Integer, nullable=False),
    Column("owner", Text),
    Column("locked", Boolean, nullable=False),
    Column("since", Utc),
)

# Workers that deliver. `beat` rises while a worker lives; `offers` is the fingerprint of its channels' settings.
senders = Table(
    "senders",
    metadata,
    Column("owner", Text, primary_key=True),
    Column("beat", Integer, nullable=False),
    Column("offers", Text, nullable=False),
)

# Channels that the leader has given to a worker. All others are the leader's.
channel_senders = Table(
    "channel_senders",
    metadata,
    Column("target", Text, primary_key=True),
    Column("owner", Text, nullable=False),
)

# At most one row: the leader's time for its workers, and whether it is good enough to expire anything.
leader_clock = Table(
    "leader_clock",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("beat", Integer, nullable=False),
    Column("now", Utc, nullable=False),
    Column("settles", Boolean, nullable=False),
)

# Tasks to do once. `epoch` counts the claims: a result counts only under the claim that it belongs to.
due = Table(
    "due",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("key", Text, primary_key=True),
    Column("due_at", Utc, nullable=False),
    Column("state", Text, nullable=False),
    Column("owner", Text),
    Column("lease_until", Utc),
    Column("epoch", Integer, nullable=False),
    Column("outcome", Text, nullable=False),
    Index("due_next", "state", "due_at"),
)

# Channel states that survive a restart: up, failing or disabled, reason, since when, record of attempts.
endpoints = Table(
    "endpoints",
    metadata,
    Column("target", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("since", Utc, nullable=False),
    Column("last_success_at", Utc),
    Column("last_failure_at", Utc),
    Column("failures", Integer, nullable=False),
)

# API tokens. Only the hash is stored, so a leaked store grants no access. `scopes` are words separated by spaces.
tokens = Table(
    "tokens",
    metadata,
    Column("id", Text, primary_key=True),
    Column("hash", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("scopes", Text, nullable=False),
    Column("created_at", Utc, nullable=False),
    Column("expires_at", Utc),
    Column("revoked_at", Utc),
    Column("last_used_at", Utc),
)

# Stored responses, so that a repeated request gets the same one.
idempotency = Table(
    "idempotency",
    metadata,
    Column("route", Text, primary_key=True),
    Column("key", Text, primary_key=True),
    Column("request_hash", Text, nullable=False),
    Column("status", Integer, nullable=False),
    Column("body", Text, nullable=False),
    Column("created_at", Utc, nullable=False),
    Index("idempotency_by_age", "created_at"),
)

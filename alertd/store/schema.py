"""The tables, the same on SQLite and PostgreSQL. A change of shape goes together with a step in `migrations`."""

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
    MetaData,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

REVISION: Final = "0003"  # the newest step in `migrations`


class Utc(TypeDecorator[datetime]):
    """An aware datetime. SQLite has no type for it and keeps `2026-01-05T12:00:00.000000Z`.

    That text is of one width, so text order is time order, and a person can read it.
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

# A slot is what may be said once only, such as the brief of one fleet on one local date.
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

# The outbox. `thread` is the trip (or the notice itself when it has none): within a thread and target, order is kept.
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
    # An id once given is never given again, so "older" is always the smaller id.
    sqlite_autoincrement=True,
)

# What people and devices report back: read it, chains on, chains off, a position, a closed road.
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

# One row. Every transaction that writes begins by locking it: writers take turns, and one whose epoch has passed is
# refused. `beat` rises while the leader lives; `locked` says whether it holds the store's lock beside its lease.
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

# What is to be done once at a time. `epoch` counts the claims: a verdict counts only under the claim that it is of.
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

# The state of each channel that outlives a run: in use, failing or disabled, why, since when, how its tries went.
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

# Who may call. Only the hash is kept: what lies in the store opens nothing. `scopes` are words with blanks between.
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

# Answers given, so that a request sent again gets the same one.
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

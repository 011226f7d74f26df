"""The tables. Times are UTC ISO text of one fixed width: text order is time order, and a person can read them."""

from datetime import UTC, datetime

from sqlalchemy import (
    Boolean,
    Column,
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

# Raised by one with every change of shape, together with the step that brings an older file up to it.
SCHEMA_VERSION = 1


class UtcText(TypeDecorator[datetime]):
    """An aware datetime, kept as `2026-01-05T12:00:00.000000Z`."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no time zone")
        # isoformat, not strftime: %Y drops leading zeros on some systems.
        return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


metadata = MetaData()

meta = Table("meta", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))

trips = Table(
    "trips",
    metadata,
    Column("id", Text, primary_key=True),
    Column("created_at", UtcText, nullable=False),
    Column("cancelled", Boolean, nullable=False),
    Column("body", Text, nullable=False),
)

plans = Table(
    "plans",
    metadata,
    Column("id", Text, primary_key=True),
    Column("trip_id", Text, ForeignKey("trips.id"), nullable=False),
    Column("made_at", UtcText, nullable=False),
    Column("body", Text, nullable=False),
    Index("plans_by_trip", "trip_id", "made_at"),
)

# A slot is what may be said once only, such as the brief of one fleet on one local date.
slots = Table(
    "slots",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("fleet", Text, primary_key=True),
    Column("local_date", Text, primary_key=True),
    Column("filled_at", UtcText, nullable=False),
)

notices = Table(
    "notices",
    metadata,
    Column("id", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("audience", Text, nullable=False),
    Column("trip_id", Text, ForeignKey("trips.id")),
    Column("plan_id", Text, ForeignKey("plans.id")),
    Column("created_at", UtcText, nullable=False),
    Column("expires_at", UtcText, nullable=False),
    Column("text", Text, nullable=False),
    Column("body", Text, nullable=False),
    Index("notices_by_trip", "trip_id", "created_at"),
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
    Column("next_try", UtcText, nullable=False),
    Column("expires_at", UtcText, nullable=False),
    Column("owner", Text),
    Column("lease_until", UtcText),
    Column("settled_at", UtcText),
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
    Column("at", UtcText, nullable=False),
    Column("body", Text, nullable=False),
    Index("events_by_trip", "trip_id", "at"),
)

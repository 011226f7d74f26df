"""Schema revision 1: the tables of the first alertd."""

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0001", None


def upgrade() -> None:
    op.create_table("meta", sa.Column("key", sa.Text, primary_key=True), sa.Column("value", sa.Text, nullable=False))
    op.create_table(
        "trips",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("created_at", Utc, nullable=False),
        sa.Column("cancelled", sa.Boolean, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "plans",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("trip_id", sa.Text, sa.ForeignKey("trips.id"), nullable=False),
        sa.Column("made_at", Utc, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("plans_by_trip", "plans", ["trip_id", "made_at"])
    op.create_table(
        "slots",
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("fleet", sa.Text, primary_key=True),
        sa.Column("local_date", sa.Text, primary_key=True),
        sa.Column("filled_at", Utc, nullable=False),
    )
    op.create_table(
        "notices",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("audience", sa.Text, nullable=False),
        sa.Column("trip_id", sa.Text, sa.ForeignKey("trips.id")),
        sa.Column("plan_id", sa.Text, sa.ForeignKey("plans.id")),
        sa.Column("created_at", Utc, nullable=False),
        sa.Column("expires_at", Utc, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("notices_by_trip", "notices", ["trip_id", "created_at"])
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("notice_id", sa.Text, sa.ForeignKey("notices.id"), nullable=False),
        sa.Column("target", sa.Text, nullable=False),
        sa.Column("thread", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("next_try", Utc, nullable=False),
        sa.Column("expires_at", Utc, nullable=False),
        sa.Column("owner", sa.Text),
        sa.Column("lease_until", Utc),
        sa.Column("settled_at", Utc),
        sa.Column("note", sa.Text, nullable=False),
        sa.UniqueConstraint("notice_id", "target"),
        sqlite_autoincrement=True,
    )
    op.create_index("deliveries_due", "deliveries", ["state", "target", "next_try"])
    op.create_index("deliveries_thread", "deliveries", ["target", "thread", "state", "id"])
    op.create_table(
        "events",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("trip_id", sa.Text, sa.ForeignKey("trips.id")),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", Utc, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("events_by_trip", "events", ["trip_id", "at"])

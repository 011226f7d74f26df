"""Schema revision 2: leader election, and tables for due slots, channels, tokens and stored answers."""

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0002", "0001"


def upgrade() -> None:
    # The first alertd checks only this number, and so refuses an upgraded store.
    op.execute("DELETE FROM meta WHERE key = 'schema_version'")
    op.execute("INSERT INTO meta (key, value) VALUES ('schema_version', '2')")
    op.create_index("events_by_kind", "events", ["kind", "at"])
    op.create_index("plans_by_age", "plans", ["made_at"])
    op.create_index("notices_by_age", "notices", ["created_at"])
    op.create_index("notices_by_plan", "notices", ["plan_id"])
    op.create_table(
        "leader",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("epoch", sa.Integer, nullable=False),
        sa.Column("beat", sa.Integer, nullable=False),
        sa.Column("owner", sa.Text),
        sa.Column("locked", sa.Boolean, nullable=False),
        sa.Column("since", Utc),
    )
    op.execute("INSERT INTO leader (id, epoch, beat, locked) VALUES (1, 0, 0, false)")
    op.create_table(
        "due",
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("due_at", Utc, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("owner", sa.Text),
        sa.Column("lease_until", Utc),
        sa.Column("epoch", sa.Integer, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
    )
    op.create_index("due_next", "due", ["state", "due_at"])
    op.create_table(
        "endpoints",
        sa.Column("target", sa.Text, primary_key=True),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("since", Utc, nullable=False),
        sa.Column("last_success_at", Utc),
        sa.Column("last_failure_at", Utc),
        sa.Column("failures", sa.Integer, nullable=False),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("hash", sa.Text, nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("scopes", sa.Text, nullable=False),
        sa.Column("created_at", Utc, nullable=False),
        sa.Column("expires_at", Utc),
        sa.Column("revoked_at", Utc),
        sa.Column("last_used_at", Utc),
    )
    op.create_table(
        "idempotency",
        sa.Column("route", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("request_hash", sa.Text, nullable=False),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("created_at", Utc, nullable=False),
    )
    op.create_index("idempotency_by_age", "idempotency", ["created_at"])

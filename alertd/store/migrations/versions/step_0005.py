"""Schema revision 5: workers that deliver, the channels that they send on, and the leader's time for them."""

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0005", "0004"


def upgrade() -> None:
    op.create_table(
        "senders",
        sa.Column("owner", sa.Text, primary_key=True),
        sa.Column("beat", sa.Integer, nullable=False),
        sa.Column("offers", sa.Text, nullable=False),
    )
    op.create_table(
        "channel_senders",
        sa.Column("target", sa.Text, primary_key=True),
        sa.Column("owner", sa.Text, nullable=False),
    )
    op.create_table(
        "leader_clock",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("beat", sa.Integer, nullable=False),
        sa.Column("now", Utc, nullable=False),
        sa.Column("settles", sa.Boolean, nullable=False),
    )

"""Schema revision 6: when a confirmed clock first found each notice, which retention counts from.

The stored notices count from their own times, as before.
"""

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0006", "0005"


def upgrade() -> None:
    op.create_table(
        "notices_seen",
        sa.Column("notice_id", sa.Text, sa.ForeignKey("notices.id"), primary_key=True),
        sa.Column("seen_at", Utc, nullable=False),
    )
    op.create_index("notices_seen_by_age", "notices_seen", ["seen_at"])
    op.execute("INSERT INTO notices_seen (notice_id, seen_at) SELECT id, created_at FROM notices")

"""Schema revision 7: packs of texts of plans and notices, and what remains of thinned plans.

The stored texts stay where they are; housekeeping moves them. An earlier version cannot read the packs.
"""

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0007", "0006"


def upgrade() -> None:
    op.create_table(
        "packs",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("texts", sa.LargeBinary, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "thinned_plans",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("trip_id", sa.Text, nullable=False),
        sa.Column("made_epoch_s", sa.Integer, nullable=False),
        sa.Column("thinned_epoch_s", sa.Integer, nullable=False),
        sa.Column("facts", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )

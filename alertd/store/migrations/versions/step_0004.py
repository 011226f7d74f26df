"""Schema revision 4: a numbered log of events, one row per attempt to deliver, and plans compressed in their text.

Plans that are already stored stay as they are. An earlier version cannot read the compressed ones.
"""

import json

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0004", "0003"


def upgrade() -> None:
    op.create_table(
        "event_log",
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("notice_id", sa.Text, sa.ForeignKey("notices.id"), nullable=False),
        sa.Column("type", sa.Text, nullable=False),
        sa.UniqueConstraint("notice_id"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "attempts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("delivery_id", sa.Integer, sa.ForeignKey("deliveries.id"), nullable=False),
        sa.Column("at", Utc, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("attempts_by_delivery", "attempts", ["delivery_id"])
    _number_old_notices()


def _number_old_notices() -> None:
    """Give the stored notices numbers in the order of their creation, except those that only a digest has."""
    connection = op.get_bind()
    notices = sa.table("notices", *(sa.column(name) for name in ("id", "body")), sa.column("created_at", Utc))
    log = sa.table("event_log", sa.column("notice_id"), sa.column("type"))
    ids = connection.execute(sa.select(notices.c.id).order_by(notices.c.created_at, notices.c.id)).scalars().all()
    for id_ in ids:
        try:
            body = json.loads(connection.execute(sa.select(notices.c.body).where(notices.c.id == id_)).scalar() or "")
        except ValueError:
            body = {}
        body = body if isinstance(body, dict) else {}
        data = body.get("data")
        if isinstance(data, dict) and data.get("digest") is True:
            continue
        connection.execute(log.insert().values(notice_id=id_, type=str(body.get("type", ""))))

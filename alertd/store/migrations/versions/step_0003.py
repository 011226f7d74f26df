"""Schema revision 3: channel states move from `events`, which are pruned by age, to `endpoints`."""

import json

import sqlalchemy as sa
from alembic import op

from alertd.store.schema import Utc

revision, down_revision = "0003", "0002"

_FAILURES_AT_LEAST = 3  # consecutive failures before a channel was recorded as failing


def upgrade() -> None:
    connection = op.get_bind()
    events = sa.table("events", sa.column("id"), sa.column("kind"), sa.column("at", Utc), sa.column("body"))
    endpoints = sa.table(
        "endpoints",
        *(sa.column(name) for name in ("target", "state", "reason", "failures")),
        *(sa.column(name, Utc) for name in ("since", "last_success_at", "last_failure_at")),
    )
    noted = sa.select(events.c.at, events.c.body).where(events.c.kind == "target").order_by(events.c.at, events.c.id)
    newest = {}
    for at, body in connection.execute(noted):
        row = json.loads(body)
        newest[row["target"]] = (at, row)
    connection.execute(endpoints.delete())  # no earlier version used the table
    for target, (at, row) in sorted(newest.items()):
        failures = 0 if row["state"] == "up" else _FAILURES_AT_LEAST
        values = {"target": target, "state": row["state"], "reason": row.get("why", ""), "since": at}
        connection.execute(endpoints.insert().values(**values, failures=failures))
    connection.execute(events.delete().where(events.c.kind == "target"))

"""Workers that deliver for the leader of a store: who lives, and who sends on which channel.

The leader alone gives channels and judges which workers are dead; a worker reads what it has. All of it is in the
store's own tables, so a claim and the question whose channel it is are one transaction.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, insert, select, update

from alertd.store.connection import Database, insert_or
from alertd.store.outbox import Outbox
from alertd.store.schema import channel_senders, deliveries, leader_clock, senders


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """A worker that delivers. `offers`: the fingerprint of its channels' settings; `beat` rises while it lives."""

    owner: str
    beat: int
    offers: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaderTime:
    """The leader's time (UTC) when it raised `beat`. settles: whether that time may expire anything."""

    beat: int
    now: datetime
    settles: bool


class Senders:
    """The delivering workers of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    # For a worker.

    def outbox_of(self, owner: str) -> Outbox:
        """Return the outbox as the worker sees it: with the channels that it has."""
        return Outbox(self._database, owner)

    def join(self, owner: str, offers: str) -> None:
        """Add the worker."""
        with self._database.write() as connection:
            connection.execute(
                insert_or(connection, senders)
                .values(owner=owner, beat=0, offers=offers)
                .on_conflict_do_nothing(index_elements=["owner"])
            )

    def renew(self, owner: str) -> bool:
        """Give a sign of life; return False when the leader has counted the worker as dead."""
        with self._database.write() as connection:
            renewed = connection.execute(
                update(senders).where(senders.c.owner == owner).values(beat=senders.c.beat + 1)
            )
            return renewed.rowcount > 0

    def leader_time(self) -> LeaderTime | None:
        """Return the leader's last time, None before the first."""
        with self._database.read() as connection:
            row = connection.execute(select(leader_clock)).one_or_none()
        return None if row is None else LeaderTime(beat=row.beat, now=row.now, settles=row.settles)

    # For the leader, and for a worker that ends.

    def remove(self, owner: str) -> None:
        """Remove a worker. Its channels are the leader's again, and what it had claimed is due."""
        with self._database.write() as connection:
            connection.execute(delete(senders).where(senders.c.owner == owner))
            connection.execute(delete(channel_senders).where(channel_senders.c.owner == owner))
            connection.execute(
                update(deliveries).where(deliveries.c.owner == owner).values(owner=None, lease_until=None)
            )

    # For the leader.

    def present(self) -> list[Sender]:
        """Return the workers, sorted by name."""
        with self._database.read() as connection:
            rows = connection.execute(select(senders).order_by(senders.c.owner))
            return [Sender(owner=row.owner, beat=row.beat, offers=row.offers) for row in rows]

    def given(self) -> dict[str, str]:
        """Return the worker of each channel that one has."""
        with self._database.read() as connection:
            return {row.target: row.owner for row in connection.execute(select(channel_senders))}

    def give(self, channels: Mapping[str, str]) -> None:
        """Give each channel to its worker, and take back all others."""
        with self._database.write() as connection:
            connection.execute(delete(channel_senders))
            if channels:
                rows = [{"target": target, "owner": owner} for target, owner in channels.items()]
                connection.execute(insert(channel_senders), rows)

    def publish(self, reading: Callable[[], tuple[datetime, bool]]) -> None:
        """Write the leader's time (UTC) and whether it settles. `reading` is called once the transaction has begun."""
        with self._database.write() as connection:
            now, settles = reading()
            new = insert_or(connection, leader_clock).values(id=1, beat=1, now=now, settles=settles)
            connection.execute(
                new.on_conflict_do_update(
                    index_elements=["id"], set_={"beat": leader_clock.c.beat + 1, "now": now, "settles": settles}
                )
            )

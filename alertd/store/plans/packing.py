"""Moves texts of plans and notices that are seldom read into packs: those of one road have most parts in common.

A pack and the references to it are written in one transaction, so a crash leaves each text in one of both places.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Row, Table, and_, bindparam, delete, exists, func, insert, literal, or_, select, update

from alertd.notices.model import Audience
from alertd.store.connection import Database
from alertd.store.plans.packed_texts import PackedTexts, is_packed, pack_bytes, pack_of, reference, words_object
from alertd.store.plans.plan_pack import split_text
from alertd.store.plans.plan_text import full_text
from alertd.store.schema import deliveries, notices, packs, plans, trips
from alertd.store.work.claims import WAITING

MOST_TEXTS: Final = 128  # in a pack: one is read by unpacking all, 30 ms
# Texts of one road wait for a full pack until their span is over, so a small fleet has packs of some hours.
SPAN: Final = timedelta(hours=6)
LAST_PLAN_PACKED_AFTER: Final = timedelta(days=1)  # nobody plans that trip any more
FLEETS_PACKED_AFTER: Final = timedelta(hours=1)  # receivers read the newest ones
PEOPLES_PACKED_AFTER: Final = timedelta(hours=36)  # each run of scheduled notices and each board read those of a trip
_PACKS_AT_ONCE: Final = 500  # whose rests are packed together
_AT_MOST: Final = 50_000  # rows of one run; the others follow in the next

_newer = plans.alias("newer")
_SUPERSEDED: Final = exists().where(_newer.c.trip_id == plans.c.trip_id, _newer.c.made_at > plans.c.made_at)
NAMED: Final = exists().where(notices.c.plan_id == plans.c.id)
_WAITS: Final = exists().where(deliveries.c.notice_id == notices.c.id, deliveries.c.state == WAITING)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Texts:
    """The texts of one row to pack, by column, and the facts that its first reference carries."""

    id: str
    columns: Mapping[str, str]
    facts: Sequence[Any] = ()


class Packing:
    """The packs of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def pack_plans(self, now: datetime) -> int:
        """Pack plans that a newer one of their trip has replaced, and last plans of a day ago; returns how many.

        A plan that a notice names lasts, so it goes into other packs than plans that retention thins.
        """
        last = plans.c.made_at < now - LAST_PLAN_PACKED_AFTER
        query = (
            select(plans.c.id, plans.c.made_at.label("at"), NAMED.label("kind"), trips.c.body.label("trip"))
            .join(trips, trips.c.id == plans.c.trip_id)
            .where(~is_packed(plans.c.body), or_(_SUPERSEDED, last))
            .order_by(plans.c.made_at, plans.c.trip_id)
        )
        return self._pack(query, plans, ("body",), now)

    def pack_notices(self, now: datetime) -> int:
        """Pack notices that no channel waits for; returns how many. Those to people stay longer as they are."""
        old = or_(
            notices.c.created_at < now - PEOPLES_PACKED_AFTER,
            and_(notices.c.audience == Audience.FLEET.value, notices.c.created_at < now - FLEETS_PACKED_AFTER),
        )
        query = (
            select(
                notices.c.id,
                notices.c.created_at.label("at"),
                notices.c.audience.label("kind"),
                trips.c.body.label("trip"),
            )
            .outerjoin(trips, trips.c.id == notices.c.trip_id)
            .where(~is_packed(notices.c.body), old, ~_WAITS)
            .order_by(notices.c.created_at, notices.c.trip_id)
        )
        return self._pack(query, notices, ("body", "text"), now)

    def pack_again(self, pack_ids: Collection[str], now: datetime) -> int:
        """Move what is left of plans in these packs into full ones, after the others were removed; returns how many."""
        left = select(plans.c.id, plans.c.made_at.label("at"), literal(True).label("kind"), trips.c.body.label("trip"))
        left = left.join(trips, trips.c.id == plans.c.trip_id).order_by(plans.c.made_at, plans.c.trip_id)
        wanted, moved = sorted(pack_ids), 0
        for n in range(0, len(wanted), _PACKS_AT_ONCE):
            these = left.where(is_packed(plans.c.body), pack_of(plans.c.body).in_(wanted[n : n + _PACKS_AT_ONCE]))
            moved += self._pack(these, plans, ("body",), now)
        return moved

    def remove_unused(self) -> int:
        """Delete packs that no row names any more; returns how many."""
        with self._database.read() as connection:
            # A row names a pack of the same transaction only, so older packs gain no names meanwhile.
            newest = connection.execute(select(func.max(packs.c.id))).scalar() or 0
            used: set[int] = set()
            for table in (plans, notices):
                named = select(pack_of(table.c.body)).where(is_packed(table.c.body)).distinct()
                used |= {int(digits) for digits in connection.scalars(named)}
            stored = set(connection.scalars(select(packs.c.id).where(packs.c.id <= newest)))
        unused = sorted(stored - used)
        for n in range(0, len(unused), MOST_TEXTS):
            with self._database.write() as connection:
                connection.execute(delete(packs).where(packs.c.id.in_(unused[n : n + MOST_TEXTS])))
        return len(unused)

    def _pack(self, query: Any, table: Table, columns: Sequence[str], now: datetime) -> int:
        with self._database.read() as connection:
            rows = connection.execute(query.limit(_AT_MOST)).all()
        packed = 0
        for kind, ids in _together(rows, now):
            texts = self._texts(table, ids, columns)
            if texts:
                self._write(table, texts, lasting=kind is not False)
                packed += len(texts)
        return packed

    def _texts(self, table: Table, ids: Sequence[str], columns: Sequence[str]) -> list[_Texts]:
        query = select(table.c.id, *(table.c[name] for name in columns)).where(table.c.id.in_(ids))
        with self._database.read() as connection:
            found = {row.id: row for row in connection.execute(query)}
            packed = PackedTexts(connection)
            read = _plan_texts if table is plans else _notice_texts
            texts = [read(found[id_], packed) for id_ in ids if id_ in found]
        return [one for one in texts if one is not None]

    def _write(self, table: Table, texts: Sequence[_Texts], *, lasting: bool) -> None:
        names = list(texts[0].columns)
        data = pack_bytes([one.columns[name] for name in names for one in texts], lasting=lasting)
        with self._database.write() as connection:
            pack_id = connection.execute(insert(packs).values(texts=data).returning(packs.c.id)).scalar_one()
            changing = update(table).where(table.c.id == bindparam("row_id"))
            changing = changing.values({name: bindparam(f"in_{name}") for name in names})
            rows: list[dict[str, str]] = []
            for n, one in enumerate(texts):
                at = {f"in_{name}": reference(pack_id, n + k * len(texts), one.facts) for k, name in enumerate(names)}
                rows.append({"row_id": one.id, **at})
            connection.execute(changing, rows)


def _together(rows: Iterable[Row[Any]], now: datetime) -> Iterable[tuple[Any, list[str]]]:
    """Kind and ids of the rows of each pack: those of one road, kind and span, when they fill a pack or it is over."""
    groups: dict[tuple[str, Any, int], list[str]] = defaultdict(list)
    for row in rows:
        groups[_route(row.trip), row.kind, int(row.at.timestamp() // SPAN.total_seconds())].append(row.id)
    this_span = int(now.timestamp() // SPAN.total_seconds())
    for (_, kind, span), ids in groups.items():
        for n in range(0, len(ids), MOST_TEXTS):
            part = ids[n : n + MOST_TEXTS]
            if len(part) == MOST_TEXTS or span < this_span:
                yield kind, part


def _route(trip: str | None) -> str:
    try:
        return str(json.loads(trip or "{}").get("route", ""))
    except (ValueError, AttributeError):  # kept by another version
        return ""


def _plan_texts(row: Row[Any], packed: PackedTexts) -> _Texts | None:
    text = full_text(packed.whole(row.body))
    try:
        split_text(text)
        return _Texts(id=row.id, columns={"body": text}, facts=_facts(json.loads(text)["plan"]))
    except (ValueError, LookupError, TypeError):  # kept by another version in another form: it stays as it is
        return None


def _facts(plan: Mapping[str, Any]) -> list[Any]:
    """See `rows.ThinnedPlan`."""
    return [plan["advice"], plan["chain_probability"], plan["depart_at"], plan["arrive_at"]]


def _notice_texts(row: Row[Any], packed: PackedTexts) -> _Texts | None:
    try:
        split_text(body := packed.whole(row.body))
    except ValueError:
        return None
    return _Texts(id=row.id, columns={"body": body, "text": words_object(packed.words(row.text))})

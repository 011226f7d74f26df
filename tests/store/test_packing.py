"""Old plans and notices lie in packs: they read back byte for byte, and a crash leaves each text in one place."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice
from alertd.records.driver_reports import RECENT
from alertd.service.retention import apply_retention
from alertd.settings.model import KeepDays
from alertd.store.backup import back_up
from alertd.store.plans import packed_texts, packing
from alertd.store.plans.plan_text import full_text, packed_text
from alertd.store.retention import Thinning
from alertd.store.rows import PlanRecord, StoredTrip
from alertd.store.store import Store

HOUR = timedelta(hours=1)
HOOK = {Audience.FLEET: ["hook"]}
PLANS = 20
NAMED = {3, 11}


def plan_of(n: int) -> str:
    plan = {
        "advice": "chain",
        "along": {"need": [n / 8 + k for k in range(40)]},
        "arrive_at": "2026-01-06T04:00:00Z",
        "chain_probability": n / 64,
        "depart_at": "2026-01-06T00:00:00Z",
        "words": "Plan to chain, Lookout Pass é\u2028",
    }
    return packed_text(json.dumps(plan, separators=(",", ":"), ensure_ascii=False), f'[{{"n":{n}}}]', "null")


@pytest.fixture
def recorded(store: Store, noon: datetime, make_notice: Callable[..., Notice]) -> list[PlanRecord]:
    """Hourly plans of a trip, of which two have a notice, and what is sent is delivered."""
    records = [
        PlanRecord(
            id=f"plan-{n:02}",
            trip_id="trip-1",
            made_at=noon + n * HOUR,
            kept=plan_of(n),
            notices=[make_notice(f"lines {n}", plan_id=f"plan-{n:02}")] if n in NAMED else [],
        )
        for n in range(PLANS)
    ]
    store.record_plans(records, HOOK)
    for _ in NAMED:  # the second waits for the first
        for row in store.outbox.claim_due(noon + PLANS * HOUR, 99, 60, "me"):
            store.outbox.mark_done(row.id, noon)
    return records


def pack_all(store: Store, now: datetime) -> tuple[int, int]:
    return store.packing.pack_plans(now), store.packing.pack_notices(now)


def count(store: Store, where: str) -> int:
    with store._database.read() as connection:
        return int(connection.execute(text(f"SELECT count(*) FROM {where}")).scalar_one())


def test_packed_plans_and_notices_read_back_the_same(store: Store, recorded: list[PlanRecord], noon: datetime) -> None:
    before = store.notices("trip-1"), store.event_log.page(0, 99), store.latest_plan("trip-1")
    now = noon + 22 * HOUR
    # All but the last of these lie in spans that are over; the trip's last plan stays as it is.
    assert pack_all(store, now) == (18, 2)
    assert pack_all(store, now) == (0, 0)
    assert (store.notices("trip-1"), store.event_log.page(0, 99), store.latest_plan("trip-1")) == before
    assert store.notice(before[0][0].id) == before[0][0]
    bodies = {r.id: full_text(r.kept) for r in recorded}
    for r in recorded:
        stored = store.plan(r.id)
        assert stored is not None
        assert stored.body == bodies[r.id]
    assert {p.id: p.body for p in store.stored_plans.read(list(bodies))} == bodies
    assert store.record_plans(recorded, HOOK) == [() for _ in recorded]  # the same plans again
    assert store.sent_states() == {"trip-1": {"said": [{"n": PLANS - 1}], "delivery": None}}


def test_a_packed_notice_is_delivered_again_as_it_was(store: Store, recorded: list[PlanRecord], noon: datetime) -> None:
    [notice, _] = store.notices("trip-1")
    pack_all(store, noon + 22 * HOUR)
    [delivery] = store.outbox.of_notice(notice.id)
    assert store.outbox.redeliver([delivery.id], noon) == 1
    [outgoing] = store.outbox.claim_due(noon, 9, 60, "me")
    assert (outgoing.text, outgoing.body) == (notice.text, notice.body.encode())


def test_what_waits_for_a_channel_and_what_is_new_is_not_packed(
    store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    store.record_notices([make_notice("waits", trip_id="")], HOOK, noon)
    store.record_notices([make_notice("new", trip_id="")], {}, noon)
    assert store.packing.pack_notices(noon + HOUR) == 0
    assert store.packing.pack_notices(noon + 12 * HOUR) == 1


def test_notices_to_people_are_packed_when_no_run_reads_them(
    store: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    """Boards and scheduled notices read those of the last hours again and again."""
    store.record_notices([replace(make_notice("read me", trip_id=""), audience=Audience.DRIVER)], {}, noon)
    assert store.packing.pack_notices(noon + RECENT) == 0
    assert store.packing.pack_notices(noon + RECENT + 6 * HOUR) == 1


def test_a_page_of_many_roads_unpacks_each_pack_once(
    store: Store, noon: datetime, make_notice: Callable[..., Notice], monkeypatch: pytest.MonkeyPatch
) -> None:
    roads = [f"road-{n}" for n in range(6)]
    for road in roads:
        store.put_trip(StoredTrip(id=road, body=f'{{"route":"{road}"}}', created_at=noon))
    for n in range(4):  # of all roads in turn
        store.record_notices([make_notice(f"{road} {n}", trip_id=road) for road in roads], {}, noon)
    before = store.event_log.page(0, 99)
    assert store.packing.pack_notices(noon + 12 * HOUR) == 24
    assert count(store, "packs") == len(roads)
    unpacked: list[int] = []
    unpack = packed_texts.PackOfTexts
    monkeypatch.setattr(packed_texts, "PackOfTexts", lambda text: unpacked.append(len(text)) or unpack(text))
    assert store.event_log.page(0, 99) == before
    assert len(unpacked) == len(roads)


def test_a_crash_while_packing_loses_no_text(
    store: Store, recorded: list[PlanRecord], noon: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut(*_: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr(packing, "reference", cut)  # after the pack is written, before a row names it
    with pytest.raises(KeyboardInterrupt):
        store.packing.pack_plans(noon + 22 * HOUR)
    monkeypatch.undo()
    assert count(store, "packs") == 0
    assert store.packing.pack_plans(noon + 22 * HOUR) == 18
    assert {p.body for p in store.stored_plans.read([r.id for r in recorded])} == {full_text(r.kept) for r in recorded}


def test_thinned_plans_leave_facts_and_free_their_packs(
    store: Store, recorded: list[PlanRecord], noon: datetime
) -> None:
    now = noon + 30 * HOUR
    pack_all(store, now)
    packs_n = count(store, "packs")
    done = store.pruning.thin_plans(noon, noon + 18 * HOUR, now, Thinning(every=6 * HOUR))
    # Spans with a plan that a notice names keep that one, the third its newest.
    assert [row[0] for row in store.plans_made(noon, now)] == ["plan-03", "plan-11", "plan-17", "plan-18", "plan-19"]
    assert done.removed_n == 15
    gone = store.pruning.thinned_plan("plan-04")
    assert gone is not None
    assert gone.facts == ("chain", 4 / 64, "2026-01-06T00:00:00Z", "2026-01-06T04:00:00Z")
    assert store.packing.pack_again(done.pack_ids, now) == 1
    assert store.packing.remove_unused() == 3
    assert count(store, "packs") == packs_n - 3 + 1
    for n in (3, 11, 17):
        stored = store.plan(f"plan-{n:02}")
        assert stored is not None
        assert stored.body == full_text(plan_of(n))


def test_a_freed_pack_stays_until_the_next_housekeeping(
    store: Store, recorded: list[PlanRecord], noon: datetime
) -> None:
    """A reader may have read the row that named it; on PostgreSQL each statement sees what others committed."""
    keep = KeepDays(positions=14, plans=14, every_plan=1, trips=60, reports=730)
    now = noon + 60 * HOUR
    pack_all(store, now)
    before = count(store, "packs")
    apply_retention(store, keep, now)
    freed = count(store, "packs")
    apply_retention(store, keep, now + 6 * HOUR)
    assert before <= freed
    assert count(store, "packs") < freed


def test_a_damaged_pack_is_one_line_and_not_another_text(
    store: Store, recorded: list[PlanRecord], noon: datetime
) -> None:
    pack_all(store, noon + 22 * HOUR)
    with store._database.write() as connection:
        connection.execute(packing.packs.update().values(texts=b"not a pack"))
    with pytest.raises(StoreError, match=r"pack 0+1 of texts is damaged"):
        store.plan("plan-00")


def test_a_backup_of_packed_texts_reads_back(tmp_path: Path, noon: datetime) -> None:
    path, copy = tmp_path / "alertd.db", tmp_path / "copy.db"
    with Store(path) as store:
        store.put_trip(StoredTrip(id="trip-1", body='{"route":"pass"}', created_at=noon))
        for n in range(4):
            store.record_plan(f"plan-{n}", "trip-1", noon + n * HOUR, plan_of(n), [], {})
        assert store.packing.pack_plans(noon + 99 * HOUR) == 4
    back_up(path, copy)
    with Store(copy) as store:
        assert [store.plan(f"plan-{n}").body for n in range(4)] == [full_text(plan_of(n)) for n in range(4)]  # type: ignore[union-attr]

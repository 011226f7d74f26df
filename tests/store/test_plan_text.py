"""Plans are kept compressed and read back as the text that they were; texts of earlier versions stay readable."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.plan.serialize import canonical
from alertd.store.plans import sent_states as sent_states_module
from alertd.store.plans.plan_text import full_text, packed_text, state_of, state_text, with_state
from alertd.store.rows import PlanRecord, StoredTrip
from alertd.store.store import Store

PLAN = {"id": "plan_x", "name": 'Snow "here", packed":" and é', "along": list(range(2000))}
SAID = [{"advice": "chain", "text": ',"packed":"'}]
FULL = canonical({"delivery": None, "plan": PLAN, "said": SAID})


def test_packed_text_is_smaller_and_reads_back_byte_for_byte() -> None:
    kept = packed_text(canonical(PLAN), canonical(SAID), "null")
    assert len(kept) < len(FULL) / 1.5
    assert full_text(kept) == FULL
    assert state_of(kept) == state_of(FULL) == {"said": SAID, "delivery": None}
    assert json.loads(full_text(kept))["plan"] == PLAN


def test_another_state_leaves_the_plan_as_it_is() -> None:
    kept = packed_text(canonical(PLAN), canonical(SAID), "null")
    later = with_state(kept, "[]", '{"turn":1}')
    assert later == packed_text(canonical(PLAN), "[]", '{"turn":1}')
    assert with_state(later, canonical(SAID), "null") == kept
    with pytest.raises(ValueError, match="no packed plan"):
        with_state(FULL, "[]", "null")


def test_text_of_an_earlier_version_is_read_as_it_is() -> None:
    assert full_text(FULL) == FULL
    assert full_text("not JSON") == "not JSON"


def test_many_plans_in_one_go_and_what_was_sent_last(place: Path | str, noon: datetime) -> None:
    kept = [packed_text(canonical(PLAN), canonical([{"n": n}]), "null") for n in range(4)]
    with Store(place) as store:
        for n in range(2):
            store.put_trip(StoredTrip(id=f"T-{n}", body="{}", created_at=noon))
        for hour in range(2):
            at = noon + timedelta(hours=hour)
            records = [
                PlanRecord(id=f"plan-{hour}-{n}", trip_id=f"T-{n}", made_at=at, kept=kept[2 * hour + n]) for n in (0, 1)
            ]
            assert store.record_plans(records, {}) == [(), ()]
            assert store.record_plans(records, {}) == [(), ()]
        assert store.sent_states(["T-1", "T-9"]) == {"T-1": {"said": [{"n": 3}], "delivery": None}}
        latest = store.latest_plan("T-0")
        assert latest is not None
        assert latest.body == canonical({"delivery": None, "plan": PLAN, "said": [{"n": 2}]})


def test_what_was_sent_is_read_once_of_each_plan(
    tmp_path: Path, noon: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plan that another process recorded is read, and one that this store recorded is known."""
    read: list[str] = []

    def counted(kept: str) -> str:
        read.append(kept)
        return state_text(kept)

    def record(store: Store, n: int) -> None:
        kept = packed_text(canonical(PLAN), canonical([{"n": n}]), "null")
        at = noon + timedelta(hours=n)
        store.record_plans([PlanRecord(id=f"plan-{n}", trip_id="T-1", made_at=at, kept=kept)], {})

    with Store(tmp_path / "a.db") as ours, Store(tmp_path / "a.db") as theirs:
        for trip_id in ("T-1", "T-2"):
            ours.put_trip(StoredTrip(id=trip_id, body="{}", created_at=noon))
        record(theirs, 1)
        monkeypatch.setattr(sent_states_module, "state_text", counted)
        for _ in range(2):
            assert ours.sent_states(["T-1", "T-2"])["T-1"]["said"] == [{"n": 1}]
        assert len(read) == 1
        record(ours, 2)
        assert ours.sent_states(["T-1"])["T-1"]["said"] == [{"n": 2}]
        assert len(read) == 2
        record(theirs, 3)
        assert len(read) == 3
        assert ours.sent_states(["T-1"])["T-1"]["said"] == [{"n": 3}]
        assert len(read) == 4
        assert ours.sent_states(["T-2"], only=True) == {}
        assert ours.sent_states(["T-1"])["T-1"]["said"] == [{"n": 3}]
        assert len(read) == 5


def test_states_of_more_trips_than_a_statement_takes(store: Store) -> None:
    """PostgreSQL takes at most 65,535 values with a statement (its documentation, appendix "Limits")."""
    record = PlanRecord(
        id="p", trip_id="trip-2", made_at=datetime(2026, 1, 5, tzinfo=UTC), kept=FULL, notices=(), settled=True
    )
    store.record_plans([record], {})
    asked = [f"trip-{n}" for n in range(70_000)]
    assert store.sent_states(asked) == {"trip-2": {"said": SAID, "delivery": None}} == store.sent_states()

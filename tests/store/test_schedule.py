"""What is due is done once: claimed under a lease, settled under that claim only."""

from datetime import datetime, timedelta

from alertd.store.rows import Slot
from alertd.store.store import Store

HOUR = timedelta(hours=1)


def test_slot_is_stored_once_and_claimed_longest_due_first(store: Store, noon: datetime) -> None:
    due = store.due
    assert [due.put("brief", "north 2026-01-05", noon), due.put("brief", "north 2026-01-05", noon + HOUR)] == [
        True,
        False,
    ]
    due.put("brief", "south 2026-01-05", noon - HOUR)
    due.put("poll", "feed", noon + HOUR)
    assert due.claim(noon - 2 * HOUR, 9, 60, "me") == []
    assert [slot.key for slot in due.claim(noon, 9, 60, "me")] == ["south 2026-01-05", "north 2026-01-05"]
    assert due.claim(noon, 9, 60, "other") == []
    assert due.claim(noon + 2 * HOUR, 9, 60, "other", kind="poll")[0].key == "feed"


def test_a_settled_slot_stays_so_with_its_outcome(store: Store, noon: datetime) -> None:
    store.due.put("brief", "north", noon)
    [claimed] = store.due.claim(noon, 1, 60, "me")
    assert store.due.settle(claimed, "ran 40 s late")
    assert not store.due.settle(claimed, "twice")
    assert store.due.claim(noon + 9 * HOUR, 9, 60, "other") == []
    kept = store.due.get("brief", "north")
    assert kept is not None
    assert (kept.state, kept.outcome) == ("settled", "ran 40 s late")
    assert store.due.put("brief", "north", noon) is False


def test_after_the_lease_a_late_result_of_the_first_is_ignored(store: Store, noon: datetime) -> None:
    store.due.put("brief", "north", noon)
    [slow] = store.due.claim(noon, 1, 60, "me")
    assert store.due.claim(noon + timedelta(seconds=59), 1, 60, "me") == []
    [heir] = store.due.claim(noon + timedelta(seconds=60), 1, 60, "me")  # of the same name, after a restart
    assert (slow.epoch, heir.epoch) == (1, 2)
    assert not store.due.settle(slow, "late")
    assert store.due.settle(heir, "ran")


def test_what_a_clock_ahead_settled_waits_again(store: Store, noon: datetime) -> None:
    """Not due yet, or left out as too late though it is not; what really ended stays, and so do other kinds."""
    ends = {
        "past": (-5, "ran"),
        "late": (-5, "skipped: too late"),
        "not late": (-1, "skipped: too late"),
        "other reason": (-1, "skipped: renamed"),
        "future": (30, "ran"),
    }
    for key, (hours, outcome) in ends.items():
        store.due.put("brief", f"north/{key}", noon + timedelta(hours=hours))
        (claimed,) = store.due.claim(noon + timedelta(days=9), 1, 60.0, "me", "brief")
        store.due.settle(claimed, outcome)
        store.record_notices([], {}, noon, slot=Slot(kind="brief", fleet="north", local_date=key))
    grace = timedelta(hours=4)
    assert store.due.reopen_future("other", noon, grace, "skipped: too late") == []
    assert store.due.reopen_future("brief", noon, grace, "skipped: too late") == ["north/future", "north/not late"]
    assert store.due.reopen_future("brief", noon, grace, "skipped: too late") == []
    assert [d.key for d in store.due.waiting("brief")] == ["north/not late", "north/future"]
    filled = [k for k in ends if store.slot_filled(Slot(kind="brief", fleet="north", local_date=k))]
    assert filled == ["past", "late", "other reason"]


def test_a_lease_of_a_clock_ahead_is_freed(store: Store, noon: datetime) -> None:
    store.due.put("brief", "north/x", noon)
    assert store.due.claim(noon + timedelta(days=30), 1, 60.0, "ahead", "brief")
    assert store.due.claim(noon, 1, 60.0, "me", "brief") == []
    store.due.reopen_future("brief", noon, timedelta(hours=4), "skipped")
    assert len(store.due.claim(noon, 1, 60.0, "me", "brief")) == 1

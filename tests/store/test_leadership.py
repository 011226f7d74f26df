"""One daemon leads a store: a dead or frozen one is followed, and what has lost the lead writes nothing."""

import os
import select
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest

from alertd.errors import LeadershipLost
from alertd.notices.model import Audience, Notice
from alertd.store.rows import StoredTrip
from alertd.store.store import Store

LEASE_S = 1.0
PATIENCE_S = 60.0


def trip(name: str, noon: datetime) -> StoredTrip:
    return StoredTrip(id=name, body="{}", created_at=noon)


@pytest.fixture
def heir(store: Store) -> Iterator[Store]:
    with Store(store.place) as opened:
        yield opened


def test_the_second_leads_when_the_first_gives_up_the_place(store: Store, heir: Store, noon: datetime) -> None:
    first, second = (s.candidate(name, lease_s=10) for s, name in ((store, "one"), (heir, "two")))
    assert first.acquire(0.0, noon)
    assert [second.acquire(float(s), noon) for s in range(3)] == [False] * 3
    assert second.current_leader().owner == "one"
    first.release()
    assert second.acquire(3.0, noon)
    assert (second.current_leader().owner, second.current_leader().epoch, second.current_leader().since) == (
        "two",
        2,
        noon,
    )
    second.release()


def test_silent_leader_is_replaced_and_a_beating_one_is_not(store: Store, heir: Store, noon: datetime) -> None:
    first, second = store.candidate("one", lease_s=10), heir.candidate("two", lease_s=10)
    assert first.acquire(0.0, noon)
    for now_s in (100.0, 109.0, 118.0):
        assert not second.acquire(now_s, noon)
        assert first.renew()
    assert not second.acquire(119.0, noon)
    assert not second.acquire(128.9, noon)
    assert second.acquire(129.0, noon)
    assert not first.renew()
    second.release()


def test_former_leader_may_not_write_and_may_lead_again(
    store: Store, heir: Store, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    store.record_notices([make_notice("first")], {Audience.FLEET: ["hook"]}, noon)
    first, second = store.candidate("one", lease_s=10), heir.candidate("two", lease_s=10)
    assert first.acquire(0.0, noon)
    [claimed] = store.outbox.claim_due(noon, 1, 60, "one")
    second.acquire(0.0, noon)
    assert second.acquire(10.0, noon)
    for forbidden in (
        lambda: store.put_trip(trip("late", noon)),
        lambda: store.outbox.mark_done(claimed.id, noon),
        lambda: store.outbox.claim_due(noon, 1, 60, "one"),
        lambda: store.outbox.peek_due(noon, "hook"),
    ):
        with pytest.raises(LeadershipLost, match="another daemon leads now; this one is on standby"):
            forbidden()
    first.release()  # does not end the heir's lead
    assert second.renew()
    assert heir.outbox.release_claims() == 1
    second.release()
    assert first.acquire(11.0, noon)
    assert store.put_trip(trip("again", noon))
    first.release()


def test_work_begun_is_refused_while_on_standby_again(store: Store, heir: Store, noon: datetime) -> None:
    first, second = store.candidate("one", lease_s=10), heir.candidate("two", lease_s=10)
    with pytest.raises(LeadershipLost):
        store.put_trip(trip("too early", noon))
    assert first.acquire(0.0, noon)
    second.acquire(0.0, noon)
    assert second.acquire(10.0, noon)
    assert not first.renew()
    assert not first.acquire(11.0, noon)
    with pytest.raises(LeadershipLost):
        store.put_trip(trip("late", noon))
    second.release()


def test_who_leads_nothing_may_write_beside_the_leader(store: Store, heir: Store, noon: datetime) -> None:
    """As the commands of a person do."""
    first = store.candidate("one", lease_s=10)
    assert first.acquire(0.0, noon)
    assert heir.put_trip(trip("by hand", noon))
    assert first.renew()
    first.release()


class Life:
    """A process that stands by, leads, and keeps a trip each time it is asked to."""

    def __init__(self, place: Path | str, name: str) -> None:
        self.name = name
        command = [sys.executable, "-c", _LIFE, str(place), name, str(LEASE_S)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def says(self) -> str:
        """The next line it says."""
        assert self.process.stdout is not None
        assert select.select([self.process.stdout], [], [], PATIENCE_S)[0], f"{self.name} says nothing"
        return self.process.stdout.readline().decode().strip()

    def ask(self, trip_id: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{trip_id}\n".encode())
        self.process.stdin.flush()

    def freeze(self, place: Path | str) -> None:
        """Stop it outside of a transaction: frozen within one, a process holds SQLite's one lock for as long."""
        while True:
            self.process.send_signal(signal.SIGSTOP)
            if not isinstance(place, Path) or _can_be_written(place):
                return
            self.process.send_signal(signal.SIGCONT)
            time.sleep(0.01)

    def end(self) -> None:
        self.process.kill()
        self.process.communicate()


def _can_be_written(place: Path) -> bool:
    connection = sqlite3.connect(place, timeout=0.0, isolation_level=None)
    try:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
    except sqlite3.OperationalError:
        return False
    finally:
        connection.close()
    return True


_LIFE = """
import queue, sys, threading, time
from datetime import UTC, datetime
from alertd.errors import StoreError
from alertd.store.rows import StoredTrip
from alertd.store.store import Store

place, name, lease_s = sys.argv[1], sys.argv[2], float(sys.argv[3])
asked = queue.Queue()
threading.Thread(target=lambda: [asked.put(line.strip()) for line in sys.stdin], daemon=True).start()
NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)
with Store(place) as store:
    candidate = store.candidate(name, lease_s=lease_s)
    print("up", flush=True)
    while not candidate.acquire(time.monotonic(), NOON):
        time.sleep(0.05)
    print("leads", flush=True)
    while True:
        try:
            trip_id = asked.get(timeout=lease_s / 5)
        except queue.Empty:
            candidate.renew()
            continue
        try:
            store.put_trip(StoredTrip(id=trip_id, body="{}", created_at=NOON))
            print("kept " + trip_id, flush=True)
        except StoreError as exc:
            print(type(exc).__name__, flush=True)
"""


@pytest.fixture
def lives(place: Path | str) -> Iterator[tuple[Life, Life]]:
    first = Life(place, "first")
    assert [first.says(), first.says()] == ["up", "leads"]
    second = Life(place, "second")
    assert second.says() == "up"
    yield first, second
    first.end()
    second.end()


def test_a_killed_leader_is_followed(place: Path | str, lives: tuple[Life, Life]) -> None:
    first, second = lives
    first.ask("trip-1")
    assert first.says() == "kept trip-1"
    os.kill(first.process.pid, signal.SIGKILL)
    assert second.says() == "leads"
    second.ask("trip-2")
    assert second.says() == "kept trip-2"
    with Store(place) as store:
        assert [t.id for t in store.trips()] == ["trip-1", "trip-2"]


def test_frozen_leader_is_replaced_and_writes_nothing_on_waking(place: Path | str, lives: tuple[Life, Life]) -> None:
    first, second = lives
    first.freeze(place)
    assert second.says() == "leads"
    first.ask("too late")
    time.sleep(2 * LEASE_S)  # with the wait above, three leases
    first.process.send_signal(signal.SIGCONT)
    assert first.says() == "LeadershipLost"
    second.ask("trip-2")
    assert second.says() == "kept trip-2"
    with Store(place) as store:
        assert [t.id for t in store.trips()] == ["trip-2"]

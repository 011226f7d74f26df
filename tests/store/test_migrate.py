"""An older store is brought up with nothing lost; a newer one, or another program's, is refused and left alone."""

import json
import re
import sqlite3
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine

from alertd.errors import StoreError
from alertd.store.connection import Database
from alertd.store.lock import LockFile
from alertd.store.rows import Slot, StoredEvent
from alertd.store.schema import metadata
from alertd.store.store import Store

SCHEMA_1 = Path(__file__).with_name("schema_1.sql")  # a store as the first alertd left it, with its table texts


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "old.sqlite"
    with sqlite3.connect(path) as connection:
        connection.executescript(SCHEMA_1.read_text(encoding="utf-8"))
    connection.close()
    return path


def rows(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Everything that is in the tables of schema 1 but the number of the schema."""
    connection = sqlite3.connect(path)
    tables = ("trips", "plans", "slots", "notices", "deliveries", "events")
    found = {name: connection.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in tables}
    # Later schemas number more tables.
    found["sequence"] = connection.execute("SELECT * FROM sqlite_sequence WHERE name = 'deliveries'").fetchall()
    connection.close()
    return found


def texts(path: Path) -> dict[str, str]:
    connection = sqlite3.connect(path)
    found = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    connection.close()
    return {name: re.sub(r"\s+", " ", text).replace('"', "") for name, text in found if name != "alembic_version"}


def test_store_of_the_first_version_upgrades_with_nothing_lost(old: Path, noon: datetime) -> None:
    before = rows(old)
    assert all(before.values())
    with Store(old) as store:
        assert rows(old) == before
        assert [trip.id for trip in store.trips(cancelled_too=True)] == ["trip-1", "trip-2"]
        assert store.slot_filled(Slot(kind="brief", fleet="north", local_date="2026-01-05"))
        assert [row.text for row in store.outbox.claim_due(noon, 9, 60, "me")] == ["chains off", "brief", "brief"]
        logged = store.event_log.page(0, 99).events
        assert [e.notice.id for e in logged] == [
            row[0] for row in sorted(before["notices"], key=lambda r: (r[5], r[0]))
        ]
    with Store(old) as store:
        assert store.outbox.health(noon).done_n == 1


def test_upgrade_counts_days_of_notices_from_their_times(old: Path) -> None:
    stored = dict(_notice_times(old))
    with Store(old):
        pass
    connection = sqlite3.connect(old)
    assert dict(connection.execute("SELECT notice_id, seen_at FROM notices_seen")) == stored
    connection.close()


def _notice_times(path: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(path)
    found = connection.execute("SELECT id, created_at FROM notices").fetchall()
    connection.close()
    assert found
    return found


def test_brought_up_or_new_the_tables_are_those_of_the_code(old: Path, tmp_path: Path) -> None:
    """On SQLite to the letter of each table's text."""
    Store(old).close()
    Store(tmp_path / "new.sqlite").close()
    engine = create_engine(f"sqlite:///{tmp_path}/code.sqlite")
    metadata.create_all(engine)
    engine.dispose()
    assert texts(old) == texts(tmp_path / "new.sqlite") == texts(tmp_path / "code.sqlite")


def test_the_steps_lead_to_the_tables_of_the_code_on_both(place: Path | str) -> None:
    database = Database(place)
    with database.read() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), metadata)
    database.close()
    assert differences == []


def test_kill_within_the_steps_keeps_the_old_store_for_a_retry(old: Path) -> None:
    before, text = rows(old), texts(old)
    done = subprocess.run(
        [sys.executable, "-c", _KILLED_IN_THE_LAST_STEP, str(old)], capture_output=True, text=True, check=False
    )
    assert done.returncode == -9, done.stderr
    assert (rows(old), texts(old)) == (before, text)
    Store(old).close()
    assert rows(old) == before


_KILLED_IN_THE_LAST_STEP = """
import os, signal, sys
from alertd.store import connection
whole = connection.upgrade_store
def cut(*arguments):
    whole(*arguments)
    os.kill(os.getpid(), signal.SIGKILL)
connection.upgrade_store = cut
connection.Database(sys.argv[1])
"""


def test_a_newer_store_is_refused_and_left_alone(place: Path | str) -> None:
    database = Database(place)
    with database.write() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0099'")
    database.close()
    with pytest.raises(StoreError, match=r"written by a newer alertd \(schema 99, this one supports 7\)") as caught:
        Store(place)
    assert "\n" not in str(caught.value)


def test_the_first_alertd_refuses_a_store_brought_up_since(old: Path) -> None:
    """It looked at this number, and knew 1."""
    Store(old).close()
    connection = sqlite3.connect(old)
    assert connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchall() == [("2",)]
    connection.close()


def test_another_programs_database_is_refused(place: Path | str) -> None:
    database = Database(place)
    with database.write() as connection:
        for table in reversed(metadata.sorted_tables):
            table.drop(connection)
    database.close()  # what stays is a table that many programs keep
    with pytest.raises(StoreError, match="not an alertd store; name another one"):
        Store(place)


def test_store_held_by_an_older_daemon_is_not_changed_under_it(old: Path) -> None:
    lock, before = LockFile(old), old.read_bytes()
    assert lock.take()
    with pytest.raises(StoreError, match="an alertd daemon of an older version holds it; stop that daemon first"):
        Store(old, busy_timeout_s=0.05)
    lock.release()
    assert old.read_bytes() == before
    Store(old).close()


def test_two_that_open_a_new_store_at_once_both_find_it_made(place: Path | str) -> None:
    command = [sys.executable, "-c", _OPENS, str(place)]
    processes = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(3)]
    assert [process.communicate()[0] for process in processes] == ["0\n"] * 3


_OPENS = """
import sys
from alertd.store.store import Store
with Store(sys.argv[1]) as store:
    print(len(store.trips()))
"""


def test_channel_states_move_from_events_to_their_table(place: Path | str, noon: datetime) -> None:
    """Older versions kept them as events, which went after their days."""
    notes = [
        ("hook", "failing", "hook: answered 500", 0),
        ("hook", "disabled", "hook: answered 410", 1),
        ("mail", "failing", "mail: answered 421", 2),
        ("mail", "up", "", 3),
        ("texts", "failing", "texts: timed out", 4),
    ]
    with Store(place) as store:
        for n, (target, state, why, hour) in enumerate(notes):
            at = noon + timedelta(hours=hour)
            row = {"target": target, "state": state, "since": at.isoformat(), "why": why}
            store.put_event(StoredEvent(id=f"target_{n}", trip_id="", kind="target", at=at, body=json.dumps(row)))
    database = Database(place)
    with database.write() as connection:
        later = ("attempts", "event_log", "senders", "channel_senders", "leader_clock", "notices_seen")
        later += ("packs", "thinned_plans")
        for table in later:
            connection.exec_driver_sql(f"DROP TABLE {table}")
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0002'")
    database.close()
    with Store(place) as store:
        found = [(e.target, e.state, e.why, e.since, e.failures) for e in store.channels.all()]
        assert store.events("", "target") == []
    assert found == [
        ("hook", "disabled", "hook: answered 410", noon + timedelta(hours=1), 3),
        ("mail", "up", "", noon + timedelta(hours=3), 0),
        ("texts", "failing", "texts: timed out", noon + timedelta(hours=4), 3),
    ]

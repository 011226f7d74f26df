"""A short run of the kill test; the long one is tests/benchmarks/crash_outbox.py."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from alertd.testing.postgres import server_programs


@pytest.mark.parametrize("store", ["sqlite", pytest.param("postgres", marks=pytest.mark.slow)])
def test_kill_9_loses_no_notice_and_repeats_the_same_bytes(store: str) -> None:
    if store == "postgres" and server_programs() is None:
        pytest.skip("no PostgreSQL server programs on this machine (apt-get install postgresql)")
    script = Path(__file__).resolve().parents[1] / "benchmarks" / "crash_outbox.py"
    command = [sys.executable, str(script), "--store", store, "--kills", "5"]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    counts = json.loads(ran.stdout)
    assert counts["kills"] == 5  # the fault did happen
    assert counts["decided"] > 0
    assert (counts["lost"], counts["same_id_other_bytes"], counts["refused_signatures"]) == (0, 0, 0)
    assert counts["sent_twice"] <= 5 * 4  # at most one a kill and worker


def test_truly_full_disk_still_delivers_a_decided_notice_once(tmp_path: Path) -> None:
    """RLIMIT_FSIZE in a process of its own stands for the full disk."""
    ran = subprocess.run([sys.executable, "-c", _FULL_DISK, str(tmp_path)], capture_output=True, text=True, check=True)
    assert ran.stdout.splitlines() == ["refused", "refused", "['one.txt', 'two.txt'] 2", "[] 2"]


_FULL_DISK = """
import asyncio, datetime, pathlib, resource, signal, sys
import numpy as np
from alertd.delivery.channels.file import FileChannel
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.store.store import Store

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
folder = pathlib.Path(sys.argv[1])
now = datetime.datetime(2026, 1, 5, tzinfo=datetime.UTC)
sent = []

class Counted(FileChannel):
    async def send(self, outgoing, now_epoch_s):
        await super().send(outgoing, now_epoch_s)
        sent.append(outgoing.notice_id)

async def deliver():
    try:
        return await worker.deliver_due(now)
    except StoreError as exc:
        assert "disk is full or failing" in str(exc), exc
        print("refused")

with Store(folder / "alertd.sqlite") as store:
    notices = [
        Notice(id=name, kind=NoticeKind.DATA, audience=Audience.DRIVER, trip_id="", plan_id="", created_at=now,
               expires_at=now + datetime.timedelta(hours=1), text=name, body="{}")
        for name in ("one", "two")
    ]
    store.record_notices(notices, {Audience.DRIVER: ["spool"]}, now)
    channel = Counted("spool", folder / "spool")
    worker = DeliveryWorker(store.outbox, {"spool": channel}, owner="me", rng=np.random.default_rng(1))
    free = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, free[1]))
    asyncio.run(deliver())
    asyncio.run(deliver())
    print(sorted(path.name for path in (folder / "spool").iterdir()), len(sent))
    resource.setrlimit(resource.RLIMIT_FSIZE, free)
    asyncio.run(deliver())
    print(list(store.outbox.due_channels(now)), len(sent))
"""

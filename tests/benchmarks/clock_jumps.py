"""The real daemon while libfaketime moves its clock: what it has decided stays, waits, and arrives in time.

    apt-get install faketime && python tests/benchmarks/clock_jumps.py            # +1h -2h +1d +31d +3y, and back
    python tests/benchmarks/clock_jumps.py +31d

For each jump a notice waits for a receiver that is down. The clock jumps under the running daemon; it comes back and
the receiver answers. Then a second notice waits, the daemon is killed and starts again under the wrong clock, and the
clock comes back again. No server shows the time: after the restart the daemon can only wait for one. One row a jump;
ends with 1 where a notice is lost, expired or late.
"""

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
LIBRARIES = (
    "/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1",
    "/usr/lib/aarch64-linux-gnu/faketime/libfaketimeMT.so.1",
    "/usr/lib/faketime/libfaketimeMT.so.1",
)
JUMPS = ("+1h", "-2h", "+1d", "+31d", "+3y")
SECRET = "whsec_aW52ZW50ZWQgZGVtbyBzZWNyZXQsIDMyIGJ5dGVzISE="
PATIENCE_S = 90.0
LOOKS_S = 12.0  # two runs of the delivery job


def library() -> str:
    """Path of libfaketime; "" where it is not installed."""
    return next((one for one in LIBRARIES if Path(one).exists()), "")


class Daemon:
    """One run of it under libfaketime. The offset of its clock is in the file `off`."""

    def __init__(self, config: Path, off: Path) -> None:
        faked = {"LD_PRELOAD": library(), "FAKETIME_TIMESTAMP_FILE": str(off), "FAKETIME_NO_CACHE": "1"}
        self.lines: list[str] = []
        self.child = subprocess.Popen(
            [sys.executable, "-m", "alertd", "run", "--config", str(config)],
            cwd=REPO,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(REPO), "FAKETIME_DONT_FAKE_MONOTONIC": "1", **faked},
        )
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.child.stderr is not None
        for line in self.child.stderr:
            self.lines.append(line.rstrip())

    def wait_for(self, text: str) -> None:
        ends_s = time.monotonic() + PATIENCE_S
        while not any(text in line for line in self.lines):
            if time.monotonic() > ends_s or self.child.poll() is not None:
                raise SystemExit(f"it never reported {text!r}: {self.lines[-5:]}")
            time.sleep(0.05)

    def kill(self) -> None:
        with suppress(ProcessLookupError):
            self.child.send_signal(signal.SIGKILL)
        self.child.wait()


def row(jump: str) -> tuple[str, ...]:
    """Jump; state of the first notice under it and after it; of the second after a restart, and after the return."""
    from alertd.store.store import Store
    from alertd.testing.webhook_receiver import ReceiverFault, WebhookReceiver
    from tests.benchmarks.takeover import write_config

    with tempfile.TemporaryDirectory() as name, WebhookReceiver(SECRET) as receiver:
        folder = Path(name)
        off = folder / "off"
        off.write_text("+0\n", encoding="utf-8")
        receiver.set_fault(ReceiverFault(status=503))
        config = write_config(folder, f"{folder}/alertd.db", receiver.url)
        first = Daemon(config, off)
        second = None
        try:
            first.wait_for("alertd answers on")
            with Store(folder / "alertd.db") as store:
                id_ = _decide(store, "1")
                time.sleep(LOOKS_S)
                off.write_text(f"{jump}\n", encoding="utf-8")
                first.wait_for("system clock jumped")
                time.sleep(LOOKS_S)
                states = [store.outbox.of_notice(id_)[0].state]
                off.write_text("+0\n", encoding="utf-8")
                receiver.set_fault(None)
                ends_s = time.monotonic() + PATIENCE_S
                while store.outbox.of_notice(id_)[0].state == "waiting" and time.monotonic() < ends_s:
                    time.sleep(0.5)
                states.append(store.outbox.of_notice(id_)[0].state)
                receiver.set_fault(ReceiverFault(status=503))
                id_ = _decide(store, "2")
                time.sleep(LOOKS_S)
                first.kill()
                off.write_text(f"{jump}\n", encoding="utf-8")
                second = Daemon(config, off)
                second.wait_for("alertd answers on")
                time.sleep(LOOKS_S)
                states.append(store.outbox.of_notice(id_)[0].state)
                off.write_text("+0\n", encoding="utf-8")
                second.wait_for("system clock jumped")
                time.sleep(LOOKS_S)
                states.append(store.outbox.of_notice(id_)[0].state)
        finally:
            first.kill()
            if second is not None:
                second.kill()
        failed = sum("Traceback" in line for line in first.lines + second.lines)
    return jump, *states, f"{failed} stack traces"


def _decide(store: object, name: str) -> str:
    from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
    from alertd.store.store import Store

    assert isinstance(store, Store)
    now = datetime.now(UTC)
    id_ = notice_id(NoticeKind.WORSE, Audience.FLEET, "", name)
    decided = Notice(
        id=id_,
        kind=NoticeKind.WORSE,
        audience=Audience.FLEET,
        trip_id="",
        plan_id="",
        created_at=now,
        expires_at=now + timedelta(minutes=30),
        text="made",
        body="{}",
    )
    store.record_notices([decided], {Audience.FLEET: ["quillback-tms"]}, now)
    return id_


def main() -> int:
    if not library():
        raise SystemExit("libfaketime is not installed: apt-get install faketime")
    print("| jump | first notice under it | after the return | second after a restart | after the return | log |")
    bad = 0
    for jump in sys.argv[1:] or JUMPS:
        found = row(jump)
        print(f"| {' | '.join(found)} |", flush=True)
        bad += found[1:] != ("waiting", "done", "waiting", "waiting", "0 stack traces")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())

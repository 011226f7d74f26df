"""Kill, or freeze, the leading daemon again and again, and time until the one that stands by leads and answers.

    python tests/benchmarks/takeover.py --store sqlite --kills 20 --freezes 3
    python tests/benchmarks/takeover.py --store postgres --kills 20 --freezes 3

Two daemons run as an operator runs them, on one store. Times are from the signal to the line on standard error; they
hold for the default `takeover_s`. A frozen one is woken when the other leads, and must then say that it stands by.
"""

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
PATIENCE_S = 120.0


class Daemon:
    """One run of it. `output` are its lines, each with the moment it was read."""

    def __init__(self, config: Path) -> None:
        self.output: list[tuple[float, str]] = []
        self.child = subprocess.Popen(
            [sys.executable, "-m", "alertd", "run", "--config", str(config)],
            cwd=REPO,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(REPO)},
        )
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.child.stderr is not None
        for line in self.child.stderr:
            self.output.append((time.monotonic(), line.rstrip()))

    def says(self, text: str, after_s: float = 0.0) -> float:
        """When it first said so after a moment."""
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends:
            for at_s, line in list(self.output):
                if text in line and at_s >= after_s:
                    return at_s
            time.sleep(0.01)
        raise SystemExit(f"it never said {text!r}: {self.output[-3:]}")


def run(config: Path, kills_n: int, freezes_n: int) -> dict[str, object]:
    led_s: list[float] = []
    answered_s: list[float] = []
    frozen_s: list[float] = []
    leader = Daemon(config)
    leader.says("alertd answers on")
    heir = Daemon(config)
    heir.says("standing by")
    try:
        for _ in range(kills_n):
            at_s = time.monotonic()
            leader.child.kill()
            led_s.append(heir.says("leading the store", at_s) - at_s)
            answered_s.append(heir.says("alertd answers on", at_s) - at_s)
            leader.child.wait()
            leader, heir = heir, Daemon(config)
            heir.says("standing by")
        for _ in range(freezes_n):
            at_s = time.monotonic()
            leader.child.send_signal(signal.SIGSTOP)
            frozen_s.append(heir.says("leading the store", at_s) - at_s)
            heir.says("alertd answers on", at_s)
            leader.child.send_signal(signal.SIGCONT)
            leader.says("another daemon leads", at_s)
            leader.says("standing by", at_s)
            leader, heir = heir, leader
    finally:
        for daemon in (leader, heir):
            daemon.child.kill()
            daemon.child.wait()
    return {
        "kills": len(led_s),
        "killed_to_leading_s": _spread(led_s),
        "killed_to_answering_s": _spread(answered_s),
        "freezes": len(frozen_s),
        "frozen_to_leading_s": _spread(frozen_s),
    }


def _spread(seconds: list[float]) -> dict[str, float]:
    if not seconds:
        return {}
    return {"median": round(statistics.median(seconds), 2), "largest": round(max(seconds), 2)}


def write_config(folder: Path, store: str, webhook_url: str = "") -> Path:
    """The invented carrier's settings with a store, caches and ports of their own and no trips.

    webhook_url: address of the fleet's receiver; "" for no channel at all.
    """
    demo = REPO / "fixtures" / "demo"
    text = (demo / "alertd.toml").read_text(encoding="utf-8")
    changes = {
        '"var/alertd.db"': json.dumps(store),
        "../../config": str(REPO / "config"),
        '"stops.geojson"': f'"{demo}/stops.geojson"',
        'rigs = "rigs"': f'rigs = "{demo}/rigs"',
        'routes = "."': f'routes = "{demo}"',
        'trips = "trips.csv"': "http_port = 0",
    }
    if webhook_url:
        changes |= {
            '"http://127.0.0.1:9/alertd"': f'"{webhook_url}"',
            '"receiver-secret.txt"': f'"{demo}/receiver-secret.txt"',
        }
    else:
        text = text.partition("[[webhook]]")[0]
    for old, new in changes.items():
        if old not in text:
            raise SystemExit(f"the demo's settings have no {old}")
        text = text.replace(old, new)
    path = folder / "alertd.toml"
    path.write_text(text, encoding="utf-8")
    return path


def main() -> int:
    from alertd.testing.postgres import PostgresCluster, server_programs

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--freezes", type=int, default=0)
    arguments = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        place = str(folder / "alertd.db")
        if arguments.store == "postgres":
            programs = server_programs()
            if programs is None:
                raise SystemExit("no PostgreSQL server programs on this machine")
            place = stack.enter_context(PostgresCluster(programs)).new_store_url()
        tally = run(write_config(folder, place), arguments.kills, arguments.freezes)
    print(json.dumps({"store": arguments.store} | tally))
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())

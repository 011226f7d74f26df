"""`alertd demo --serve` as a person runs it: it says where to look, serves it, moves, and Ctrl-C ends it cleanly."""

import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

REPO = Path(__file__).resolve().parents[2]
PATIENCE_S = 90.0
DAY_PATIENCE_S = 1500.0  # nine hours of the day take two minutes, and as long again to plan


class Shown:
    """One run. `output` are its lines on standard output so far."""

    def __init__(self, *options: str) -> None:
        self.output: list[str] = []
        self.child = subprocess.Popen(
            [sys.executable, "-u", "-W", "error", "-m", "alertd", "demo", "--serve", *options],
            cwd=REPO, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.child.stdout is not None
        self.output.extend(iter(self.child.stdout.readline, ""))

    def url(self, patience_s: float = PATIENCE_S) -> str:
        """Where it answers, once it has said so."""
        ends = time.monotonic() + patience_s
        while time.monotonic() < ends and self.child.poll() is None:
            for line in list(self.output):
                if "/board/score" in line:
                    return line.split("/board/score")[0].strip()
            time.sleep(0.05)
        raise AssertionError(f"no address was said: {self.output}")


@pytest.fixture
def shown(tmp_path: Path) -> Iterator[Shown]:
    run = Shown("--speed", "120", "--keep", str(tmp_path / "demo"))
    yield run
    run.child.kill()
    run.child.communicate()


@pytest.mark.slow
def test_serve_shows_a_moving_storm_until_ctrl_c(shown: Shown) -> None:
    url = shown.url()
    ends = time.monotonic() + PATIENCE_S
    while httpx.get(f"{url}/v1/trips/QT-1041/plan").status_code != 200:
        assert time.monotonic() < ends, "no plan was made"
        time.sleep(0.2)
    plan = httpx.get(f"{url}/v1/trips/QT-1041/plan").json()
    assert plan["made_at"].startswith("2027-01-14T1")
    while 'alertd_last_success_timestamp_seconds{job="cycle"}' not in httpx.get(f"{url}/metrics").text:
        assert time.monotonic() < ends, "no cycle ended well"
        time.sleep(0.2)
    assert httpx.get(f"{url}/readyz").json()["leading"]
    page = httpx.get(f"{url}/board/score")
    assert page.status_code == 200
    assert "What counts as true" in page.text
    for line in shown.output:
        if line.startswith("  http"):
            assert httpx.get(line.split()[0]).status_code == 200, line
    shown.child.send_signal(signal.SIGINT)
    assert shown.child.wait(timeout=PATIENCE_S) == 0
    assert shown.child.stderr is not None
    assert "Traceback" not in shown.child.stderr.read()
    assert shown.output[-1] == "ended\n"


@pytest.fixture
def fast(tmp_path: Path) -> Iterator[Shown]:
    run = Shown("--speed", "300", "--keep", str(tmp_path / "demo"))
    yield run
    run.child.kill()
    run.child.communicate()


@pytest.mark.slow
def test_the_served_day_ends_with_the_trucks_arrived(fast: Shown) -> None:
    """At 300 times as fast, the three trucks of the morning arrive within a window that a plan named before.

    The fourth leaves in the afternoon and is to hold overnight, which would take as long again.
    """
    url, trips = fast.url(DAY_PATIENCE_S), ("QT-1041", "QT-1042", "QT-1043")
    windows: dict[str, set[tuple[str, str]]] = {trip: set() for trip in trips}
    arrived: dict[str, str] = {}
    at_m = dict.fromkeys(trips, 0.0)
    ends = time.monotonic() + DAY_PATIENCE_S
    while len(arrived) < len(trips):
        assert time.monotonic() < ends, f"arrived: {arrived}"
        assert fast.child.poll() is None, fast.output
        for trip in trips:
            answer = httpx.get(f"{url}/v1/trips/{trip}/plan", timeout=60.0)
            if answer.status_code != 200:
                continue
            plan = answer.json()
            if plan["position"] is not None:
                assert plan["position"]["distance_m"] >= at_m[trip], f"{trip} went back"
                at_m[trip] = plan["position"]["distance_m"]
            if plan["arrived_at"] is not None:
                assert arrived.setdefault(trip, plan["arrived_at"]) == plan["arrived_at"], "an arrival stays"
            else:
                windows[trip].add((plan["arrive_early"], plan["arrive_late"]))
        time.sleep(0.5)
    for trip, at in arrived.items():
        assert any(early <= at <= late for early, late in windows[trip]), (trip, at, sorted(windows[trip]))
        reports = [e["what"] for e in httpx.get(f"{url}/v1/trips/{trip}/events").json()["events"]]
        work = [what for what in reports if what != "read"]
        assert work == ["hanging_begun", "chains_on", "removing_begun", "chains_off"] * (len(work) // 4)
        assert work


def test_a_port_that_is_taken_is_told_in_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        again = subprocess.run(
            [sys.executable, "-m", "alertd", "demo", "--serve", "--port", str(port)], cwd=REPO, capture_output=True,
            text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
    assert again.returncode == 1
    assert again.stderr == f"alertd: --port: cannot listen on {port} (Address already in use); name another, or 0\n"

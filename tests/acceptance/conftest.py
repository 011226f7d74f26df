"""The daemon as an operator runs it: a process of its own, told by files, HTTP and signals only."""

import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from alertd.clock import system_clock
from alertd.settings.read import read_settings
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import FRONT_EPOCH_S, Storm
from alertd.testing.webhook_receiver import WebhookReceiver

REPO = Path(__file__).resolve().parents[2]
PATIENCE_S = 30.0


def until(happened: Callable[[], Any], what: str) -> Any:
    """Look until it has happened, and return what it gave."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        if found := happened():
            return found
        time.sleep(0.05)
    raise AssertionError(f"not within {PATIENCE_S:g} s: {what}")


class Process:
    """One run of the daemon. `output` are its lines on standard error so far."""

    def __init__(
        self, config: Path, *, largest_file_bytes: int | None = None, descriptors_n: int | None = None
    ) -> None:
        def limit() -> None:
            if descriptors_n is not None:
                resource.setrlimit(resource.RLIMIT_NOFILE, (descriptors_n // 2, descriptors_n))
            if largest_file_bytes is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file_bytes, resource.RLIM_INFINITY))

        self.output: list[str] = []
        self.child = subprocess.Popen(
            [
                sys.executable,
                "-W",
                "error",
                "-m",
                "alertd",
                "run",
                "--config",
                str(config),
            ],
            cwd=REPO,
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
            preexec_fn=limit,
        )
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self.child.stderr is not None
        for line in self.child.stderr:
            self.output.append(line.rstrip("\n"))

    @property
    def url(self) -> str:
        def result() -> str | None:
            assert self.child.poll() is None, self.output
            return next((line.split()[-1] for line in self.output if line.startswith("alertd answers on ")), None)

        return str(until(result, "the daemon answers"))

    def post(self, trip: dict[str, Any]) -> httpx.Response:
        return httpx.post(f"{self.url}/v1/trips", json=trip, timeout=20.0)

    def undelivered(self) -> int:
        return int(httpx.get(f"{self.url}/readyz", timeout=20.0).json()["undelivered"])

    def kill(self) -> None:
        self.child.kill()
        self.ended()

    def stop(self) -> tuple[int, float]:
        """Exit status after SIGTERM, and the seconds it took."""
        began = time.monotonic()
        self.child.send_signal(signal.SIGTERM)
        return self.ended(), time.monotonic() - began

    def ended(self) -> int:
        status = self.child.wait(timeout=PATIENCE_S)
        self._listener.join(timeout=5.0)
        assert self.child.stderr is not None
        self.child.stderr.close()
        return status


@pytest.fixture
def start() -> Iterator[Callable[..., Process]]:
    started: list[Process] = []

    def run(config: Path, **how: Any) -> Process:
        started.append(Process(config, **how))
        return started[-1]

    yield run
    for process in started:
        if process.child.poll() is None:
            process.kill()


@pytest.fixture
def depart() -> datetime:
    return (system_clock() + timedelta(hours=2)).replace(microsecond=0)


@pytest.fixture
def forecasts(depart: datetime) -> Iterator[FakeOpenMeteo]:
    late_h = (depart.timestamp() - FRONT_EPOCH_S) / 3600.0 + 2.0
    with FakeOpenMeteo(now_utc=system_clock(), storm=Storm(front_late_h=late_h, warmer_k=-2.0)) as api:
        yield api


@pytest.fixture
def receiver(demo: Path) -> Iterator[WebhookReceiver]:
    with WebhookReceiver(read_settings(demo / "alertd.toml").channels[0].secret("secret_file")) as taking:
        yield taking


@pytest.fixture
def config(write_config: Callable[..., Path], forecasts: FakeOpenMeteo, receiver: WebhookReceiver) -> Path:
    """Every message alone and at once, so that one cycle delivers all that it decides."""
    at_once = "[notices]\nbefore_rolling_h = 24\ndigest_every_h = 0"
    changes = {"http://127.0.0.1:9/alertd": receiver.url, "[notices]": at_once}
    return write_config(forecasts=forecasts.base_url, changes=changes)


@pytest.fixture
def trip(depart: datetime) -> dict[str, Any]:
    return {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": depart.isoformat(), "driver": "Ann"}


@pytest.fixture
def wait_until() -> Callable[[Callable[[], Any], str], Any]:
    return until

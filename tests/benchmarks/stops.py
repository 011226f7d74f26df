"""Stops the real daemon again and again under load: how long it takes to end, and whether anything is lost.

    python tests/benchmarks/stops.py [--stops 200]

Each round starts the daemon on the same store, posts a trip and sends SIGTERM at a random moment of what follows. At
the end it runs until the outbox is empty. Lost: in the store and never taken. Twice: taken again under the same id.
"""

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx

REPO = Path(__file__).resolve().parents[2]


def config_of(folder: Path, forecasts: str, receiver: str) -> Path:
    demo, config = REPO / "fixtures" / "demo", REPO / "config"
    text = (demo / "alertd.toml").read_text(encoding="utf-8")
    for old, new in {
        "../../config": str(config),
        '"stops.geojson"': f'"{demo}/stops.geojson"',
        'rigs = "rigs"': f'rigs = "{demo}/rigs"',
        'routes = "."': f'routes = "{demo}"',
        "receiver-secret.txt": f"{demo}/receiver-secret.txt",
        'open_meteo_url = "http://127.0.0.1:9"': f'open_meteo_url = "{forecasts}"',
        'trips = "trips.csv"': "http_port = 0",
        "http://127.0.0.1:9/alertd": receiver,
    }.items():
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "alertd.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Run:
    """One run of the daemon, ready to answer."""

    def __init__(self, config: Path) -> None:
        command = [sys.executable, "-m", "alertd", "run", "--config", str(config)]
        self.log = (config.parent / "log.txt").open("w+", encoding="utf-8")
        self.child = subprocess.Popen(command, cwd=REPO, stderr=self.log, stdout=subprocess.DEVNULL)
        self.url = self._url()

    def _url(self) -> str:
        ends = time.monotonic() + 60.0
        while time.monotonic() < ends:
            output = Path(self.log.name).read_text(encoding="utf-8")
            for line in output.splitlines():
                if line.startswith("alertd answers on "):
                    return line.split()[-1]
            assert self.child.poll() is None, output
            time.sleep(0.05)
        raise AssertionError("the daemon does not answer within a minute")

    def stop(self) -> tuple[int, float]:
        began_s = time.monotonic()
        self.child.send_signal(signal.SIGTERM)
        status = self.child.wait(timeout=60.0)
        self.log.close()
        return status, time.monotonic() - began_s


def rounds(folder: Path, stops_n: int, seed: int) -> int:
    from alertd.clock import system_clock
    from alertd.notices.model import Audience
    from alertd.settings.read import read_settings
    from alertd.store.store import Store
    from alertd.testing.fake_open_meteo import FakeOpenMeteo
    from alertd.testing.weather.storm import FRONT_EPOCH_S, Storm
    from alertd.testing.webhook_receiver import WebhookReceiver

    rng, took_s, statuses = random.Random(seed), [], Counter[int]()
    began = system_clock()
    secret = read_settings(REPO / "fixtures" / "demo" / "alertd.toml").channels[0].secret("secret_file")
    storm = Storm(front_late_h=(began.timestamp() - FRONT_EPOCH_S) / 3600.0 + 6.0, warmer_k=-2.0)
    with FakeOpenMeteo(now_utc=began, storm=storm) as api, WebhookReceiver(secret) as receiver:
        config = config_of(folder, api.base_url, receiver.url)
        for n in range(stops_n):
            api.now_utc = system_clock()
            run = Run(config)
            leaves = (system_clock() + timedelta(hours=3, minutes=n % 60)).replace(microsecond=0)
            row: dict[str, Any] = {
                "id": f"T-{n}",
                "route": "i90-west",
                "rig": "quillback-17",
                "depart": leaves.isoformat(),
            }
            assert httpx.post(f"{run.url}/v1/trips", json=row, timeout=20.0).status_code == 201
            time.sleep(rng.uniform(0.0, 4.0))
            status, seconds = run.stop()
            statuses[status] += 1
            took_s.append(seconds)
        run = Run(config)
        ends = time.monotonic() + 120.0
        while time.monotonic() < ends:
            planned = httpx.get(f"{run.url}/v1/trips/T-{stops_n - 1}/plan", timeout=20.0).status_code == 200
            if planned and httpx.get(f"{run.url}/readyz", timeout=20.0).json()["undelivered"] == 0:
                break
            time.sleep(0.5)
        run.stop()
        with Store(read_settings(config).store) as store:
            decided = {n.id for who in Audience for n in store.notices_since(who, began - timedelta(days=1))}
            trips_n = len(store.trips())
        taken = Counter(one.id for one in receiver.received)
    lost, twice = len(decided - taken.keys()), sum(n - 1 for n in taken.values())
    took_s.sort()
    print(
        f"{stops_n} stops: status {dict(statuses)}, seconds to end median {took_s[len(took_s) // 2]:.1f}, "
        f"longest {took_s[-1]:.1f}"
    )
    print(f"trips kept {trips_n} of {stops_n}; decided {len(decided)}, lost {lost}, twice under one id {twice}")
    return 1 if lost or trips_n != stops_n or set(statuses) != {0} or took_s[-1] > 30.0 else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stops", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        return rounds(Path(folder), asked.stops, asked.seed)


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())

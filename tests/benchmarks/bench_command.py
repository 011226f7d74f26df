"""Times `alertd plan` as a whole process: a 600 km route, 31 members, forecasts from the cache.

The commands keep compiled modules as an installed package does, also where PYTHONDONTWRITEBYTECODE is set.
Wall seconds count on an idle machine only; processor seconds, of user and system, on any.

    python tests/benchmarks/bench_command.py [runs]

The route is the demo's road there and back; a loopback stand-in fills the cache in a first run that is not counted.
"""

import os
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from alertd.testing.fake_open_meteo import FakeOpenMeteo

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "fixtures" / "demo"


def there_and_back(folder: Path) -> Path:
    """One GPX track over both directions of the demo's road."""
    west, east = ((DEMO / name).read_text() for name in ("i90-west.gpx", "i90-east.gpx"))
    points = re.search(r"<trkseg>(.*)</trkseg>", east, re.DOTALL)
    if points is None:
        raise SystemExit("the demo's track has no segment")
    path = folder / "there-and-back.gpx"
    path.write_text(west.replace("</trkseg>", points.group(1) + "</trkseg>"))
    return path


def settings(folder: Path, url: str) -> Path:
    text = (DEMO / "alertd.toml").read_text()
    text = text.replace('http://127.0.0.1:9"', f'{url}"').replace('"var/', f'"{folder}/')
    text = text.replace('"../../config', f'"{ROOT}/config').replace('"rigs"', f'"{DEMO}/rigs"')
    text = text.replace('"stops.geojson"', f'"{DEMO}/stops.geojson"').replace('"receiver-', f'"{DEMO}/receiver-')
    path = folder / "alertd.toml"
    path.write_text(text)
    return path


def processor_s() -> float:
    """Processor seconds of the commands that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    now = datetime.now(UTC)
    with tempfile.TemporaryDirectory() as name, FakeOpenMeteo(now_utc=now) as api:
        folder = Path(name)
        depart = (now + timedelta(hours=2)).isoformat(timespec="seconds")
        command = [
            sys.executable, "-m", "alertd", "plan", str(there_and_back(folder)), "--rig", "quillback-17",
            "--depart", depart, "--config", str(settings(folder, api.base_url)), "--json",
        ]  # fmt: skip
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "compiled"), "PYTHONDONTWRITEBYTECODE": ""}
        seconds, processor = [], []
        for run in range(runs + 1):
            began, used = time.perf_counter(), processor_s()
            done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False, env=environment)
            if done.returncode not in (0, 3):
                raise SystemExit(done.stderr)
            if run:
                seconds.append(time.perf_counter() - began)
                processor.append(processor_s() - used)
            else:
                print(f"first run: {time.perf_counter() - began:.2f} s, {len(api.requests)} requests")
        print(f"cached: {len(api.requests)} requests in all; seconds min {min(seconds):.2f} "
              f"median {statistics.median(seconds):.2f} max {max(seconds):.2f}; "
              f"processor min {min(processor):.2f} median {statistics.median(processor):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()

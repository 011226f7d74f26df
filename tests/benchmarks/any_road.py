"""Plan real roads under described skies with the shipped settings and no stops file, and print what a driver gets.

    python tests/benchmarks/any_road.py [--roads PART,...] [--skies NAME,...] [--reverse] [--text] [--rig ID]
        [--source open-meteo|open-meteo-ensemble|nws] [--depart-in-h 2] [--now TIME]

Each sky's temperature holds at the road's summit. The fake server of `alertd.testing` speaks Open-Meteo's format, or
that of the National Weather Service with a station in the lowest place of every 60 km. A row gives
advice, chances, and for each stretch the miles of chain-up, road that may need chains, and removal.
"""

import argparse
import json
import re
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

from click.testing import CliRunner

from alertd.cli.main import cli
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import nws_of
from alertd.testing.nws.stations import stations_along
from alertd.testing.weather.roads import Road, read_roads
from alertd.testing.weather.sky import read_sky
from alertd.units import to_miles

PROJECT = Path(__file__).resolve().parents[2]
SKIES, ROADS = PROJECT / "fixtures" / "skies", PROJECT / "fixtures" / "roads"


def settings_in(folder: Path, base_url: str, source: str) -> Path:
    """Copy the shipped settings and point them at the fake server."""
    shutil.copytree(PROJECT / "config", folder / "config")
    path = folder / "config" / "alertd.toml"
    text = path.read_text(encoding="utf-8")
    changes = {
        "contact": '"ops@example.org"',
        "noncommercial_use": "true",
        "sources": f'["{source}"]',
        "alerts": "false",
        "observations": "false",
        "metar_url": f'"{base_url}"' if source == "nws" else '""',
        "nws_url": f'"{base_url}"',
        "open_meteo_url": f'"{base_url}"',
        "open_meteo_ensemble_url": f'"{base_url}"',
    }
    for key, value in changes.items():
        text, n = re.subn(rf"(?m)^{key} = \S.*?(?=\s*(#|$))", f"{key} = {value}", text, count=1)
        if n != 1:
            raise SystemExit(f"no key {key} in the shipped settings")
    path.write_text(text, encoding="utf-8")
    return path


def plan(road: Road, sky: str, args: argparse.Namespace) -> tuple[dict[str, Any], str, float]:
    """Return the plan as JSON, its text and the seconds that the first took."""
    now = args.now or datetime.now(UTC).replace(microsecond=0)
    weather = read_sky(SKIES / f"{sky}.toml", now.timestamp(), at_m=road.summit_m)
    nws = nws_of(weather, road.ground_m, stations_along(*road.samples(), every_km=60.0))
    with (
        FakeOpenMeteo(now_utc=now, storm=weather, ground=road.ground_m, nws=nws) as api,
        tempfile.TemporaryDirectory() as folder,
        patch("alertd.cli.commands.plan.system_clock", lambda: now),
    ):
        config = settings_in(Path(folder), api.base_url, args.source)
        gpx = Path(folder) / "road.gpx"
        gpx.write_text(road.gpx(), encoding="utf-8")
        depart = (now + timedelta(hours=args.depart_in_h)).isoformat()
        command = ["plan", str(gpx), "--rig", args.rig, "--depart", depart, "--config", str(config)]
        begun = time.process_time()
        done = CliRunner().invoke(cli, [*command, "--json"], prog_name="alertd")
        took_s = time.process_time() - begun
        if done.exit_code not in (0, 2, 3):
            raise SystemExit(f"{road.name}, {sky}: {done.stderr}{done.exception!r}")
        text = CliRunner().invoke(cli, command, prog_name="alertd").stdout if args.text else ""
    value = json.loads(done.stdout)
    return value.get("plan", value), text, took_s


def row(value: dict[str, Any]) -> str:
    """One line of figures of a plan."""
    parts = [f"{value['advice']:6}", f"chains {value['chain_probability']:.2f}", f"+{value['cost_s'] / 60:4.0f} min"]
    for s in value["stretches"]:
        up, off = s["chain_up"], s["chain_off"]
        mile = [round(to_miles(m)) for m in (up["distance_m"], s["start_m"], s["end_m"], off["distance_m"])]
        listed = "" if up.get("listed", True) else "*"
        parts.append(
            f"[{s['advice']} {s['probability']:.2f} on {mile[0]}{listed} road {mile[1]}-{mile[2]} off {mile[3]}]"
        )
    for s in value["surfaces"]:
        parts.append(
            f"({'ICE ' if s['icy'] else ''}{s['surfaces'][0][0]} {s['probability']:.2f} "
            f"{to_miles(s['start_m']):.0f}-{to_miles(s['end_m']):.0f})"
        )
    return " ".join(parts) + (" PARTIAL" if value["partial"] else "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--roads", default="")
    parser.add_argument("--skies", default="dry,light-snow,storm,freezing-rain")
    parser.add_argument("--source", default="open-meteo", choices=("open-meteo", "open-meteo-ensemble", "nws"))
    parser.add_argument("--rig", default="tractor-6x4-van-53")
    parser.add_argument("--depart-in-h", type=float, default=2.0)
    parser.add_argument(
        "--now", type=datetime.fromisoformat, help="UTC, e.g. 2026-12-10T11:00+00:00; the clock's if not given."
    )
    parser.add_argument("--reverse", action="store_true")
    parser.add_argument("--text", action="store_true")
    args = parser.parse_args()
    wanted = [w for w in args.roads.split(",") if w]
    roads = read_roads(ROADS / "roads.csv")
    if wanted:
        roads |= read_roads(ROADS / "long_roads.csv")
    for name, road in roads.items():
        if wanted and not any(w in name for w in wanted):
            continue
        for sky in args.skies.split(","):
            way = road.reversed() if args.reverse else road
            value, text, took_s = plan(way, sky, args)
            print(f"{way.name:28} {sky:14} {took_s:4.1f} s  {row(value)}", flush=True)
            if text:
                print(text)


if __name__ == "__main__":
    sys.exit(main())

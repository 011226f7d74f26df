"""Clients generated from the published document run against the daemon: create, read a plan, follow events, be refused.

The generators are not ours: openapi-typescript with openapi-fetch on Node.js, and openapi-python-client.
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from alertd.settings.model import Settings
from alertd.testing.clock import ManualClock
from alertd.testing.contract import OPENAPI
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer

pytestmark = pytest.mark.slow
DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"

TYPESCRIPT = """
import createClient from "openapi-fetch";
import type { components, paths } from "./api";

const client = createClient<paths>({ baseUrl: process.env.ALERTD! });
const trip: components["schemas"]["TripRequest"] =
  { id: "T-9", route: "i90-west", rig: "quillback-17", depart: "2027-01-14T13:00:00-07:00" };
const created = await client.POST("/v1/trips", { body: trip });
const again = await client.POST("/v1/trips", { body: trip });
const plan = await client.GET("/v1/trips/{trip_id}/plan", { params: { path: { trip_id: "QT-1041" } } });
let after = 0;
const types: string[] = [];
for (;;) {
  const page = await client.GET("/v1/events", { params: { query: { after, limit: 2 } } });
  if (!page.data || typeof page.data === "string") throw new Error(JSON.stringify(page.error));
  for (const event of page.data.events) types.push(event.type);
  after = page.data.next_after;
  if (!page.data.more) break;
}
const refused = await client.POST("/v1/trips", { body: { ...trip, id: "T-10", rig: "hovercraft" } });
console.log(JSON.stringify({
  created: created.response.status, again: again.response.status, id: created.data?.id, advice: plan.data?.advice,
  text_n: types.length, refused: refused.response.status, field: refused.error?.field, problem: refused.error?.type,
}));
"""

PYTHON = """
import json, os
from client.api.events import read_events
from client.api.trips import get_plan, post_route, post_trip
from client.client import Client
from client.models import Plan, Problem, SentRoute, Trip, TripRequest
from client.types import File

client = Client(base_url=os.environ["ALERTD"])
body = {"id": "T-11", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T13:00:00-07:00"}
created = post_trip.sync_detailed(client=client, body=TripRequest.from_dict(body))
again = post_trip.sync_detailed(client=client, body=TripRequest.from_dict(body))
assert isinstance(created.parsed, Trip)
plan = get_plan.sync(client=client, trip_id="QT-1041")
assert isinstance(plan, Plan)
after, types = 0, []
while True:
    page = read_events.sync(client=client, after=after, limit=2)
    types += [event.type_ for event in page.events]
    after = page.next_after
    if not page.more:
        break
refused = post_trip.sync_detailed(client=client, body=TripRequest.from_dict(body | {"id": "T-12", "rig": "hovercraft"}))
assert isinstance(refused.parsed, Problem), refused
with open(os.environ["GPX"], "rb") as gpx:
    sent = post_route.sync(client=client, name="west", body=File(payload=gpx))
assert isinstance(sent, SentRoute), sent
print(json.dumps({
    "created": int(created.status_code), "again": int(again.status_code), "id": created.parsed.id,
    "advice": str(plan.advice), "text_n": len(types), "refused": int(refused.status_code),
    "field": refused.parsed.field, "problem": refused.parsed.type_,
}))
"""


@pytest.fixture
def daemon(make_settings: Callable[..., Settings], morning: Any, tmp_path: Path) -> Iterator[PageServer]:
    with FakeOpenMeteo(now_utc=morning) as weather:
        settings = make_settings(forecasts=weather.base_url)
        routes = tmp_path / "routes"  # a client sends a file there
        routes.mkdir()
        for gpx in settings.places.routes.glob("*.gpx"):
            shutil.copyfile(gpx, routes / gpx.name)
        settings = replace(settings, places=replace(settings.places, routes=routes))
        with PageServer(settings, ManualClock(morning)) as server:
            yield server


def run(command: list[Any], folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, cwd=folder, env={**os.environ, **more}, capture_output=True, text=True, check=False, timeout=300
    )


def expect(done: subprocess.CompletedProcess[str], trip_id: str, server: PageServer) -> None:
    assert done.returncode == 0, done.stdout + done.stderr
    seen = json.loads(done.stdout)
    assert (seen["created"], seen["again"], seen["id"]) == (201, 200, trip_id)
    assert server.store.trip(trip_id) is not None
    assert seen["advice"] == server.planner.latest.plans["QT-1041"].advice.value
    assert seen["text_n"] > 2  # more than one page
    assert (seen["refused"], seen["field"]) == (422, "rig")
    assert seen["problem"].startswith("urn:")


def test_typescript_client_talks_to_the_daemon(tmp_path: Path, daemon: PageServer) -> None:
    npm, npx, node = shutil.which("npm"), shutil.which("npx"), shutil.which("node")
    if not (npm and npx and node):
        pytest.skip("no Node.js on this machine")
    shutil.copy(OPENAPI, tmp_path / "openapi.json")
    (tmp_path / "package.json").write_text('{"type": "module", "private": true}', encoding="utf-8")
    (tmp_path / "use.ts").write_text(TYPESCRIPT, encoding="utf-8")
    packages = ["openapi-typescript@7", "openapi-fetch@0.17", "typescript@5", "@types/node@20"]
    if run([npm, "install", "--no-audit", "--no-fund", *packages], tmp_path).returncode:
        pytest.skip("the packages of the generator cannot be had here")
    made = run(
        [npx, "--no", "openapi-typescript", "openapi.json", "--default-non-nullable=false", "-o", "api.d.ts"], tmp_path
    )
    assert made.returncode == 0, made.stdout + made.stderr
    options = [
        "--strict",
        "--target",
        "es2022",
        "--module",
        "esnext",
        "--moduleResolution",
        "bundler",
        "--skipLibCheck",
    ]
    made = run([tmp_path / "node_modules" / ".bin" / "tsc", *options, "use.ts"], tmp_path)
    assert made.returncode == 0, made.stdout + made.stderr
    expect(run([node, "use.js"], tmp_path, ALERTD=daemon.base_url), "T-9", daemon)


def test_python_client_talks_to_the_daemon(tmp_path: Path, daemon: PageServer) -> None:
    venv = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(venv)], check=True)
    if run([venv / "bin" / "pip", "install", "--quiet", "openapi-python-client>=0.25,<1"], tmp_path).returncode:
        pytest.skip("the generator cannot be had here")
    command = ["generate", "--path", OPENAPI, "--output-path", tmp_path / "client", "--meta", "none"]
    made = run([venv / "bin" / "openapi-python-client", *command], tmp_path, PATH=f"{venv / 'bin'}:/usr/bin:/bin")
    assert made.returncode == 0, made.stdout + made.stderr
    (tmp_path / "use.py").write_text(PYTHON, encoding="utf-8")
    given = {"ALERTD": daemon.base_url, "PYTHONPATH": str(tmp_path), "GPX": str(DEMO / "i90-west.gpx")}
    done = run([venv / "bin" / "python", "use.py"], tmp_path, **given)
    expect(done, "T-11", daemon)

"""The recipes of DEVELOPERS.md, followed in a copy of the project: each extension is one new file and one line."""

import json
import os
import shutil
import socketserver
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from alertd.clock import system_clock

REPO = Path(__file__).resolve().parents[2]
SECRET = "canary-pager-token-5581"
pytestmark = pytest.mark.slow

PROVIDER = '''
"""A forecast service of one place and value, for the recipe."""

from functools import partial

import numpy as np

from alertd.forecast.model import Forecast
from alertd.forecast.provider import ForecastRequest, window
from alertd.sources.files.toml import FileModel
from alertd.sources.http.answer import JsonClient
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.provider_spec import ProviderSpec


class Toy:
    name = "toy"

    def __init__(self, client: JsonClient, url: str) -> None:
        self._client, self._url = client, url

    async def fetch(self, request: ForecastRequest) -> Forecast:
        answer = await self._client.get_json("toy", f"{self._url}/now", read=lambda body: float(body["air_temp_c"]))
        start, hours = window(request)
        made = partial(np.full, (1, request.lat_deg.size, hours))
        return Forecast(
            provider="toy", licence="Toy Weather, public domain", issued_at=None, fetched_at=answer.fetched_at,
            start=start, lat_deg=request.lat_deg.copy(), lon_deg=request.lon_deg.copy(),
            elevation_m=request.road_elevation_m.copy(), air_temp_c=made(answer.value), rh_frac=made(0.5),
            pressure_hpa=made(900.0), wind_mps=made(2.0), cloud_frac=made(0.2), shortwave_wm2=made(100.0),
            precip_mmwe_h=made(0.0), precip_prob_frac=made(0.0), freezing_level_m=made(4000.0),
            snow_level_m=made(3800.0), gust_mps=made(4.0), visibility_m=made(9_000.0),
            precip_form=made(0).astype(np.int8),
        )  # fmt: skip


class ToyKeys(FileModel):
    toy_url: str = "https://weather.toy.example"


SPEC = ProviderSpec(
    name="toy",
    settings_model=ToyKeys,
    url_key="toy_url",
    open=lambda inputs: Toy(inputs.client, inputs.settings.toy_url),
    hosts={"toy.example": HostLimits(name="toy.example", at_once=1)},
)
'''

CHANNEL = '''
"""A pager gateway, for the recipe: one line of text over TCP."""

import asyncio
import logging

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.channel_spec import ChannelModel, ChannelSpec
from alertd.errors import DeliveryError


class Pager:
    def __init__(self, name: str, port: int, token: str) -> None:
        self._name, self._port, self._token = name, port, token

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        logging.getLogger(__name__).warning("calling with token %s", self._token)
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
            writer.write(f"{self._token} {outgoing.text}\\n".encode())
            await reader.readline()
            writer.close()
        except OSError as exc:
            raise DeliveryError(self._name, str(exc)) from exc


class PagerFile(ChannelModel):
    port: int
    token_file: str


SPEC = ChannelSpec(
    section="pager",
    settings_model=PagerFile,
    secrets=("token_file",),
    open=lambda config, _tools: Pager(config.name, config.settings.port, config.secret("token_file")),
)
'''

FORMAT = '''
"""One entry a line, for the recipe: its words, and where."""

from collections.abc import Mapping

from alertd.errors import SourceChanged
from alertd.plan.posted import ControlLocation
from alertd.sources.road_feeds.model import FeedContent, FeedRow
from alertd.sources.road_feeds.spec import FeedFormat


def _row(source: str, line: str) -> FeedRow:
    words, _, place = line.partition("@")
    try:
        lat, lon = map(float, place.split(","))
    except ValueError as exc:
        raise SourceChanged(source, "a line has no place") from exc
    return FeedRow(id="", text=words, quote=words, wheres=(ControlLocation(near=(lat, lon)),))


def read_lines(source: str, body: bytes, read: Mapping[str, str], zone: str) -> FeedContent:
    return FeedContent(rows=tuple(_row(source, line) for line in body.decode().splitlines()))


TOY = FeedFormat(read=read_lines, content_types=("text/plain",))
'''

DELIVER_ONE = """
import asyncio, random, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from alertd.daemon.channels import open_channels
from alertd.daemon.log_format import configure_logging, secrets_of
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.settings.read import read_settings
from alertd.store.store import Store

settings = read_settings(Path(sys.argv[1]))
configure_logging(settings.log, secrets_of(settings))
now = datetime(2027, 1, 14, 11, tzinfo=UTC)
notice = Notice(
    id="ntc_1", kind=NoticeKind.BRIEF, audience=Audience.DISPATCHER, trip_id="", plan_id="", created_at=now,
    expires_at=now + timedelta(hours=1), text="Chain up at Haugan", body="{}",
)


async def main():
    with Store(settings.store) as store:
        store.record_notices([notice], settings.targets, now)
        async with open_channels(settings) as channels:
            worker = DeliveryWorker(store.outbox, channels, owner="recipe", rng=random.Random(1))
            await worker.deliver_due(now)
        print(store.outbox.counts_by_channel())


asyncio.run(main())
"""


@dataclass
class Copy:
    """A copy of the project, and what a recipe changes in it."""

    root: Path
    files: set[str] = field(default_factory=set)
    lines_changed: int = 0

    def add_file(self, name: str, text: str) -> None:
        assert not (self.root / name).exists()
        (self.root / name).write_text(text.lstrip("\n"), encoding="utf-8")
        self.files.add(name)

    def add_line(self, name: str, after: str, line: str) -> None:
        text = (self.root / name).read_text(encoding="utf-8")
        assert text.count(after) == 1, after
        (self.root / name).write_text(text.replace(after, after + line), encoding="utf-8")
        self.files.add(name)
        self.lines_changed += 1

    def python(self, *args: object) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [sys.executable, *map(str, args)], cwd=self.root, capture_output=True, text=True, timeout=120, check=False,
            env={**os.environ, "PYTHONPATH": str(self.root)},
        )  # fmt: skip

    def alertd(self, *args: object) -> "subprocess.CompletedProcess[str]":
        return self.python("-m", "alertd", *args)

    def mistake(self, *args: object) -> str:
        """The one line that a command prints on standard error."""
        done = self.alertd(*args)
        assert done.returncode == 1, done.stderr
        (line,) = done.stderr.splitlines()
        return line


@pytest.fixture
def project(tmp_path: Path) -> Copy:
    root = tmp_path / "project"
    skip = shutil.ignore_patterns("__pycache__", "_data", "var")
    for name in ("alertd", "config", "fixtures/demo"):
        shutil.copytree(REPO / name, root / name, ignore=skip)
    return Copy(root)


@pytest.fixture
def toy_service() -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = json.dumps({"air_temp_c": 4.5}).encode()
            self.send_response(200)
            self.send_header("content-type", "application/json")
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *args: object) -> None: ...

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


@pytest.fixture
def pager() -> Iterator[tuple[int, list[str]]]:
    """A port that takes pages, and the pages it has taken."""
    taken: list[str] = []

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            taken.append(self.rfile.readline().decode())
            self.wfile.write(b"ok\n")

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1], taken
        server.shutdown()


EXTENSIONS = "alertd/settings/extensions.py"
FORMATS = "alertd/sources/road_feeds/formats.py"
FORMAT_SPEC_IMPORT = "from alertd.sources.road_feeds.spec import FeedFormat\n"
PROVIDER_LINE = '    "met_norway.forecast:SPEC",\n'
CHANNEL_LINE = '    "console:SPEC",\n'


def demo_settings(project: Copy, changes: dict[str, str]) -> Path:
    path = project.root / "fixtures" / "demo" / "alertd.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path


def test_recipe_forecast_provider(project: Copy, toy_service: str) -> None:
    project.add_file("alertd/sources/providers/toy.py", PROVIDER)
    project.add_line(EXTENSIONS, PROVIDER_LINE, '    "toy:SPEC",\n')
    assert (len(project.files), project.lines_changed) == (2, 1)
    own = f'sources = ["toy"]\ntoy_url = "{toy_service}"\nalerts = false'
    config = demo_settings(project, {'sources = ["open-meteo"]': own})
    depart: datetime = (system_clock() + timedelta(hours=2)).replace(microsecond=0)
    archive = project.root / "archive"
    trip = ["fixtures/demo/i90-west.gpx", "--rig", "quillback-17", "--depart", depart.isoformat()]
    done = project.alertd("plan", *trip, "--keep", archive, "--config", config, "--json")
    assert done.returncode == 0, done.stderr
    plan = json.loads(done.stdout)
    assert [source["provider"] for source in plan["sources"]] == ["toy"]
    again = project.alertd("replay", plan["id"], "--archive", archive, "--config", config)
    assert again.returncode == 0, again.stderr


def test_recipe_channel(project: Copy, pager: tuple[int, list[str]]) -> None:
    project.add_file("alertd/delivery/channels/pager.py", CHANNEL)
    project.add_line(EXTENSIONS, CHANNEL_LINE, '    "pager:SPEC",\n')
    assert (len(project.files), project.lines_changed) == (2, 1)
    port, taken = pager
    section = f'[[pager]]\nname = "night"\nport = {port}\ntoken_file = "token.txt"\naudiences = ["dispatcher"]\n\n'
    config = demo_settings(
        project, {"[[webhook]]": section + "[[webhook]]", "var/alertd.db": "alertd.db", ', "dispatcher"]': "]"}
    )
    (config.parent / "token.txt").write_text(SECRET)
    checked = project.alertd("check", "--config", config)
    assert checked.returncode == 0, checked.stdout
    (project.root / "deliver_one.py").write_text(DELIVER_ONE, encoding="utf-8")
    done = project.python("deliver_one.py", config)
    assert done.returncode == 0, done.stderr
    assert taken == [f"{SECRET} Chain up at Haugan\n"]
    assert "calling with token [secret]" in done.stderr
    assert SECRET not in done.stderr + done.stdout + checked.stdout


def test_recipe_rules_of_a_state(project: Copy) -> None:
    text = (project.root / "config/rules/us-mt.toml").read_text(encoding="utf-8")
    text = text.replace('jurisdiction = "US-MT"', 'jurisdiction = "US-ND"').replace('name = "Montana"', 'name = "Toy"')
    project.add_file("config/rules/us-nd.toml", text)
    assert (len(project.files), project.lines_changed) == (1, 0)
    config = project.root / "config" / "alertd.toml"
    done = project.alertd("rules", "ND", "--json", "--config", config)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["jurisdiction"] == "US-ND"
    assert "us-nd.toml: rules of Toy" in project.alertd("check", "-v", "--config", config).stdout


def test_recipe_format_of_posted_conditions(project: Copy) -> None:
    project.add_file("alertd/sources/road_feeds/toy.py", FORMAT)
    project.add_line(FORMATS, FORMAT_SPEC_IMPORT, "from alertd.sources.road_feeds.toy import TOY\n")
    project.add_line(FORMATS, '    "datex2-v3": _DATEX,\n', '    "toy": TOY,\n')
    assert (len(project.files), project.lines_changed) == (2, 2)
    feed, answer = project.root / "config/feeds/toy.toml", project.root / "answer.txt"
    example = (project.root / "config/feeds/example.toml").read_text(encoding="utf-8")
    head, words = example.split("\n[read]\n")[0] + "\n", "[[word]]" + example.split("[[word]]", 1)[1]
    feed.write_text((head + words).replace('format = "json"', 'format = "toy"'), encoding="utf-8")
    answer.write_text("Chains required@47.45,-115.69\nRoad closed@47.46,-115.70\n")
    config = project.root / "config" / "alertd.toml"
    done = project.alertd("check", "--config", config, "--feed", feed, "--try", answer, "--json")
    assert done.returncode == 0, done.stderr
    assert [control["level"] for control in json.loads(done.stdout)["controls"]] == ["chains-required", "closed"]


def test_forgotten_piece_is_one_line(project: Copy) -> None:
    """`tests/settings/test_extensions.py` has the other pieces."""
    project.add_line(EXTENSIONS, PROVIDER_LINE, '    "toy:SPEC",\n')
    line = project.mistake("plan", "x.gpx", "--rig", "r", "--depart", "t")
    assert line.startswith("alertd: alertd.sources.providers.toy: SPEC: cannot be used (No module named")
    assert "; export SPEC = ProviderSpec(...) there, or remove the line from alertd.settings.extensions" in line

"""Runs the invented storm end to end and offline; only the forecast server and the receiver are fakes."""

import json
import random
import shutil
import tempfile
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from alertd.cli.paths import demo_path
from alertd.cli.plan import show_plan
from alertd.daemon.channels import open_channels
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import InputError
from alertd.notices.model import Audience, NoticeKind
from alertd.notices.text import gsm7
from alertd.plan.model.plan import Plan
from alertd.planning.planner import create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.service.cycle import CycleOutcome, brief_slot, run_cycle, send_brief
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.store.archive import Archive
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import FakeNws, FakeNwsWeather, make_alert
from alertd.testing.nws.stations import FakeStation, FakeStations
from alertd.testing.weather.storm import Storm, ground_m
from alertd.testing.webhook_receiver import Received, WebhookReceiver

# The time of the invented brief: 03:30 in Missoula, 75 minutes before the first truck departs.
DEMO_START = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
FEATURED_TRIP = "QT-1041"


# Airports near the demo's road, from memory, rounded. Only Mullan Pass lies near the height of a pass.
NWS_STATIONS = (
    FakeStation(id="KMSO", lat_deg=46.92, lon_deg=-114.09, elevation_m=973.0),
    FakeStation(id="KMLP", lat_deg=47.46, lon_deg=-115.65, elevation_m=1838.0),
    FakeStation(id="KCOE", lat_deg=47.77, lon_deg=-116.82, elevation_m=703.0),
    FakeStation(id="KSFF", lat_deg=47.68, lon_deg=-117.32, elevation_m=596.0),
    FakeStation(id="KGEG", lat_deg=47.62, lon_deg=-117.53, elevation_m=721.0),
)
# An invented zone of weather warnings over the higher pass: west, south, east and north [deg].
NWS_ZONES = {"forecast/MTZ001": (-116.0, 47.2, -115.2, 47.7)}


async def run_demo(console: Console, keep: Path | None, source: str = "open-meteo") -> None:
    """Run the demo and print it.

    keep: a folder for the store and cache; None uses a temporary folder. source: "open-meteo", or "nws" for a stand-in
    of the National Weather Service with its stations.
    """
    with ExitStack() as stack:
        folder = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="alertd-demo-")))
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise InputError(
                "--keep", "", f"{folder} cannot be created ({exc.strerror})", "name another folder"
            ) from exc
        # Names that a daemon's own store never has: other files in the folder are not the demo's to delete.
        (folder / "demo.db").unlink(missing_ok=True)
        shutil.rmtree(folder / "demo-http", ignore_errors=True)
        shutil.rmtree(folder / "demo-archive", ignore_errors=True)
        clock = ManualClock(DEMO_START)
        forecasts = stack.enter_context(FakeOpenMeteo(now_utc=DEMO_START, nws=demo_nws() if source == "nws" else None))
        settings = read_settings(demo_path() / "alertd.toml")
        receiver = stack.enter_context(WebhookReceiver(settings.channels[0].secret("secret_file"), clock=clock))
        settings = _on_loopback(settings, folder, forecasts.base_url, receiver.url)
        if source == "nws":
            settings = _on_nws(settings, forecasts.base_url)
        keep_inputs = ReplayWriter(archive=Archive(folder / "demo-archive")) if keep else None
        with Store(settings.store) as store:
            async with create_planner(settings, clock, keep_inputs) as planning, open_channels(settings) as ways_out:
                outcome = await run_cycle(planning, store, clock())
                slot = brief_slot(clock(), planning)
                if slot is not None:
                    await send_brief(planning, store, clock(), slot)
                dispatcher = DeliveryWorker(store.outbox, ways_out, owner="demo", rng=random.Random(1))
                await dispatcher.deliver_due(clock())
            _show(console, settings, store, outcome, receiver, len(forecasts.requests))
        if keep:
            console.print(f"The store is {settings.store}; look at it with any SQLite tool.")
            first = next(p.id for p in outcome.plans if p.trip_id == FEATURED_TRIP)
            console.print(f"alertd replay {first} --archive {settings.archive} makes the plan above again.")


def demo_nws() -> FakeNws:
    """The storm as the National Weather Service would give it, with reports of stations and a winter storm warning."""
    stations = FakeStations(storm=Storm(), stations=NWS_STATIONS)
    return FakeNws(
        zones=NWS_ZONES,
        alerts=[make_alert(list(NWS_ZONES))],
        updated=DEMO_START.isoformat(),
        weather=FakeNwsWeather(stations=stations, ground=ground_m),
    )


def _on_nws(settings: Settings, base_url: str) -> Settings:
    forecast = replace(settings.forecast.with_keys(nws_url=base_url), sources=("nws",), metar_url=base_url)
    return replace(settings, forecast=forecast)


def _on_loopback(settings: Settings, folder: Path, forecasts: str, receiver: str) -> Settings:
    return replace(
        settings,
        forecast=settings.forecast.with_keys(open_meteo_url=forecasts),
        channels=tuple(c.with_keys(url=receiver) for c in settings.channels),
        store=folder / "demo.db",
        cache=folder / "demo-http",
        archive=folder / "demo-archive",
    )


def _show(
    console: Console,
    settings: Settings,
    store: Store,
    outcome: CycleOutcome,
    receiver: WebhookReceiver,
    requests_n: int,
) -> None:
    console.print(
        Text(
            f"{settings.fleet}, dispatch on the morning of 14 January 2027 with a storm coming in from the west.\n"
            "Carrier, people, trucks, stops and storm are invented; road, heights and rule texts are real. "
            "Not for navigation."
        )
    )
    _rule(console, "1  The plan of one trip")
    plan = next(p for p in outcome.plans if p.trip_id == FEATURED_TRIP)
    show_plan(plan, console)
    _rule(console, "2  What its driver reads, parked, before leaving")
    for text in _texts(store, plan):
        parts = gsm7.segments(text)
        about = f"{gsm7.septets(text)} septets, {parts} message{'s' if parts > 1 else ''}"
        console.print(Panel(Text(text), width=62, title="text message", subtitle=about))
    _rule(console, "3  The dispatcher's morning brief")
    brief = next(r for r in map(_content, receiver.received) if r["type"] == "fleet.brief")
    console.print(Text(brief["data"]["text"]))
    _rule(console, "4  What the fleet's own system received and verified")
    _webhooks(console, receiver)
    _rule(console, "5  Where to look next")
    console.print(
        Text(
            "alertd init DIR                                 your own settings and route, and a first plan\n"
            "alertd plan ROUTE.gpx --rig RIG --depart TIME   one trip, on a live forecast\n"
            "alertd plan ... --explain                       how each advice came about, number by number\n"
            "alertd check                                    every configured file, and what is wrong in it\n"
            "alertd run                                      the daemon; POST /v1/trips, see shared/api.md\n"
            "config/alertd.toml                              settings: sources, stops, probabilities, channels\n"
            "config/rules/                                   the law as data, with dates, sections and doubts\n"
            f"This run asked the stand-in forecast server {requests_n} times over HTTP, and sent "
            f"{receiver.requests_n} webhooks."
        )
    )


def _rule(console: Console, title: str) -> None:
    console.print()
    console.rule(Text(title, "bold"), align="left")


def _texts(store: Store, plan: Plan) -> list[str]:
    """Return the driver's texts in route order."""
    sent = [n for n in store.notices(plan.trip_id) if n.audience is Audience.DRIVER and n.kind is NoticeKind.PLAN]
    return [n.text for n in sorted(sent, key=lambda n: n.expires_at)]


def _content(received: Received) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(received.body)
    return content


def _webhooks(console: Console, receiver: WebhookReceiver) -> None:
    table = Table(box=None, pad_edge=False)
    for column in ("webhook-id", "type", "about", "bytes", "signature"):
        table.add_column(column, justify="right" if column == "bytes" else "left")
    for r in receiver.received:
        content = _content(r)
        data = content["data"]
        about = data.get("trip_id") or data.get("local_date") or data["plan"]["trip_id"]
        table.add_row(r.id[:16] + "...", str(content["type"]), about, str(len(r.body)), "verified")
    console.print(table)
    if receiver.refused:
        console.print(Text(f"REFUSED: {receiver.refused}", "bold red"))
    console.print(
        Text("Checked by the standardwebhooks library, which is not ours; each id stays the same on a retry.")
    )

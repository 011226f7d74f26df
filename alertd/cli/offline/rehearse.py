"""`alertd rehearse`: a virtual day offline under a described sky, with the operator's routes, rigs and settings."""

import asyncio
import json
import tempfile
import textwrap
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from alertd.cli.options import config_option
from alertd.cli.paths import settings_to_read
from alertd.errors import InputError
from alertd.plan.model.plan import Plan
from alertd.settings.model import Settings
from alertd.settings.shipped import data_root
from alertd.sources.files.trip_parts import parse_departure
from alertd.sources.files.trips import TripRequest, read_trips

if TYPE_CHECKING:
    from alertd.testing.rehearsal import RehearsalSummary, RehearsedEvent
    from alertd.testing.weather.sky import Sky

BEFORE = timedelta(hours=12)


@click.command("rehearse")
@click.argument("sky", metavar="SKY")
@click.option(
    "--trips", "trips_file", type=click.Path(path_type=Path), metavar="FILE", help="Not those of the settings."
)
@click.option(
    "--from", "start", default="", metavar="TIME", help="Start; 12 h before the first departure if not given."
)
@click.option("--hours", type=click.FloatRange(1.0, 120.0), default=36.0, show_default=True, help="Virtual hours.")
@click.option("--at-m", type=float, metavar="METRES", help="Height of the sky's temperature, instead of its own.")
@click.option("--keep", type=click.Path(path_type=Path), metavar="DIR", help="Keep the store and the notices there.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="A JSON object a line on standard output.")
def rehearse_command(
    sky: str,
    trips_file: Path | None,
    start: str,
    hours: float,
    at_m: float | None,
    keep: Path | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Run a virtual day offline under SKY, a TOML file or the name of a shipped sky, and print what each person gets.

    Trucks follow their plans and report. Nothing leaves this machine.
    """
    from alertd.testing.rehearsal import rehearse
    from alertd.testing.weather.sky import read_sky

    settings = settings_to_read(config)
    trips = _trips(settings, trips_file)
    begin = parse_departure(start) if start else min(t.depart_at for t in trips) - BEFORE
    described = read_sky(_sky_path(sky), begin.timestamp(), at_m)
    show = _JsonLines() if as_json else _Timeline(settings.brief_zone)
    show.begin(described)
    with tempfile.TemporaryDirectory(prefix="alertd-rehearsal-") as temporary:
        folder = keep or Path(temporary)
        if trips_file is not None:
            settings = replace(settings, trips=trips_file)
        summary = asyncio.run(rehearse(settings, described, trips, hours, folder, show.event))
    show.end(summary)


def _trips(settings: Settings, named: Path | None) -> tuple[TripRequest, ...]:
    path = named or settings.trips
    if path is None:
        raise InputError("daemon.trips", "", "no trips file is set", "name one with --trips")
    trips = tuple(read_trips(path))
    if not trips:
        raise InputError(str(path), "", "holds no trip", "add a row")
    return trips


def _sky_path(sky: str) -> Path:
    path = Path(sky)
    if path.suffix == ".toml" or path.exists():
        return path
    shipped = data_root() / "fixtures" / "skies"
    if not (shipped / f"{sky}.toml").is_file():
        names = ", ".join(sorted(p.stem for p in shipped.glob("*.toml")))
        raise InputError("SKY", "", f'"{sky}" is no file and no shipped sky', f"name a TOML file, or one of: {names}")
    return shipped / f"{sky}.toml"


class _Timeline:
    """Prints events in order as text, in one time zone."""

    def __init__(self, zone: str) -> None:
        self._zone = ZoneInfo(zone)

    def begin(self, sky: "Sky") -> None:
        click.echo(
            f"{sky.described.title}; from {self._time(sky.starts_at)}. A rehearsal: weather and trucks are invented."
        )

    def event(self, event: "RehearsedEvent") -> None:
        if event.notice is not None:
            who = f"{event.notice.audience.value} ({event.notice.kind.value})"
            click.echo(f"\n{self._time(event.at)}  {event.trip_id or 'fleet'}  to the {who}")
            text = event.notice.text
        elif event.plan is not None:
            click.echo(f"\n{self._time(event.at)}  {event.trip_id}  plan")
            text = plan_line(event.plan, self._zone)
        else:
            return
        for line in text.splitlines():
            click.echo(textwrap.fill(line, 100, initial_indent="    ", subsequent_indent="    "))

    def end(self, summary: "RehearsalSummary") -> None:
        click.echo("\nmessages by reader and kind")
        for (who, kind), n in sorted(summary.notices.items()):
            click.echo(f"    {who:12} {kind:16} {n}")
        click.echo("arrivals")
        for trip_id, at in summary.arrived_at.items():
            click.echo(f"    {trip_id:16} {'under way' if at is None else self._time(at)}")

    def _time(self, at: datetime) -> str:
        return f"{at.astimezone(self._zone):%a %d %b %H:%M %Z}"


class _JsonLines:
    """Prints each event as one JSON object."""

    def begin(self, sky: "Sky") -> None:
        click.echo(json.dumps({"sky": sky.described.title, "from": sky.starts_at.isoformat()}))

    def event(self, event: "RehearsedEvent") -> None:
        row: dict[str, object] = {"at": event.at.isoformat(), "trip": event.trip_id}
        if event.notice is not None:
            n = event.notice
            row |= {"audience": n.audience.value, "kind": n.kind.value, "text": n.text}
        if event.plan is not None:
            row |= {"advice": event.plan.advice.value, "arrive_at": event.plan.arrive_at.isoformat()}
        click.echo(json.dumps(row, ensure_ascii=False))

    def end(self, summary: "RehearsalSummary") -> None:
        arrivals = {k: v and v.isoformat() for k, v in summary.arrived_at.items()}
        notices = [{"audience": who, "kind": kind, "count": n} for (who, kind), n in sorted(summary.notices.items())]
        click.echo(json.dumps({"notices": notices, "arrived_at": arrivals}))


def plan_line(plan: Plan, zone: ZoneInfo) -> str:
    """One line of a plan: advice, arrival, and each stretch with its places."""
    parts = [f"{plan.advice.value}, arrives {plan.arrive_at.astimezone(zone):%H:%M}"]
    for s in plan.stretches:
        place = s.place or "a stretch"
        parts.append(f"{s.advice.value} {s.probability:.0%} at {place}: on {s.chain_up.name}, off {s.chain_off.name}")
    return "; ".join(parts)

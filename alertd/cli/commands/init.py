"""`alertd init`: a settings folder of one's own, and a first plan."""

import json
import shlex
import shutil
import sys
from collections.abc import Callable, Coroutine
from contextlib import nullcontext, redirect_stdout
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from alertd.cli.event_loop import run_work
from alertd.cli.options import PARTIAL, create_console, json_option
from alertd.clock import system_clock
from alertd.errors import AlertdError, InputError

if TYPE_CHECKING:
    from alertd.cli.first_day.starter import Answers, Land
    from alertd.plan.model.plan import Plan
    from alertd.planning.gather import GatherResult
    from alertd.settings.model import Settings

DEPARTS_AT = time(5, 0)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@click.option("--fleet", help="The fleet's name, for briefs and events.")
@click.option("--contact", help="Email or page by which weather services can reach you; sent with each request.")
@click.option("--business/--noncommercial", default=None, help="Whether a business runs it; decides the free sources.")
@click.option(
    "--route", "routes", type=click.Path(path_type=Path), multiple=True, metavar="GPX", help="May be repeated."
)
@click.option("--rig", metavar="PRESET", help="A shipped rig to begin with; `?` lists them.")
@click.option("--depart", metavar="TIME", help="Departure of the first plan; tomorrow at 05:00 if not given.")
@click.option("--offline", is_flag=True, help="Ask no server: gather no places, and plan without a forecast.")
@click.option("--no-plan", is_flag=True, help="Make the folder alone: ask no server and make no plan.")
@json_option
def init(
    folder: Path,
    fleet: str | None,
    contact: str | None,
    business: bool | None,
    routes: tuple[Path, ...],
    rig: str | None,
    depart: str | None,
    offline: bool,
    no_plan: bool,
    as_json: bool,
) -> None:
    """Make the settings folder DIR and plan a first trip.

    Asks for what the options leave open, at most five questions. Copies the shipped settings, your GPX file and a rig,
    gathers places along the route, and ends with a plan of tomorrow morning.
    """
    from alertd.cli.first_day.starter import (
        create_folder,
        land_of,
        presets,
        refuse_existing,
        replace_keys,
        sources_for,
        stops_from_waypoints,
    )
    from alertd.cli.first_day.templates import trip_rows
    from alertd.settings.read import read_settings
    from alertd.settings.reference_data import load_reference_data

    if rig == "?":
        _list(presets())
        return
    refuse_existing(folder)
    answers = _answers(fleet, contact, business, routes, rig)
    asked = _parse(depart)
    path = create_folder(folder, answers)
    settings = read_settings(path)
    kept = sorted(settings.places.routes.glob("*.gpx"))
    land = land_of(kept, load_reference_data(settings.places))
    sources, why = sources_for(land, business=answers.business)
    replace_keys(path, {"forecast.sources": sources, "daemon.brief_zone": land.zone})
    found_n, unknown = stops_from_waypoints(kept, path.parent / "stops.geojson")
    leaves = asked or _tomorrow(land)
    (path.parent / "trips.csv").write_text(
        trip_rows(
            leaves.isoformat(),
            route=kept[0].name,
            driver="",
            dispatcher="",
            drive_hours_used="",
            driven_since_break_h="",
        ),
        encoding="utf-8",
    )
    settings = read_settings(path)
    made: Plan | str = "--no-plan was given"
    status = 0
    with redirect_stdout(sys.stderr) if as_json else nullcontext():
        _tell(path, answers, sources, why, found_n, unknown)
        if not no_plan:
            offline = offline or _is_offline(settings)
            if not offline:
                _gather(settings)
            made = _make(settings, kept[0], leaves, offline=offline)
            status = _show(made)
        commands = _next_commands(leaves, kept[0], _to_gather(settings, kept) if offline or no_plan else [])
        click.echo(f"\nNext:\n  cd {shlex.quote(str(folder))}")
        for command in commands:
            click.echo(f"  {_program()} {command}")
    if as_json:
        _print_json(path, settings, made, commands)
    sys.exit(status)


def _print_json(path: Path, settings: "Settings", made: "Plan | str", commands: list[str]) -> None:
    """One object: what was made, the plan or the reason why there is none, and the commands that come next."""
    from alertd.plan.serialize import plan_json

    plan = None if isinstance(made, str) else json.loads(plan_json(made))
    reason = made if isinstance(made, str) else None
    sources = list(settings.forecast.sources)
    done = {"settings": str(path), "sources": sources, "plan": plan, "not_planned": reason, "next": commands}
    click.echo(json.dumps(done, ensure_ascii=False, indent=1))


def _is_offline(settings: "Settings") -> bool:
    """Whether this machine has no network, so that nobody waits for every server in turn; says so."""
    from alertd.cli.first_day.network import has_network

    if settings.environment_proxy or has_network(settings):
        return False
    click.echo("No server was found from this machine: nothing is gathered, and the plan has no forecast.")
    return True


def _answers(
    fleet: str | None, contact: str | None, business: bool | None, routes: tuple[Path, ...], rig: str | None
) -> "Answers":
    from alertd.cli.first_day.questions import ask_again, read_contact, read_preset, read_route
    from alertd.cli.first_day.starter import Answers, presets

    ask = _can_ask()
    missing = [
        name
        for name, value in (
            ("--contact", contact),
            ("--business or --noncommercial", business),
            ("--route", routes or None),
        )
        if value is None
    ]
    if missing and not ask:
        raise InputError("init", "", f"{', '.join(missing)} not given, and nobody can be asked", "give these options")
    if fleet is None:
        fleet = click.prompt("Name of your fleet", default="My fleet") if ask else "My fleet"
    if contact is None:
        contact = ask_again(
            "Email or page by which weather services can reach you (sent with each request)", read_contact
        )
    if business is None:
        business = click.confirm("Is it for a business (this decides which free sources may be used)?", default=True)
    if not routes:
        routes = (ask_again("GPX file of a route", read_route),)
    if rig is None:
        rig = "tractor-6x4-van-53"
        if ask:
            _list(presets())
            rig = ask_again("Rig to begin with", read_preset, default=rig)
    return Answers(fleet=fleet, contact=contact, business=business, routes=routes, rig=rig)


def _can_ask() -> bool:
    return sys.stdin.isatty()


def _list(presets: Any) -> None:
    for id_, name in presets.items():
        click.echo(f"  {id_:24} {name}")


def _parse(depart: str | None) -> datetime | None:
    from alertd.sources.files.trip_parts import parse_departure

    try:
        return parse_departure(depart) if depart is not None else None
    except ValueError as exc:
        problem, _, hint = str(exc).partition("; ")
        raise InputError("--depart", "", problem, hint) from exc


def _tomorrow(land: "Land") -> datetime:
    zone = ZoneInfo(land.zone)
    return datetime.combine(system_clock().astimezone(zone).date() + timedelta(days=1), DEPARTS_AT, zone)


def _tell(path: Path, answers: "Answers", sources: list[str], why: str, found_n: int, unknown: list[str]) -> None:
    config = path.parent
    click.echo(f"{path}: settings of {answers.fleet}")
    click.echo(f"  forecast: {' and '.join(sources)} ({why})")
    click.echo(f"  {config / 'rigs' / 'truck-1.toml'}: your truck; write its true weights and the chains on board")
    click.echo(f"  {config / 'stops.geojson'}: {found_n} places to stop, from waypoints that state their kind")
    if unknown:
        listed = ", ".join(unknown[:5]) + (f" and {len(unknown) - 5} more" if unknown[5:] else "")
        click.echo(f"    not used, because their kind is not stated: {listed}")
    click.echo(f"  {config / 'trips.csv'}: one trip, tomorrow morning; `alertd trips template` shows every column")


def _gather(settings: "Settings") -> None:
    """Gather what is needed once. A server that fails costs nothing but its places."""
    from alertd.planning.gather import gather_heights, gather_zones
    from alertd.planning.gather_places import gather_places

    def say(text: str) -> None:
        click.echo(f"  {text}", err=True)

    work: list[tuple[str, Callable[[], Coroutine[Any, Any, GatherResult]]]] = [
        ("places along the route", lambda: gather_places(settings, system_clock, say, renew=False, extract=None)),
        ("weather zones", lambda: gather_zones(settings, system_clock, say, renew=False)),
        ("heights, where the GPX has none", lambda: gather_heights(settings, system_clock, say, renew=False)),
    ]
    for what, one in work:
        try:
            done = run_work(one())
        except AlertdError as exc:
            click.echo(f"not gathered: {what} ({exc})")
        else:
            click.echo(f"gathered: {what}, {done.new_n} new" + "".join(f"; not had: {m}" for m in done.missed))


def _make(settings: "Settings", route: Path, leaves: datetime, *, offline: bool = False) -> "Plan | str":
    """The first plan, or why there is none yet: that is no mistake of the folder."""
    from alertd.planning.corridors.job import NotPlanned
    from alertd.planning.planner import create_planner
    from alertd.sources.files.trips import parse_trip
    from alertd.sources.http import options

    row = {"id": "trip", "route": route.name, "rig": "truck-1", "depart": leaves.isoformat()}
    connection = options.offline() if offline else None

    async def work() -> Any:
        async with create_planner(replace(settings, archive=None), system_clock, connection=connection) as planning:
            now = system_clock()
            line = await planning.route_of(route)
            done = await planning.plan_trips(await planning.prepare(line, [parse_trip(row, "init")], now))
            return done.outcomes["trip"]

    click.echo(f"planning {route.name}, {leaves:%a %d %b %H:%M}", err=True)
    try:
        outcome = run_work(work())
    except AlertdError as exc:
        return str(exc)
    return outcome.reason if isinstance(outcome, NotPlanned) else outcome


def _show(made: "Plan | str") -> int:
    """Print the plan, or why there is none; returns the exit status."""
    from alertd.cli.plan import show_plan

    if isinstance(made, str):
        click.echo(f"no plan yet: {made}")
        return PARTIAL
    show_plan(made, create_console())
    return PARTIAL if made.partial else 0


def _to_gather(settings: "Settings", routes: list[Path]) -> list[str]:
    """The commands that gather what these routes need, once there is a network."""
    from alertd.route.build import missing_elevation
    from alertd.route.geometry.clean import clean_line
    from alertd.sources.files.gpx.read import read_gpx

    commands = ["gather places"]
    if "nws" in settings.forecast.sources:
        commands.append("gather zones")
    if any(missing_elevation(clean_line(read_gpx(route))) for route in routes):
        commands.append("gather heights" if settings.noncommercial else "gather heights --tiles DIR")
    return commands


def _program() -> str:
    """How the reader starts this program from another folder: by name where the shell finds it, else by its path."""
    started = Path(sys.argv[0])
    by_path = started.name == "alertd" and shutil.which("alertd") is None
    return shlex.quote(str(started.absolute())) if by_path else "alertd"


def _next_commands(leaves: datetime, route: Path, gather: list[str]) -> list[str]:
    when = leaves.isoformat(timespec="minutes")
    plan = f"plan {shlex.quote(f'config/routes/{route.name}')} --rig truck-1 --depart {when}"
    return [*gather, "check", plan, "run"]

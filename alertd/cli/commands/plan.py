"""`alertd plan`: plans one trip now."""

import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from alertd.cli.event_loop import run_work
from alertd.cli.options import (
    PARTIAL,
    at_option,
    config_option,
    create_console,
    explain_option,
    json_option,
    print_explanation,
    print_origin,
)
from alertd.cli.paths import settings_to_read
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import plan_json
from alertd.sources.files.rig import read_rig
from alertd.sources.files.trip_parts import parse_departure
from alertd.sources.files.trips import TripRequest, parse_trip

if TYPE_CHECKING:
    from alertd.planning.plan_inputs import PlanInputs

FORECAST_HORIZON = timedelta(days=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlanOptions:
    """The arguments and options of `alertd plan`, by the names that click gives them."""

    routes: tuple[Path, ...]
    rig: str
    depart: str
    driver: str
    keep: Path | None
    pictures: Path | None
    metric: bool
    no_compare: bool
    explain: bool
    at: float | None
    config: str | None
    as_json: bool


@click.command()
@click.argument("routes", type=click.Path(path_type=Path), metavar="ROUTE.gpx...", nargs=-1, required=True)
@click.option("--rig", required=True, metavar="RIG", help="A rig's id from the rigs folder, or a rig file.")
@click.option("--depart", required=True, metavar="TIME", help="ISO 8601 with offset, e.g. 2027-01-14T04:45-07:00.")
@click.option("--driver", default="", help="For the messages.")
@click.option("--keep", type=click.Path(path_type=Path), metavar="DIR", help="Keep there what the plan is made from.")
@click.option("--pictures", type=click.Path(path_type=Path), metavar="DIR", help="Draw the plan there, as SVG.")
@click.option("--metric", is_flag=True, help="Kilometres and metres on the pictures.")
@click.option("--no-compare", is_flag=True, help="Do not compare with leaving at another time; quicker.")
@explain_option
@at_option
@config_option
@json_option
def plan(**options: Any) -> None:
    """Plan one trip now; with several routes the first, compared with the others."""
    asked = _PlanOptions(**options)
    settings = settings_to_read(asked.config)
    if asked.no_compare:
        settings = replace(settings, plan=replace(settings.plan, compare_h=0.0))
    now = system_clock()
    own = read_rig(Path(asked.rig)) if asked.rig.endswith(".toml") else None
    trip = _trip_from_options(asked, own.id if own else asked.rig, now)

    async def work() -> tuple[Plan, "PlanInputs"]:
        from alertd.planning.corridors.job import NotPlanned
        from alertd.planning.one_off import load_daemon_state
        from alertd.planning.planner import create_planner
        from alertd.planning.replays.replay_archive import ReplayWriter
        from alertd.store.archive import Archive

        async with create_planner(
            settings, system_clock, ReplayWriter(archive=Archive(asked.keep)) if asked.keep else None
        ) as planning:
            if own:
                planning.reference = planning.reference.with_rig(own, Path(asked.rig))
            known = await load_daemon_state(planning, now)
            print_origin(known.origin_note)
            planned = [
                await planning.plan_trips(
                    await planning.prepare(await planning.route_of(route), [trip], now, road_reports=known.road_reports)
                )
                for route in asked.routes
            ]
            first, *others = [one.outcomes[trip.id] for one in planned]
            names = [route.stem for route in asked.routes[1:]]
            outcome = await planning.with_alternatives(first, list(zip(names, others, strict=True)))
            if isinstance(outcome, NotPlanned):
                problem, _, hint = outcome.reason.removeprefix(f"trip {trip.id}: ").partition("; ")
                raise InputError("plan", "", problem, hint or "correct that and try again")
            inputs = planned[0].inputs[trip.id]
            if asked.pictures:
                from alertd.cli.plan import write_charts

                boundaries = planning.reference.boundaries
                write_charts(asked.pictures, outcome, inputs.request, boundaries, metric=asked.metric)
            return outcome, inputs

    made, inputs = run_work(work())
    if asked.explain or asked.at is not None:
        print_explanation(made, inputs, asked.at, asked.as_json)
    elif asked.as_json:
        click.echo(plan_json(made))
    else:
        from alertd.cli.plan import show_plan

        show_plan(made, create_console())
    sys.exit(PARTIAL if made.partial else 0)


def _trip_from_options(asked: _PlanOptions, rig: str, now: datetime) -> TripRequest:
    try:
        when = parse_departure(asked.depart)
    except ValueError as exc:
        problem, _, mend = str(exc).partition("; ")
        raise InputError("--depart", "", problem, mend) from exc
    if when < now - timedelta(minutes=1):
        raise InputError(
            "--depart",
            "",
            f"{when.isoformat()} is in the past, it is {now.astimezone(UTC).isoformat(timespec='seconds')}",
            "give a departure that is still to come",
        )
    if when > now + FORECAST_HORIZON:
        raise InputError(
            "--depart",
            "",
            f"{when.isoformat()} is more than {FORECAST_HORIZON.days} days from now and no forecast reaches that far",
            "plan it again nearer the day",
        )
    row = {"id": "trip", "route": asked.routes[0].name, "rig": rig, "depart": when.isoformat(), "driver": asked.driver}
    return parse_trip(row, "plan")

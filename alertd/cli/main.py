"""The `alertd` command.

Exit status: 0 done, 1 bad input or configuration, 2 usage, 3 done on stale or partial data, or a replay that differs.
"""

import asyncio
import json
import logging
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

import alertd
from alertd.cli.chain_log import chainlog
from alertd.cli.dead_letters import parked
from alertd.cli.gather import gather
from alertd.cli.offline.rehearse import rehearse_command
from alertd.cli.paths import own_settings, settings_path, settings_to_read
from alertd.cli.reports.driver_report import report
from alertd.cli.score import score
from alertd.cli.token import token
from alertd.clock import system_clock
from alertd.errors import AlertdError, InputError
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import plan_json
from alertd.settings.read import read_settings
from alertd.sources.files.rig import read_rig, read_rigs
from alertd.sources.files.trips import TripRequest, parse_departure, parse_trip

if TYPE_CHECKING:
    from rich.console import Console

    from alertd.planning.plan_inputs import PlanInputs

BAD_INPUT, PARTIAL, DIFFERS = 1, 3, 3
FORECAST_HORIZON = timedelta(days=15)


class _Command(click.Group):
    """Turns errors of alertd into one line on standard error and status 1; an internal error keeps its traceback."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except AlertdError as exc:
            click.echo(f"alertd: {exc}", err=True)
            ctx.exit(BAD_INPUT)


_config = click.option("--config", "config", metavar="FILE", help="Settings; config/alertd.toml if not given.")
_as_json = click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")


_explain = click.option("--explain", is_flag=True, help="How each stretch's advice came about, number by number.")
_at = click.option("--at", type=float, metavar="MILES", help="Explain the place so far from the start.")


@click.group(cls=_Command, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(alertd.__version__, prog_name="alertd")
def cli() -> None:
    """Where to chain up, which tires, how fast, where to take chains off. Posted signs and officers decide."""


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


@cli.command()
@click.argument("routes", type=click.Path(path_type=Path), metavar="ROUTE.gpx...", nargs=-1, required=True)
@click.option("--rig", required=True, metavar="RIG", help="A rig's id from the rigs folder, or a rig file.")
@click.option("--depart", required=True, metavar="TIME", help="ISO 8601 with offset, e.g. 2027-01-14T04:45-07:00.")
@click.option("--driver", default="", help="For the messages.")
@click.option("--keep", type=click.Path(path_type=Path), metavar="DIR", help="Keep there what the plan is made from.")
@click.option("--pictures", type=click.Path(path_type=Path), metavar="DIR", help="Draw the plan there, SVG and PNG.")
@click.option("--metric", is_flag=True, help="Kilometres and metres on the pictures.")
@click.option("--no-compare", is_flag=True, help="Do not compare with leaving at another time; quicker.")
@_explain
@_at
@_config
@_as_json
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
        from alertd.planning.one_off import load_daemon_state
        from alertd.planning.planner import NotPlanned, create_planner
        from alertd.planning.replays.replay_archive import ReplayWriter
        from alertd.store.archive import Archive

        async with create_planner(
            settings, system_clock, ReplayWriter(archive=Archive(asked.keep)) if asked.keep else None
        ) as planning:
            if own:
                planning.reference = planning.reference.with_rig(own, Path(asked.rig))
            known = await load_daemon_state(planning, now)
            _print_origin(known.origin_note)
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
                raise InputError("plan", "", outcome.reason, "mend that and try again")
            inputs = planned[0].inputs[trip.id]
            if asked.pictures:
                from alertd.cli.plan import write_charts

                boundaries = planning.reference.boundaries
                write_charts(asked.pictures, outcome, inputs.request, boundaries, metric=asked.metric)
            return outcome, inputs

    made, inputs = asyncio.run(work())
    if asked.explain or asked.at is not None:
        _print_explanation(made, inputs, asked.at, asked.as_json)
    elif asked.as_json:
        click.echo(plan_json(made))
    else:
        from alertd.cli.plan import show_plan

        show_plan(made, _console())
    sys.exit(PARTIAL if made.partial else 0)


def _print_origin(used: str) -> None:
    """Print which store and feeds the plan was made with, on standard error: programs read standard output."""
    if used:
        click.echo(f"alertd: {used}", err=True)


def _print_explanation(made: Plan, inputs: "PlanInputs", at: float | None, as_json: bool) -> None:
    from alertd.cli import explain as sheet

    places = inputs.explain(made, sheet.position_m(made, at))
    if as_json:
        click.echo(json.dumps(sheet.explained_json(made, places), ensure_ascii=False))
    else:
        sheet.show_explained(made, places, _console())


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


@cli.command()
@click.argument("what", metavar="PLAN_ID|DIR")
@click.option("--archive", type=click.Path(path_type=Path), metavar="DIR", help="Not the one of the settings.")
@_explain
@_at
@_config
@_as_json
def replay(what: str, archive: Path | None, explain: bool, at: float | None, config: str | None, as_json: bool) -> None:
    """Make a kept plan again, offline, and say whether it is the same; DIR is an archive that holds one plan.

    With --explain or --at, explain the plan made again instead.
    """
    from alertd.cli import replay as sheet
    from alertd.planning.replays.replay import replay as made_again

    kept_in, plan_id = sheet.find_plan(what, archive, config)
    done = asyncio.run(made_again(kept_in, plan_id))
    for note in done.notes:
        click.echo(f"alertd: {note}", err=True)
    if explain or at is not None:
        _print_explanation(done.plan, done.inputs, at, as_json)
    elif as_json:
        click.echo(json.dumps(sheet.replay_json(done, plan_id), ensure_ascii=False))
    else:
        sheet.show_replay(done, plan_id, _console())
    sys.exit(DIFFERS if done.differences else 0)


@cli.command()
@click.option("--feed", type=click.Path(path_type=Path), metavar="FEED.toml", help="Try this feed's file, with --try.")
@click.option("--try", "answer", type=click.Path(path_type=Path), metavar="FILE", help="A saved answer of that feed.")
@_config
@_as_json
def check(feed: Path | None, answer: Path | None, config: str | None, as_json: bool) -> None:
    """Read every configured file and name what is wrong in each.

    With --feed and --try, print instead what a feed's file makes of a saved answer.
    """
    from alertd.cli.check import check_all

    if (feed is None) != (answer is None):
        raise click.UsageError("--feed and --try go together")
    if feed is not None and answer is not None:
        from alertd.cli import check as sheet

        tried = sheet.check_feed(read_settings(settings_path(config)), feed, answer, system_clock())
        if as_json:
            click.echo(json.dumps(sheet.feed_check_json(tried), indent=1, ensure_ascii=False))
        else:
            sheet.show_feed_check(tried)
        return

    findings = check_all(settings_path(config), system_clock().date())
    if as_json:
        click.echo(json.dumps([{"file": f.file, "level": f.level, "text": f.text} for f in findings], indent=1))
    else:
        for f in findings:
            click.echo(f"{f.level:8}{f.text}")
    sys.exit(BAD_INPUT if any(f.level == "wrong" for f in findings) else 0)


@cli.command()
@click.argument("code", required=False)
@click.argument("dates", nargs=-1)
@click.option("--date", "on", metavar="DATE", help="The law of this day; today if left out.")
@click.option("--doubts", is_flag=True, help="List what a person must read, most urgent first.")
@click.option(
    "--rigs",
    "rigs_dir",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    metavar="DIR",
    help="With diff: the rigs to compare; the rigs folder if left out.",
)
@click.option(
    "--rig", metavar="RIG", help="A rig's id from the rigs folder, or a rig file; a five-axle rig if left out."
)
@click.option("--level", metavar="ID", help="This level alone.")
@click.option(
    "--schema", type=click.Choice(["rule", "rig", "limits"]), help="Print the JSON Schema of such files instead."
)
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Draw the axles there.")
@_config
@_as_json
def rules(
    code: str | None,
    dates: tuple[str, ...],
    on: str | None,
    doubts: bool,
    rigs_dir: Path | None,
    rig: str | None,
    level: str | None,
    schema: Literal["rule", "rig", "limits"] | None,
    svg: Path | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Print the chain rules of CODE (e.g. US-WA) for a rig; without CODE, what is on file.

    `alertd rules diff CODE DATE DATE` prints which rigs owe more or fewer chains, where, and from when.
    """
    from alertd.cli import law
    from alertd.cli import rules as sheet
    from alertd.cli.rules import file_schema
    from alertd.rules.compare import law_changes
    from alertd.rules.law_on import ruleset_on
    from alertd.sources.files.laws.ruleset import read_rulesets

    if schema:
        click.echo(json.dumps(file_schema(schema), indent=2))
        return
    places, today = read_settings(settings_path(config)).places, system_clock().date()
    today = law.parse_day(on) if on else today
    rulesets = read_rulesets(places.rules)
    if doubts:
        rows = law.reading_list(rulesets, today)
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False)) if as_json else law.show_doubts(rows)
        return
    if code == "diff":
        if not dates:
            raise InputError("rules", "diff", "no CODE given", "write alertd rules diff CODE DATE DATE")
        first, last = law.parse_days(dates[1:])
        compared = read_rigs(rigs_dir or places.rigs)
        changed = sheet.find_ruleset(rulesets, dates[0])
        if as_json:
            found = law.changes_json(law_changes(changed, first, last, compared.values()))
            click.echo(json.dumps(found, indent=1, ensure_ascii=False))
        else:
            law.show_changes(changed, first, last, compared)
        return
    if dates:
        raise InputError("rules", "CODE", f"{len(dates) + 1} codes given", "name one, or write diff CODE DATE DATE")
    if code is None:
        if as_json:
            listed = [{"code": c, "name": r.name, "aged": list(r.freshness(today))} for c, r in rulesets.items()]
            click.echo(json.dumps(listed, indent=1))
        else:
            sheet.show_list(rulesets, _console(), today)
        return
    ruleset = ruleset_on(sheet.find_ruleset(rulesets, code), today)
    rigs = read_rigs(places.rigs) if places.rigs.is_dir() else {}
    for_rig = read_rig(Path(rig)) if rig and rig.endswith(".toml") else sheet.find_rig(rigs, rig)
    levels = sheet.levels_for(ruleset, for_rig, level)
    if svg:
        try:
            svg.write_text(sheet.strictest_svg(ruleset, for_rig, levels), encoding="utf-8")
        except OSError as exc:
            raise InputError(str(svg), "", f"cannot be written ({exc.strerror})", "name another file") from exc
    if as_json:
        click.echo(json.dumps(sheet.rules_json(ruleset, for_rig, levels, today), indent=1, ensure_ascii=False))
    else:
        sheet.show_rules(ruleset, for_rig, levels, _console(), today)
    sys.exit(PARTIAL if ruleset.review_overdue(today) else 0)


@cli.command()
@_config
def run(config: str | None) -> None:
    """Run the daemon: fetch, plan, notify, brief, and answer HTTP, until it is told to stop."""
    from alertd.daemon.daemon import run_daemon
    from alertd.daemon.log_format import configure_logging, secrets_of

    configure_logging("text")
    settings = own_settings(config)
    configure_logging(settings.log, secrets_of(settings))

    def ready(url: str) -> None:
        if settings.log == "json":
            logging.getLogger("alertd").info("alertd answers on %s", url)
        else:
            click.echo(f"alertd answers on {url}", err=True)

    asyncio.run(run_daemon(settings, system_clock, ready))


@cli.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@_config
def backup(file: Path, config: str | None) -> None:
    """Copy the store to the new FILE, checked, while the daemon runs or not."""
    from alertd.store.backup import back_up

    size = back_up(own_settings(config).store, file)
    click.echo(f"{file}: {size:,} bytes, checked")


@cli.command()
@click.option(
    "--html", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write it there as a page."
)
@click.option(
    "--pdf", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write it there for print."
)
@_config
@_as_json
def brief(html: Path | None, pdf: Path | None, config: str | None, as_json: bool) -> None:
    """Print the morning brief of the trips file as it stands now."""
    from alertd.cli.brief import current_brief, write_page

    settings = settings_to_read(config)
    made = asyncio.run(current_brief(settings, system_clock, page=bool(html or pdf)))
    write_page(made.page, html, pdf)
    _print_origin(made.origin_note)
    click.echo(json.dumps({"text": made.text, "partial": made.partial}) if as_json else made.text, nl=not as_json)
    sys.exit(PARTIAL if made.partial else 0)


@cli.command()
@click.option("--keep", type=click.Path(path_type=Path), metavar="DIR", help="Keep the demo's store and files there.")
@click.option("--serve", is_flag=True, help="Run it as a daemon on this machine, its clock running fast, until Ctrl-C.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, metavar="PORT", help="With --serve; 0: any that is free."
)
@click.option("--speed", type=click.FloatRange(1, 600), default=60.0, metavar="N", help="With --serve: how many times.")
@click.option(
    "--source",
    type=click.Choice(("open-meteo", "nws")),
    default="open-meteo",
    metavar="NAME",
    help="The stand-in to ask: open-meteo, or nws, the shipped default with stations for the past hours.",
)
def demo(keep: Path | None, serve: bool, port: int, speed: float, source: str) -> None:
    """An invented carrier and storm, end to end and offline: plan, message, brief, verified webhook."""
    if serve and source != "open-meteo":
        raise click.UsageError("--serve runs on open-meteo only; leave --source out")
    if serve:
        from alertd.cli.offline.demo_serve import serve_demo

        logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
        asyncio.run(serve_demo(click.echo, keep, port, speed))
        return
    from alertd.cli.offline.demo import run_demo

    asyncio.run(run_demo(_console(), keep, source))


cli.add_command(chainlog)
cli.add_command(gather)
cli.add_command(parked)
cli.add_command(token)
cli.add_command(score)
cli.add_command(rehearse_command)
cli.add_command(report)


def _console() -> "Console":
    """Names of places and rigs come from files: a bracket or colon in them is no markup."""
    from rich.console import Console  # a tenth of a second that --json does not need

    return Console(width=max(100, Console().width), markup=False, emoji=False)


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of the console script."""
    cli.main(args=None if argv is None else list(argv), prog_name="alertd")

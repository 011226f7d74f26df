"""The `alertd` command.

Exit status: 0 done, 1 bad input or configuration, 2 usage, 3 done on stale or partial data, or a replay that differs.
"""

import atexit
import gc
from collections.abc import Sequence
from typing import Final

import click

import alertd
from alertd.cli.lazy_group import LazyCommand, LazyGroup

# A search for garbage after so many new objects, and one of older objects after so many searches. Python itself takes
# 700 and 10; a command makes 200 000 objects at imports, where none is garbage.
_SEARCHES: Final = (20_000, 20)

_COMMANDS: Final = {
    "backup": LazyCommand("alertd.cli.commands.daemon", "backup", "Copy the store, checked."),
    "brief": LazyCommand("alertd.cli.commands.brief", "brief", "Print the morning brief."),
    "chainlog": LazyCommand("alertd.cli.commands.chain_log", "chainlog", "Print each driver's chain time."),
    "check": LazyCommand("alertd.cli.commands.check", "check", "Read every configured file and name what is wrong."),
    "completion": LazyCommand("alertd.cli.first_day.usage", "completion", "Print a script for a shell to complete."),
    "demo": LazyCommand("alertd.cli.commands.demo", "demo", "Run an invented carrier and storm, offline."),
    "gather": LazyCommand("alertd.cli.commands.gather", "gather", "Download zones, heights and places, once."),
    "help": LazyCommand("alertd.cli.first_day.usage", "help_command", "Print the help of a command."),
    "init": LazyCommand("alertd.cli.commands.init", "init", "Make a settings folder and plan a first trip."),
    "parked": LazyCommand("alertd.cli.commands.dead_letters", "parked", "List notices that could not be delivered."),
    "plan": LazyCommand("alertd.cli.commands.plan", "plan", "Plan one trip now."),
    "record": LazyCommand("alertd.cli.archives.record", "record", "Record forecasts and reports of passes."),
    "rehearse": LazyCommand("alertd.cli.offline.rehearse", "rehearse_command", "Run a virtual day under a sky."),
    "replay": LazyCommand("alertd.cli.commands.replay", "replay", "Make a stored plan again and compare it."),
    "report": LazyCommand("alertd.cli.commands.report", "report", "Record what a driver reports by phone."),
    "rules": LazyCommand("alertd.cli.commands.rules", "rules", "Print the chain rules of a jurisdiction for a rig."),
    "run": LazyCommand("alertd.cli.commands.daemon", "run", "Run the daemon."),
    "score": LazyCommand("alertd.cli.commands.score", "score", "Compare plans with what happened."),
    "stops": LazyCommand("alertd.cli.commands.template", "stops", "Print an example of a stops file."),
    "template": LazyCommand("alertd.cli.commands.template", "template", "Print an example of a file or body."),
    "token": LazyCommand("alertd.cli.commands.token", "token", "Manage the API tokens of callers."),
    "trips": LazyCommand("alertd.cli.commands.trips", "trips", "List, add or cancel trips."),
    "watch": LazyCommand("alertd.cli.commands.watch", "watch", "Warn when the daemon on another machine stops."),
    "webhook": LazyCommand("alertd.cli.first_day.webhook", "webhook", "Try a webhook with signed samples."),
    "work": LazyCommand("alertd.cli.commands.daemon", "work", "Plan roads for a daemon on PostgreSQL."),
}


@click.group(cls=LazyGroup, lazy=_COMMANDS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(alertd.__version__, prog_name="alertd")
def cli() -> None:
    """Where to chain up, which tires, how fast, where to take chains off. Posted signs and officers decide."""


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of the console script."""
    gc.set_threshold(*_SEARCHES)
    atexit.register(gc.freeze)  # the interpreter searches all objects once more at its end, for a tenth of a second
    cli.main(args=None if argv is None else list(argv), prog_name="alertd")

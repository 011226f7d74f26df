"""`alertd replay`: makes a stored plan again."""

import json
import sys
from pathlib import Path

import click

from alertd.cli.event_loop import run_work
from alertd.cli.options import (
    DIFFERS,
    at_option,
    config_option,
    create_console,
    explain_option,
    json_option,
    print_explanation,
)


@click.command()
@click.argument("what", metavar="PLAN_ID|DIR")
@click.option("--archive", type=click.Path(path_type=Path), metavar="DIR", help="Not the one of the settings.")
@explain_option
@at_option
@config_option
@json_option
def replay(what: str, archive: Path | None, explain: bool, at: float | None, config: str | None, as_json: bool) -> None:
    """Make a kept plan again, offline, and say whether it is the same; DIR is an archive that holds one plan.

    With --explain or --at, explain the plan made again instead.
    """
    from alertd.cli import replay as sheet
    from alertd.planning.replays.replay import replay as made_again

    kept_in, plan_id = sheet.find_plan(what, archive, config)
    done = run_work(made_again(kept_in, plan_id, sheet.stored_text(config)))
    for note in done.notes:
        click.echo(f"alertd: {note}", err=True)
    if explain or at is not None:
        print_explanation(done.plan, done.inputs, at, as_json)
    elif as_json:
        click.echo(json.dumps(sheet.replay_json(done, plan_id), ensure_ascii=False))
    else:
        sheet.show_replay(done, plan_id, create_console())
    sys.exit(DIFFERS if done.differences else 0)

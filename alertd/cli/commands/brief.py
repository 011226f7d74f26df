"""`alertd brief`: prints the morning brief."""

import json
import sys
from pathlib import Path

import click

from alertd.cli.event_loop import run_work
from alertd.cli.options import PARTIAL, config_option, json_option, print_origin
from alertd.cli.paths import settings_to_read
from alertd.clock import system_clock


@click.command()
@click.option(
    "--html", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write it there as a page."
)
@click.option(
    "--pdf", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write it there for print."
)
@config_option
@json_option
def brief(html: Path | None, pdf: Path | None, config: str | None, as_json: bool) -> None:
    """Print the morning brief of the trips file as it stands now."""
    from alertd.cli.brief import current_brief, write_page

    settings = settings_to_read(config)
    made = run_work(current_brief(settings, system_clock, page=bool(html or pdf)))
    write_page(made.page, html, pdf)
    print_origin(made.origin_note)
    click.echo(json.dumps({"text": made.text, "partial": made.partial}) if as_json else made.text, nl=not as_json)
    sys.exit(PARTIAL if made.partial else 0)

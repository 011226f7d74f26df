"""`alertd check`: reads every configured file."""

import json
import sys
from pathlib import Path

import click

from alertd.cli.lazy_group import BAD_INPUT
from alertd.cli.options import config_option, json_option
from alertd.cli.paths import settings_path
from alertd.clock import system_clock
from alertd.settings.read import read_settings


@click.command()
@click.option("--feed", type=click.Path(path_type=Path), metavar="FEED.toml", help="Try this feed's file, with --try.")
@click.option("--try", "answer", type=click.Path(path_type=Path), metavar="FILE", help="A saved answer of that feed.")
@config_option
@json_option
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

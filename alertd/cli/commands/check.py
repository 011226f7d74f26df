"""`alertd check`: reads every configured file."""

import asyncio
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
@click.option("--sources", is_flag=True, help="Ask each source for one place of the first route, over the network.")
@click.option("-v", "--verbose", is_flag=True, help="A line for each file.")
@config_option
@json_option
def check(
    feed: Path | None, answer: Path | None, sources: bool, verbose: bool, config: str | None, as_json: bool
) -> None:
    """Read every configured file and name all that is wrong in each.

    Settings are those of --config, else config/alertd.toml or alertd.toml in this folder, else alertd/alertd.toml in
    $XDG_CONFIG_HOME (~/.config), else /etc/alertd/alertd.toml, else those of the program.

    With --feed and --try, print instead what a feed's file makes of a saved answer. With --sources, ask each forecast
    source, feed and service of road stations once, and print what it gives and what changed since the last time.
    """
    if (feed is None) != (answer is None):
        raise click.UsageError("--feed and --try go together")
    path = settings_path(config)
    if feed is not None and answer is not None:
        from alertd.cli.checking import feed_trial

        tried = feed_trial.check_feed(read_settings(path), feed, answer, system_clock())
        if as_json:
            click.echo(json.dumps(feed_trial.feed_check_json(tried), indent=1, ensure_ascii=False))
        else:
            feed_trial.show_feed_check(tried)
        return

    from alertd.cli.checking.sheet import show_findings, show_search

    if sources:
        from alertd.cli.checking.sources import check_sources

        findings = asyncio.run(check_sources(read_settings(path)))
    else:
        from alertd.cli.checking.files import check_all

        findings = check_all(path, system_clock().date())
    if as_json:
        click.echo(json.dumps([{"file": f.file, "level": f.level, "text": f.text} for f in findings], indent=1))
    else:
        show_search(path, config)
        show_findings(findings, verbose=verbose)
    sys.exit(BAD_INPUT if any(f.level == "wrong" for f in findings) else 0)

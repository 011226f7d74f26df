"""`alertd run`, `alertd work` and `alertd backup`: the daemon, a worker for it, and a copy of its store."""

import asyncio
import logging
import os
from pathlib import Path

import click

from alertd.cli.options import config_option, json_option, print_result
from alertd.cli.paths import own_settings
from alertd.clock import system_clock


@click.command()
@config_option
def run(config: str | None) -> None:
    """Run the daemon: fetch, plan, notify, brief, and answer HTTP, until a signal stops it."""
    from alertd.daemon.daemon import run_daemon
    from alertd.daemon.log_format import configure_logging, secrets_of

    os.umask(0o077)  # store, cache and archive hold people's names and positions
    configure_logging("text")
    settings = own_settings(config)
    configure_logging(settings.log, secrets_of(settings))

    def ready(url: str) -> None:
        if settings.log == "json":
            logging.getLogger("alertd").info("alertd answers on %s", url)
        else:
            click.echo(f"alertd answers on {url}", err=True)

    asyncio.run(run_daemon(settings, system_clock, ready))


@click.command()
@config_option
@click.option("--deliver", is_flag=True, help="Also send on channels. Needs the daemon's own settings and secrets.")
def work(config: str | None, deliver: bool) -> None:
    """Plan roads for the leading daemon of a PostgreSQL store, until a signal stops it. Start one for each core.

    It asks no source, and without --deliver it sends nothing: it reads daemon.store of the settings, and what it plans
    comes from the daemon, whose settings have daemon.workers = true.
    """
    from alertd.daemon.log_format import configure_logging, secrets_of
    from alertd.daemon.work import run_worker

    os.umask(0o077)
    configure_logging("text")
    settings = own_settings(config)
    configure_logging(settings.log, secrets_of(settings))
    asyncio.run(run_worker(settings, deliver))


@click.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@config_option
@json_option
def backup(file: Path, config: str | None, as_json: bool) -> None:
    """Copy the store to the new FILE, checked, while the daemon runs or not."""
    from alertd.store.backup import back_up

    size = back_up(own_settings(config).store, file)
    print_result(as_json, f"{file}: {size:,} bytes, checked", file=str(file), bytes=size)

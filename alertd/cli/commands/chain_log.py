"""`alertd chainlog`: chain time by driver, from the daemon's store."""

import asyncio
import json
from datetime import timedelta

import click

from alertd.cli.options import config_option
from alertd.cli.paths import daemon_store, own_settings
from alertd.clock import system_clock
from alertd.notices.reports.chain_log import ChainLogEntry
from alertd.notices.reports.chain_log_table import chain_log_json, csv_text, lines
from alertd.service.date_range import period


@click.command()
@click.option("--driver", default="", metavar="NAME", help="This driver alone.")
@click.option("--from", "since", default="", metavar="DATE", help="31 days back if not given.")
@click.option("--to", "until", default="", metavar="DATE", help="This day counts too; now if not given.")
@click.option("--csv", "as_csv", is_flag=True, help="For a spreadsheet.")
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")
@config_option
def chainlog(driver: str, since: str, until: str, as_csv: bool, as_json: bool, config: str | None) -> None:
    """Chain time of each driver: on, off, minutes, place, with what is missing and what was corrected by whom."""
    from alertd.planning.planner import create_planner
    from alertd.service.chain_log import chain_log

    if as_csv and as_json:
        raise click.UsageError("--csv or --json, not both")
    settings, now = own_settings(config), system_clock()
    first, last = period(since, until, settings.brief_zone, now, default=timedelta(days=31), where="chainlog")

    async def work() -> tuple[ChainLogEntry, ...]:
        with daemon_store(settings) as store:
            async with create_planner(settings, system_clock) as planning:
                return await chain_log(planning, store, first, last, driver)

    entries = asyncio.run(work())
    if as_csv:
        click.echo(csv_text(entries, now, settings.chain_pay), nl=False)
    elif as_json:
        click.echo(json.dumps(chain_log_json(entries, now, settings.chain_pay), ensure_ascii=False, indent=1))
    else:
        for text in lines(entries, now, settings.chain_pay) or ["no chains were reported"]:
            click.echo(text)

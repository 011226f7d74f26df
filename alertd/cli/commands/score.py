"""`alertd score`: compares the daemon's plans with what happened."""

import asyncio
import json
from datetime import timedelta

import click

from alertd.cli.options import config_option
from alertd.cli.paths import daemon_store, own_settings
from alertd.clock import system_clock
from alertd.notices.reports.posting_fit import fit_json, fit_lines
from alertd.notices.reports.scores import Score, lines, score_json
from alertd.rules.posting.fit import fit_posting
from alertd.service.date_range import period


@click.command()
@click.option("--from", "since", default="", metavar="DATE", help="31 days back if not given.")
@click.option("--to", "until", default="", metavar="DATE", help="This day counts too; now if not given.")
@click.option("--fit", "fit", is_flag=True, help="Fit our estimate of postings to what was posted; changes no plan.")
@click.option("--archive", metavar="DIR", help="Score an archive of forecasts and observations, not plans.")
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")
@config_option
def score(since: str, until: str, fit: bool, archive: str | None, as_json: bool, config: str | None) -> None:
    """Compare the plans of a period with driver reports, posted controls and station observations."""
    if archive is not None:
        from alertd.cli.archives.score_archive import score_archive_command

        if since or until or fit:
            raise click.UsageError("--archive scores a whole folder: leave out --from, --to and --fit")
        score_archive_command(archive, as_json, config)
        return
    from alertd.planning.planner import create_planner
    from alertd.service.scoring import scores

    settings = own_settings(config)
    first, last = period(since, until, settings.brief_zone, system_clock(), default=timedelta(days=31), where="score")

    if fit:
        from alertd.records.posting_records import posting_records

        with daemon_store(settings) as store:
            fitted = fit_posting(posting_records(store, first, last))
        click.echo(
            json.dumps(fit_json(fitted), ensure_ascii=False, indent=1) if as_json else "\n".join(fit_lines(fitted))
        )
        return

    async def work() -> tuple[Score, Score]:
        with daemon_store(settings) as store:
            async with create_planner(settings, system_clock) as planning:
                return await scores(planning, store, first, last)

    found = asyncio.run(work())
    if as_json:
        click.echo(json.dumps([score_json(s) for s in found], ensure_ascii=False, indent=1))
        return
    for one in found:
        click.echo("\n".join(lines(one)))

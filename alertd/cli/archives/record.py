"""`alertd record`: keeps forecasts, station reports and posted controls of passes for a score of the whole chain."""

import asyncio
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from alertd.cli.options import PARTIAL, config_option, json_option
from alertd.cli.paths import own_settings
from alertd.clock import system_clock

if TYPE_CHECKING:
    from alertd.planning.recordings.recorder import RoundResult
    from alertd.settings.model import Settings


@click.command()
@click.option("--pass", "passes", multiple=True, metavar="NAME", help="A pass to record, instead of the settings'.")
@click.option("--dir", "folder", metavar="DIR", help="Where to keep it, instead of record.folder.")
@click.option("--once", is_flag=True, help="One round and end, for a timer such as cron; else until a signal.")
@json_option
@config_option
def record(passes: tuple[str, ...], folder: str | None, once: bool, as_json: bool, config: str | None) -> None:
    """Record passes: forecasts, station reports, posted controls. Score them with `alertd score --archive DIR`."""
    settings = own_settings(config)
    into = Path(folder) if folder else settings.record.folder
    asyncio.run(_work(settings, passes or settings.record.passes, into, once, as_json))


async def _work(settings: "Settings", names: tuple[str, ...], into: Path, once: bool, as_json: bool) -> None:
    from alertd.errors import ConfigError
    from alertd.planning.planner import create_planner
    from alertd.planning.recordings.folder import RecordingFolder
    from alertd.planning.recordings.recorder import passes_named, record_round

    if not names:
        raise ConfigError(
            str(settings.where), "record.passes", "names no pass", 'write passes = ["Snoqualmie Pass"], or use --pass'
        )
    async with create_planner(settings, system_clock) as planner:
        places = passes_named(names, planner.reference.summits, str(settings.where), "record.passes")
        while True:
            result = await record_round(planner, places, RecordingFolder(into), system_clock(), settings.record.most_mb)
            _show(result, settings.record.every_h, into, as_json)
            if once:
                sys.exit(PARTIAL if result.failed else 0)
            await asyncio.sleep(settings.record.every_h * 3600.0)


def _show(result: "RoundResult", every_h: float, into: Path, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(asdict(result) | {"winter_bytes": round(result.winter_bytes(every_h))}))
        return
    click.echo(
        f"{into}: {result.places_n} passes, {result.reports_n} new station reports, {result.controls_n} posted "
        f"controls; {result.bytes_new / 1000:.0f} kB new, {result.bytes_total / 1e6:.1f} MB in all. A winter of such "
        f"rounds every {every_h:g} h takes at most {result.winter_bytes(every_h) / 1e6:.0f} MB."
    )
    for name, licence in sorted(result.licences.items()):
        click.echo(f"  {name}: {licence}")
    for line in dict.fromkeys(result.failed):
        click.echo(f"not had: {line}", err=True)

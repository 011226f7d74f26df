"""`alertd demo`: an invented carrier and storm, offline."""

import asyncio
import logging
import sys
from pathlib import Path

import click

from alertd.cli.options import create_console


@click.command()
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

    asyncio.run(run_demo(create_console(), keep, source))

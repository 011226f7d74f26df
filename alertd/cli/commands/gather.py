"""`alertd gather`: downloads and stores slowly changing data: zone outlines, ground heights, places beside roads."""

import asyncio
import json
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from alertd.cli.options import PARTIAL, config_option
from alertd.cli.paths import own_settings
from alertd.clock import system_clock

if TYPE_CHECKING:
    from alertd.planning.gather import GatherResult

_options = [
    config_option,
    click.option("--renew", is_flag=True, help="Get all again, not only what is absent or old."),
    click.option("--json", "as_json", is_flag=True, help="JSON on standard output."),
]


@click.group()
def gather() -> None:
    """Download and store data that rarely changes: weather zones, heights for routes without them, places."""


def _with_options(command: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(_options):
        command = option(command)
    return command


@gather.command()
@_with_options
def zones(config: str | None, renew: bool, as_json: bool) -> None:
    """Outlines of the weather zones and counties that the routes touch, used to locate weather warnings."""
    from alertd.planning.gather import gather_zones

    settings = own_settings(config)
    _run(lambda say: gather_zones(settings, system_clock, say, renew=renew), "zones", as_json)


@gather.command()
@click.option("--tiles", "folder", metavar="DIR", help="Read .hgt elevation tiles of your own; no service is asked.")
@click.option("--credit", metavar="TEXT", help="Source and terms of these tiles, as plans show them.")
@_with_options
def heights(config: str | None, renew: bool, as_json: bool, folder: str | None, credit: str | None) -> None:
    """Ground heights for routes whose GPX files have too few."""
    from alertd.planning.gather import TileFolder, gather_heights

    settings = own_settings(config)
    named = credit or f"elevation tiles in {Path(folder).name}" if folder else ""
    tiles = TileFolder(folder=Path(folder), credit=named) if folder else None
    _run(lambda say: gather_heights(settings, system_clock, say, renew=renew, tiles=tiles), "routes", as_json)


@gather.command()
@click.option("--from", "extract", metavar="FILE", help="Read a local extract (.osm.pbf) or saved answer (.json).")
@_with_options
def places(config: str | None, renew: bool, as_json: bool, extract: str | None) -> None:
    """Stops, exits, passes, tunnels, bridges and truck limits along the routes, from OpenStreetMap (ODbL)."""
    from alertd.planning.gather_places import gather_places

    settings, path = own_settings(config), Path(extract) if extract else None
    _run(lambda say: gather_places(settings, system_clock, say, renew=renew, extract=path), "routes", as_json)


def _run(
    work: "Callable[[Callable[[str], None]], Coroutine[Any, Any, GatherResult]]", what: str, as_json: bool
) -> None:
    found = asyncio.run(work(lambda text: click.echo(text, err=True)))
    if as_json:
        click.echo(json.dumps({"new": found.new_n, "kept": found.kept_n, "missed": list(found.missed)}))
    else:
        click.echo(f"{found.new_n} {what} new or renewed, {found.kept_n} kept as they were")
        for line in found.missed:
            click.echo(f"not had: {line}")
    sys.exit(PARTIAL if found.missed else 0)

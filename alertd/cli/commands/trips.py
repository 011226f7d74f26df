"""`alertd trips`: the trips that the daemon plans."""

import json
from pathlib import Path
from typing import Any

import click

from alertd.cli.options import config_option, json_option, print_result
from alertd.cli.paths import daemon_store, own_settings
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.settings.model import Settings


@click.group()
def trips() -> None:
    """The trips that the daemon plans."""


@trips.command("template")
def trips_template() -> None:
    """Print an example of a trips file, with every column."""
    from alertd.cli.commands.template import print_template

    print_template("trips")


@trips.command("list")
@config_option
@json_option
def list_trips(config: str | None, as_json: bool) -> None:
    """List the trips that are registered and not cancelled, by departure.

    Before the daemon's first start these are the trips of the trips file, which it then registers.
    """
    settings = own_settings(config)
    rows = _rows_to_come(settings) if _no_store_yet(settings) else _registered_rows(settings)
    rows.sort(key=lambda row: (row["depart"], row["id"]))
    if as_json:
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
        return
    for row in rows:
        click.echo(
            f"{row['id']:16} {row['depart']:26} {row['route']:24} {row['rig']:20} {row.get('driver', '')}".rstrip()
        )
    if not rows:
        click.echo("no trips are registered")


def _registered_rows(settings: Settings) -> list[dict[str, Any]]:
    with daemon_store(settings) as store:
        return [json.loads(trip.body) for trip in store.trips()]


def _no_store_yet(settings: Settings) -> bool:
    return isinstance(settings.store, Path) and not settings.store.exists() and settings.trips is not None


def _rows_to_come(settings: Settings) -> list[dict[str, Any]]:
    """The trips of the trips file, with a line for each bad row and one that says that none is registered yet."""
    from alertd.settings.route_zones import RouteZones
    from alertd.sources.files.trips import read_trips_file

    if settings.trips is None:
        return []
    file = read_trips_file(settings.trips, RouteZones(settings.places.routes))
    for bad in file.bad:
        click.echo(f"alertd: {bad.mistake}", err=True)
    click.echo(f"alertd: not registered yet; `alertd run` registers the trips of {settings.trips.name}", err=True)
    return [trip.model_dump(mode="json", exclude_unset=True) for trip in file.trips]


@trips.command()
@click.argument("trip_id", metavar="ID")
@click.option("--route", required=True, metavar="GPX", help="A file of the routes folder.")
@click.option("--rig", required=True, metavar="RIG", help="A rig's id from the rigs folder.")
@click.option(
    "--depart",
    required=True,
    metavar="TIME",
    help="ISO 8601, e.g. 2027-01-14T04:45; without an offset, local to the start.",
)
@click.option("--driver", default="", help="For the messages.")
@config_option
@json_option
def add(trip_id: str, route: str, rig: str, depart: str, driver: str, config: str | None, as_json: bool) -> None:
    """Register the trip ID; a running daemon plans it at its next cycle."""
    from alertd.service.trip_import.save_trip import is_same, save_trip
    from alertd.settings.reference_data import load_reference_data
    from alertd.settings.route_zones import RouteZones
    from alertd.sources.files.tables.local_times import foreign_offset
    from alertd.sources.files.trips import complete_row, parse_trip

    settings, now = own_settings(config), system_clock()
    zones = RouteZones(settings.places.routes)
    row = {"id": trip_id, "route": route, "rig": rig, "depart": depart, "driver": driver}
    trip = parse_trip(complete_row(row, "trips add", zones), "trips add")
    if trip.depart_at <= now:
        raise InputError("trips add", "depart", f"{trip.depart} is in the past", "give a departure that is to come")
    reference = load_reference_data(settings.places)
    reference.gpx(trip.route, "trips add")
    reference.rig(trip.rig, "trips add")
    with daemon_store(settings) as store:
        known = store.trip(trip.id)
        if known is not None and (known.cancelled or not is_same(known.body, trip)):
            state = "was cancelled" if known.cancelled else "is there with another content"
            raise InputError("trips add", "ID", f"{trip.id} {state}", "give a new id")
        save_trip(store, trip, now)
    zone = zones(trip.route, at_end=False)
    if zone and foreign_offset(trip.depart_at, zone):
        here = trip.depart_at.astimezone(zone).isoformat(timespec="minutes")
        click.echo(
            f"look: {trip.depart} is {here} at the start ({zone.key}); cancel the trip if that is not meant", err=True
        )
    print_result(as_json, f"{trip.id} is registered for {trip.depart}", id=trip.id, depart=trip.depart)


@trips.command()
@click.argument("trip_id", metavar="ID")
@config_option
@json_option
def cancel(trip_id: str, config: str | None, as_json: bool) -> None:
    """Stop planning the trip ID. Notices that are decided still go out."""
    with daemon_store(own_settings(config)) as store:
        if not store.cancel_trip(trip_id):
            raise InputError("trips cancel", "ID", f"{trip_id} is unknown", "`alertd trips list` lists the trips")
    print_result(as_json, f"{trip_id} is cancelled", id=trip_id, cancelled=True)

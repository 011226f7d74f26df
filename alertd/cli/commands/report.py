"""`alertd report`: reports for a driver what was done with chains or how the road is, daemon running or not."""

import json

import click

from alertd.cli.options import config_option
from alertd.cli.paths import daemon_store, own_settings
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.plan.chain_up.chains_on import CLOCKS_APART
from alertd.plan.controls.road_seen import Sight
from alertd.records.driver_reports import save_report
from alertd.sources.requests.driver_reports import (
    ARRIVED,
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    REMOVING_BEGUN,
    ROAD_SEEN,
    parse_report,
)

_WHAT = {what.replace("_", "-"): what for what in (HANGING_BEGUN, CHAINS_ON, REMOVING_BEGUN, CHAINS_OFF, ARRIVED)}
_ROADS = {f"road-{road}": road for road in (Sight.BARE.value, Sight.WET.value, Sight.SNOW.value, Sight.ICE.value)}
_FALLS = {f"{kind.replace('_', '-')}-falls": kind for kind in ("snow", "rain", "freezing_rain", "nothing")}


@click.command()
@click.argument("trip_id", metavar="TRIP")
@click.argument("what", type=click.Choice([*_WHAT, *_ROADS, *_FALLS]))
@click.option("--at", default="", metavar="TIME", help="ISO 8601 with offset; now if not given.")
@click.option("--place", default="", help="Where, in the driver's words or as a stop's or summit's name.")
@click.option("--by", default="", help="Who reports, if not the driver.")
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")
@config_option
def report(trip_id: str, what: str, at: str, place: str, by: str, as_json: bool, config: str | None) -> None:
    """Report hanging begun, chains on, taking off begun, chains off, the road, what falls, or arrival, as by radio.

    What was seen counts for others at a place known by name, or where the truck's position of about that time is known.
    """
    settings, now = own_settings(config), system_clock()
    row = {"what": _WHAT.get(what, ROAD_SEEN), "at": at or now.isoformat(), "place": place, "by": by}
    row |= {"road": _ROADS.get(what, ""), "falls": _FALLS.get(what, "")}
    asked = parse_report(row, "report")
    if asked.happened_at > now + CLOCKS_APART:
        raise InputError("report", "--at", f"{asked.at} is in the future", "give the time when it happened")
    with daemon_store(settings) as store:
        trip = store.trip(trip_id)
        if trip is None or trip.cancelled:
            raise InputError("report", "TRIP", f'"{trip_id}" is no trip of the store', "name one from /v1/trips")
        new = save_report(store, trip_id, asked)
    if as_json:
        click.echo(json.dumps({"trip_id": trip_id, "new": new, **asked.model_dump()}, ensure_ascii=False))
        return
    click.echo(f"{trip_id}: {what} at {asked.at}" + ("" if new else ", known already"))

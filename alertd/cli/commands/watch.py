"""`alertd watch`: watches a daemon from another machine."""

import asyncio
import logging
import random
import sys

import click

from alertd.cli.options import PARTIAL, config_option
from alertd.cli.paths import own_settings
from alertd.clock import system_clock
from alertd.errors import ConfigError
from alertd.notices.text.phrases import day_clock
from alertd.watch.watcher import LOOK_EVERY_S, Look, Watcher


@click.command()
@click.option("--of", "source", required=True, metavar="URL|FILE", help="The daemon's /v1/beacon, or its file.")
@click.option("--once", is_flag=True, help="Look once, for a timer; status 3 when the daemon is silent.")
@config_option
def watch(source: str, once: bool, config: str | None) -> None:
    """Warn the office and the drivers when the daemon stops. Run it on another machine, with channels of its own.

    The settings name the same secret as the daemon's under [watch], and the channels to warn by.
    """
    settings = own_settings(config)
    if not settings.watch.key:
        raise ConfigError(
            str(settings.where), "watch.secret_file", "is not set", "name the file with the daemon's watch secret"
        )
    if not settings.channels:
        raise ConfigError(str(settings.where), "webhook", "no channel is set", "name one by which the watch can warn")

    async def work() -> Look:
        from alertd.daemon.channels import open_channels
        from alertd.delivery.worker import DeliveryWorker
        from alertd.service.clock_guard import GuardedClock
        from alertd.store.store import Store

        settings.watch.folder.mkdir(parents=True, exist_ok=True)
        with Store(settings.watch.store) as store:
            async with open_channels(settings) as channels:
                delivery = DeliveryWorker(store.outbox, channels, owner="watch", rng=random.Random())
                clock = GuardedClock(system_clock)  # a step of this machine's clock is no silence of the daemon
                watcher = Watcher(source, settings, store, delivery, clock, settles=lambda: clock.trusted)
                while True:
                    look = await watcher.look()
                    if once:
                        return look
                    await asyncio.sleep(LOOK_EVERY_S)

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    try:
        look = asyncio.run(work())
    except KeyboardInterrupt:
        return
    click.echo(_line(look, settings.brief_zone))
    sys.exit(PARTIAL if look.silent or look.beacon is None else 0)


def _line(look: Look, zone: str) -> str:
    if look.beacon is None:
        return f"no beacon has ever been read ({look.problem})"
    last = day_clock(look.beacon.written_at, zone)
    if look.silent:
        return f"SILENT: last word {last}, the next was due by {day_clock(look.beacon.next_by, zone)}"
    due = day_clock(look.beacon.next_by, zone)
    return f"heard: last word {last}, the next is due by {due}" + (f" ({look.problem})" if look.problem else "")

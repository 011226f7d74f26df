"""What follows a delivery run: alarms in the log and to the office, and notices of an outage sent again.

The office hears of a failing channel over another channel.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from alertd.delivery.circuit_breaker import Alarm
from alertd.delivery.worker import DeliveryReport
from alertd.notices.model import Audience, Notice
from alertd.notices.triggers.compose import office_notice
from alertd.service.dead_letters import resend_after_outage
from alertd.settings.model import Settings
from alertd.store.store import Store

log = logging.getLogger(__name__)

USEFUL_FOR = timedelta(hours=12)
MAX_TRIPS = 20  # named in a notice text


async def follow_up(store: Store, settings: Settings, done: DeliveryReport, clock: Callable[[], datetime]) -> None:
    """Log and report the alarms of a delivery run, and queue what an outage parked. Raises StoreError."""
    for alarm in done.alarms:
        log.error("%s", alarm, extra={"trip": alarm.trip_id})
    await asyncio.to_thread(notify_channel_alarms, store, settings, done.alarms, clock())
    for target in done.recovered:
        back = await asyncio.to_thread(resend_after_outage, store, target, clock())
        log.info("channel %s recovered; %d parked notices queued again", target, len(back.requeued))


def notify_channel_alarms(
    store: Store, settings: Settings, alarms: Sequence[Alarm], now_utc: datetime
) -> tuple[str, ...]:
    """Record a notice to the office for each failing channel; returns the ids of new notices.

    All alarms of one delivery round become one notice, and within an hour the same trips are not reported again.
    Without another office channel, the fleet's systems receive the notice. Without any other channel, only the log
    records it.
    """
    new: list[str] = []
    for target in dict.fromkeys(alarm.target for alarm in alarms):
        ways = _other_channels(settings, target)
        ours = [alarm for alarm in alarms if alarm.target == target]
        for kind in dict.fromkeys(alarm.kind for alarm in ours):
            notice = _notice(target, [a for a in ours if a.kind == kind], now_utc)
            if ways:
                new += store.record_notices([notice], {Audience.DISPATCHER: ways}, now_utc)
    return tuple(new)


def _other_channels(settings: Settings, target: str) -> tuple[str, ...]:
    for audience in (Audience.DISPATCHER, Audience.FLEET):
        if ways := tuple(name for name in settings.targets[audience] if name != target):
            return ways
    return ()


def _notice(target: str, alarms: Sequence[Alarm], now_utc: datetime) -> Notice:
    kind = alarms[0].kind
    more = f" So it is with {len(alarms)} notices." if len(alarms) > 1 else ""
    trips = sorted({alarm.trip_id for alarm in alarms if alarm.trip_id})
    if trips:
        named = ", ".join(trips[:MAX_TRIPS]) + (f" and {len(trips) - MAX_TRIPS} more" if trips[MAX_TRIPS:] else "")
        more += f" Trips: {named}."
    hint = {
        "parked": " `alertd parked` lists what is held; `alertd parked resend` sends it again.",
        "disabled": " Nothing goes there until someone mends it and runs `alertd parked reopen`.",
    }.get(kind, "")
    text = f"NOTICES DO NOT ARRIVE over {target}. {alarms[0].text}.{more}{hint} Tell those concerned another way."
    hour = f"{now_utc:%Y-%m-%dT%H}"
    key = ("delivery", target, kind, hour, *trips)
    return office_notice("fleet.delivery", key, text, USEFUL_FOR, now_utc, target=target, trouble=kind)

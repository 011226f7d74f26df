"""Decides who hears of a silent daemon, and in which words."""

import json
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from typing import Any, Final

from alertd.i18n import Translator, Translators
from alertd.notices.formats.webhook_event import FORMAT
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy
from alertd.notices.text import phrases
from alertd.notices.text.phrases import clock_time, day_clock
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.plan.serialize import canonical, to_plain
from alertd.watch.beacon import Beacon, BeaconTrip

REMIND_OFFICE_EVERY: Final = timedelta(hours=6)  # [A] twice a shift
BEFORE_DEPARTURE: Final = timedelta(hours=12)  # [A] a driver who leaves later hears from the office
TranslatorsOf = Callable[[str, tuple[str, ...]], Translators]


def silence_notices(
    beacon: Beacon, silent_since: datetime, now_utc: datetime, policy: Policy, translators_of: TranslatorsOf
) -> list[Notice]:
    """Return the notices of a silence that are due at `now_utc`; equal ids for the same silence.

    The office hears at once and every six hours. A driver hears once, in quiet hours only before a departure that is
    sooner than `policy.quiet_yields` or under way.
    """
    round_n = int((now_utc - silent_since) / REMIND_OFFICE_EVERY)
    out = [_office(beacon, now_utc, ("silent", str(round_n)), _office_text(beacon))]
    for trip in beacon.trips:
        wait = trip.depart_at - now_utc
        if trip.until <= now_utc or wait > BEFORE_DEPARTURE:
            continue
        if wait > policy.quiet_yields and policy.is_quiet(now_utc, trip.zone):
            continue
        translator = translators_of(trip.language, trip.lands).driver
        out.append(_driver(beacon, trip, now_utc, "silent", _driver_text(beacon, trip, translator)))
    return out


def heard_again_notices(
    silent: Beacon, beacon: Beacon, told: frozenset[str], now_utc: datetime, translators_of: TranslatorsOf
) -> list[Notice]:
    """Return the notices that the daemon works again: to the office, and to the drivers of the trips `told`.

    None of them is relief: an older plan stays in doubt until the daemon sends a new message.
    """
    heard = day_clock(beacon.written_at, beacon.zone)
    text = (
        f"ALERTD WORKS AGAIN since {heard}; it was silent from {day_clock(silent.written_at, silent.zone)}. "
        f"Plans of that time are old until a new message comes. {phrases.SIGNS}"
    )
    out = [_office(silent, now_utc, ("again",), text, heard_again_at=to_plain(beacon.written_at))]
    for trip in silent.trips:
        if trip.trip_id in told and trip.until > now_utc:
            translator = translators_of(trip.language, trip.lands).driver
            words = translator.gettext(
                "alertd works again since {time}. Stay ready to chain until it sends you a new message. "
                "Posted signs and officers decide. Read only when parked.",
                time=clock_time(beacon.written_at, trip.zone),
            )
            out.append(_driver(silent, trip, now_utc, "again", words))
    return out


def trips_of(notices: Iterable[Notice]) -> frozenset[str]:
    """Return the trips whose drivers the notices are for."""
    return frozenset(json.loads(n.body)["data"]["trip_id"] for n in notices if n.audience is Audience.DRIVER)


def _office_text(beacon: Beacon) -> str:
    since = day_clock(beacon.written_at, beacon.zone)
    listed = [f"{t.trip_id} {t.driver}".strip() for t in beacon.trips]
    trips = f" Trips without a watch: {', '.join(listed[:20])}{' and more' if listed[20:] else ''}." if listed else ""
    return (
        f"NO WORD FROM ALERTD since {since}. No plan is checked and no message is sent until it runs again. "
        f"Look at the daemon, its network and its store. Tell drivers to be ready to chain."
        f"{trips} {phrases.SIGNS}"
    )


def _driver_text(beacon: Beacon, trip: BeaconTrip, translator: Translator) -> str:
    return translator.gettext(
        "NO WORD FROM ALERTD since {time}. Your last plan may be out of date. Be ready to chain and look at the posted "
        "signs. Posted signs and officers decide. Read only when parked.",
        time=clock_time(beacon.written_at, trip.zone),
    )


def _office(beacon: Beacon, now_utc: datetime, content: tuple[str, ...], text: str, **more: object) -> Notice:
    id_ = notice_id(NoticeKind.DATA, Audience.DISPATCHER, "watch", beacon.written_at.isoformat(), *content)
    data = {"fleet": beacon.fleet, "silent_since": to_plain(beacon.written_at), **more, "text": text}
    return _notice(id_, Audience.DISPATCHER, now_utc, "fleet.silent", data)


def _driver(beacon: Beacon, trip: BeaconTrip, now_utc: datetime, what: str, text: str) -> Notice:
    key = ("watch", beacon.written_at.isoformat(), trip.trip_id, what)
    id_ = notice_id(NoticeKind.DATA, Audience.DRIVER, *key)
    data = {
        "audience": Audience.DRIVER.value,
        "trip_id": trip.trip_id,
        "plan_id": trip.plan_id,
        "driver": trip.driver,
        "dispatcher": trip.dispatcher,
        "text": text,
        "read": phrases.PARKED,
    }
    return _notice(id_, Audience.DRIVER, now_utc, "trip.message", data)


def _notice(
    id_: str,
    audience: Audience,
    now_utc: datetime,
    type_: str,
    data: dict[str, Any],
) -> Notice:
    head = {"notice_id": id_, "kind": NoticeKind.DATA.value, "authority": POSTED_SIGNS_DECIDE}
    body = {"type": type_, "format": FORMAT, "timestamp": to_plain(now_utc), "data": {**head, **data}}
    return Notice(
        id=id_,
        kind=NoticeKind.DATA,
        audience=audience,
        trip_id="",  # the watch's own store holds no trips; the body names it
        plan_id="",
        created_at=now_utc,
        expires_at=now_utc + timedelta(hours=12),
        text=str(data["text"]),
        body=canonical(body),
    )

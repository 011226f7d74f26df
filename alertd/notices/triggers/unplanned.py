"""Triggers notices about a trip that could not be planned: always sent, always as caution."""

from datetime import datetime, timedelta
from typing import Final

from alertd.i18n import Translator
from alertd.notices.formats.webhook_event import FORMAT
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy
from alertd.notices.text import driver_parts, phrases
from alertd.notices.text.driver_sms import fit_segments
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.plan.serialize import canonical, to_plain

AHEAD: Final = timedelta(hours=12)  # earlier than that the office has time to correct the trip


def to_driver(
    trip_id: str, depart_at: datetime, zone: str, now_utc: datetime, policy: Policy, translator: Translator
) -> tuple[Notice, ...]:
    """Return one notice per trip to a driver who departs within 12 hours; in quiet hours only if soon.

    After departure only the office is notified: reading a text at the wheel is an offence (49 CFR 392.80).
    """
    leaves_in = depart_at - now_utc
    if not timedelta(0) < leaves_in <= AHEAD and not (policy.tell_rolling_driver and leaves_in <= AHEAD):
        return ()
    if policy.is_quiet(now_utc, zone) and leaves_in > policy.quiet_yields:
        return ()
    text = unplanned_text(trip_id, depart_at, zone, translator)
    id_ = notice_id(NoticeKind.DATA, Audience.DRIVER, trip_id, "no plan")
    data = {
        "notice_id": id_,
        "kind": NoticeKind.DATA.value,
        "authority": POSTED_SIGNS_DECIDE,
        "audience": Audience.DRIVER.value,
        "trip_id": trip_id,
        "text": text,
        "read": phrases.PARKED,
    }
    body = {"type": "trip.not_planned", "format": FORMAT, "timestamp": to_plain(now_utc), "data": data}
    return (
        Notice(
            id=id_,
            kind=NoticeKind.DATA,
            audience=Audience.DRIVER,
            trip_id=trip_id,
            plan_id="",
            created_at=now_utc,
            expires_at=max(depart_at, now_utc) + AHEAD,
            text=text,
            body=canonical(body),
        ),
    )


def unplanned_text(trip_id: str, depart_at: datetime, zone: str, translator: Translator) -> str:
    """Return the driver's text."""

    def shorten(cut: int) -> str:
        text = translator.gettext(
            "BE READY TO CHAIN: no plan could be made for trip {trip}, leaving {leaves}, so nothing is known of its "
            "road. Ask dispatch before you go.",
            trip=trip_id[:cut],
            leaves=phrases.day_clock(depart_at, zone, translator),
        )
        return f"{text} {driver_parts.closing(translator)}"

    return fit_segments(shorten, (64, 40, 20))

"""Triggers one office notice about missing or old forecasts, not one per trip and cycle."""

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from alertd.notices.model import Notice, NoticeKind
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice
from alertd.plan.model.plan import Plan

HORIZON: Final = timedelta(hours=12)  # later trips are planned again many times before departure
REPEAT_EVERY: Final = timedelta(hours=6)
_MAX_TRIPS: Final = 30


def missing_forecast_notice(
    fleet: str, plans: Sequence[Plan], now_utc: datetime, sent: Sequence[Notice] = ()
) -> tuple[Notice, ...]:
    """Return a notice to the dispatcher if plans of the next hours have missing or old data, once in six hours a trip.

    sent: earlier notices to the office. A trip that loses its data later within these hours causes another notice; one
    that has its data again, or loses them again, does not.
    """
    incomplete = sorted(
        (p for p in plans if p.partial and p.depart_at - now_utc <= HORIZON and now_utc < p.arrive_late),
        key=lambda p: (p.depart_at, p.trip_id),
    )
    lately = [n for n in sent if n.kind is NoticeKind.DATA and now_utc - n.created_at < REPEAT_EVERY]
    reported = {trip_id for n in lately for trip_id in json.loads(n.body)["data"].get("trip_ids", ())}
    if all(p.trip_id in reported for p in incomplete):
        return ()
    slot = str(int(now_utc.timestamp() // REPEAT_EVERY.total_seconds()))
    text = _text(incomplete, len(plans), now_utc)
    trips = [p.trip_id for p in incomplete]
    content = (fleet, slot, *trips)
    return (office_notice("fleet.data", content, text, REPEAT_EVERY, now_utc, fleet=fleet, trip_ids=trips),)


def _text(incomplete: Sequence[Plan], all_n: int, now_utc: datetime) -> str:
    oldest = max((s.age_h for p in incomplete for s in p.sources), default=None)
    age = "no forecast at all for some" if oldest is None else f"oldest forecast {phrases.age(oldest)} old"
    named = ", ".join(p.trip_id for p in incomplete[:_MAX_TRIPS]) + (", ..." if len(incomplete) > _MAX_TRIPS else "")
    why = list(dict.fromkeys(c for p in incomplete for c in p.cautions if "forecast" in c.lower()))[:5]
    lines = [
        f"FORECAST MISSING OR OLD for {len(incomplete)} of {all_n} trips ({age}): {named}.",
        "Their drivers should be ready to chain; earlier orders apply until the forecast is complete again.",
        *why,
        phrases.SIGNS,
    ]
    return "\n".join(lines)

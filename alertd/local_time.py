"""Converts a local date and time of day to UTC across clock changes."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_SECOND = timedelta(seconds=1)


def zone_or_none(name: str) -> ZoneInfo | None:
    """The zone of this IANA name; None for any other text, which may even be a path or too long for a file name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def local_to_utc(day: date, at: time, zone: ZoneInfo) -> datetime:
    """The UTC moment of a local time on a date.

    A time that a clock change skips gives the first moment after the gap: 02:30 in Denver on a spring night gives
    03:00. A time that occurs twice gives its first occurrence. Seconds are kept, microseconds are dropped. PEP 495:
    fold 0 reads a skipped time with the offset before the gap, fold 1 with the offset after it.
    """
    at = at.replace(microsecond=0)
    first, second = (datetime.combine(day, at.replace(fold=fold), zone) for fold in (0, 1))
    moment, before = first.astimezone(UTC), first.utcoffset()
    if before is None or second.astimezone(UTC) >= moment:
        return moment
    earliest = second.astimezone(UTC)  # before the change; `moment` is after it
    while moment - earliest > _SECOND:
        middle = earliest + timedelta(seconds=(moment - earliest) // _SECOND // 2)
        if middle.astimezone(zone).utcoffset() == before:
            earliest = middle
        else:
            moment = middle
    return moment

"""A local date and time of day as the one moment it means, whatever the clocks do that night."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_SECOND = timedelta(seconds=1)


def local_to_utc(day: date, at: time, zone: ZoneInfo) -> datetime:
    """The UTC moment of a local time, once a date.

    One that a clock change skips is the first moment after the gap (02:30 in Denver on a spring night: 03:00); one
    that comes twice is its first coming. PEP 495: fold 0 reads a skipped time with the offset before the gap, fold 1
    with the one after.
    """
    at = at.replace(microsecond=0)
    first, second = (datetime.combine(day, at.replace(fold=fold), zone) for fold in (0, 1))
    moment, before = first.astimezone(UTC), first.utcoffset()
    if before is None or second.astimezone(UTC) >= moment:
        return moment
    earliest = second.astimezone(UTC)  # still before the change, and `moment` after it
    while moment - earliest > _SECOND:
        middle = earliest + timedelta(seconds=(moment - earliest) // _SECOND // 2)
        if middle.astimezone(zone).utcoffset() == before:
            earliest = middle
        else:
            moment = middle
    return moment

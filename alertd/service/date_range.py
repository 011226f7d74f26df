"""Parses a range of dates or times from a request."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from alertd.errors import InputError
from alertd.sources.files.trip_parts import parse_departure


def period(
    since: str, until: str, zone: str, now_utc: datetime, *, default: timedelta, where: str = "request"
) -> tuple[datetime, datetime]:
    """[from, to) from dates or times. A date counts as a whole day in `zone`. Default: `default` back from now.

    Raises InputError.
    """
    last = _moment(until, zone, where, "to", timedelta(days=1)) if until else now_utc
    first = _moment(since, zone, where, "from", timedelta(0)) if since else last - default
    if not first < last:
        raise InputError(where, "to", "is not after from", "give the earlier one first")
    return first, last


def _moment(text: str, zone: str, where: str, field: str, whole: timedelta) -> datetime:
    try:
        day = date.fromisoformat(text) + whole
    except (ValueError, OverflowError):
        try:
            return parse_departure(text).astimezone(UTC)
        except ValueError as exc:
            problem, _, _ = str(exc).partition("; ")
            raise InputError(where, field, problem, "give 2027-01-14, or a time with its zone") from exc
    return datetime.combine(day, time(0), ZoneInfo(zone)).astimezone(UTC)

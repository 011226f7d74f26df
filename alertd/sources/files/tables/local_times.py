"""Reads times as people and spreadsheets write them: local to a place, or with the day and month in their order."""

import re
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

_EXAMPLE: Final = "2027-01-14T04:45"
_SERIAL: Final = re.compile(r"\d{5}([.,]\d+)?")  # days since 1899-12-30, ECMA-376 Part 1, 18.17.4
_DAY_FIRST_OR_NOT: Final = re.compile(
    r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})[ ,T]+(\d{1,2}):(\d{2})(?::(\d{2}))?\s*([AaPp][Mm])?"
)


def complete_time(text: str, zone: ZoneInfo | None) -> str:
    """Return a time in ISO 8601 with an offset; text that is complete, or has no zone to complete it, stays.

    zone: of the place that the time belongs to. Raises ValueError("problem; hint") where two readings are possible: a
    day that may be a month, or an hour that a clock change skips or repeats.
    """
    if _SERIAL.fullmatch(text.strip()):
        raise ValueError(
            f'"{text}" is a spreadsheet\'s number of a day; format the column as text and write e.g. {_EXAMPLE}'
        )
    found = _DAY_FIRST_OR_NOT.fullmatch(text.strip())
    try:
        when = _from_parts(found, text) if found else datetime.fromisoformat(text.strip())
    except ValueError as exc:
        if "; " in str(exc):
            raise
        return text
    if when.utcoffset() is not None or zone is None:
        return text
    return _with_offset(when, text, zone).isoformat()


def foreign_offset(when: datetime, zone: ZoneInfo) -> str:
    """Return the local offset as text where an aware time has another one; "" where both agree."""
    local = when.astimezone(zone)
    return "" if local.utcoffset() == when.utcoffset() else local.isoformat()[-6:]


def _from_parts(found: re.Match[str], text: str) -> datetime:
    first, second, year, hour, minute = (int(part) for part in found.groups()[:5])
    if first <= 12 and second <= 12 and first != second:
        one, other = f"{year:04}-{first:02}-{second:02}", f"{year:04}-{second:02}-{first:02}"
        raise ValueError(f'"{text}" may be {one} or {other}; write it as {one}T{hour:02}:{minute:02}, if that is meant')
    month, day = (first, second) if first <= 12 else (second, first)
    half = (found[7] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(f'"{text}" has no such hour; write e.g. {_EXAMPLE}')
        hour = hour % 12 + (12 if half == "pm" else 0)
    return datetime.fromisoformat(f"{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{int(found[6] or 0):02}")


def _with_offset(when: datetime, text: str, zone: ZoneInfo) -> datetime:
    first, second = (when.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():  # PEP 495: only in a gap or a fold
        change = "skips" if _offset(second) > _offset(first) else "repeats"
        raise ValueError(f'"{text}" is in the hour that a clock change {change} in {zone.key}; add the offset from UTC')
    return first


def _offset(when: datetime) -> timedelta:
    return when.utcoffset() or timedelta(0)

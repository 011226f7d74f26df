"""Parses times in HTTP headers (RFC 9110): dates and Retry-After delays."""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Final

_DIGITS: Final = 12  # 12 digits are 30,000 years; longer numbers would overflow


def http_date(text: str) -> datetime | None:
    """An HTTP date as aware UTC, or None when `text` is not a date."""
    try:
        when = parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def parse_retry_after_s(text: str | None, now_utc: datetime) -> float | None:
    """Seconds until the time in a Retry-After header, in either form (section 10.2.3). Negative for a past date.

    None when the header is absent or unreadable. The caller limits delays that are too long to follow.
    """
    text = (text or "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:_DIGITS])
    when = http_date(text)
    return None if when is None else (when - now_utc).total_seconds()

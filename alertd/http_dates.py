"""Times in HTTP headers (RFC 9110): dates, and how long an answer asks to wait."""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Final

_DIGITS: Final = 12  # 30,000 years; more of them would only overflow


def http_date(text: str) -> datetime | None:
    """An HTTP date as aware UTC; None when it is none."""
    try:
        when = parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def parse_retry_after_s(text: str | None, now_utc: datetime) -> float | None:
    """Seconds that a Retry-After header asks to wait, in either form (section 10.2.3), below 0 for a date gone by.

    None when absent or unreadable. What is too long or too late to follow is the caller's to say.
    """
    text = (text or "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:_DIGITS])
    when = http_date(text)
    return None if when is None else (when - now_utc).total_seconds()

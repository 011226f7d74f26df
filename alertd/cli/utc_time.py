"""Formats times of no place in particular, such as those of tokens and channels."""

from datetime import UTC, datetime


def utc_time(at: datetime) -> str:
    """Return date and time in UTC, with the zone, e.g. "2026-01-14 11:30 UTC"."""
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"

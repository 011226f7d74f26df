"""Parses times of foreign answers to UTC."""

from datetime import UTC, datetime


def iso_utc(text: str) -> datetime | None:
    """Parse ISO 8601 to UTC. None if it is no time, names no offset from UTC, or lies outside the calendar in UTC."""
    try:
        when = datetime.fromisoformat(text)
        return None if when.utcoffset() is None else when.astimezone(UTC)
    except (ValueError, OverflowError):
        return None

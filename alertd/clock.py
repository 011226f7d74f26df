"""Reads the machine's clock. No other module does."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeAlias

Clock: TypeAlias = Callable[[], datetime]


def system_clock() -> datetime:
    """The current time, aware, in UTC."""
    return datetime.now(UTC)

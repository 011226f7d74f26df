"""The only place that reads the machine's clock."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeAlias

Clock: TypeAlias = Callable[[], datetime]


def system_clock() -> datetime:
    """Now, aware, UTC."""
    return datetime.now(UTC)

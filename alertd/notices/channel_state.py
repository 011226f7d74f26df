"""A channel's state that survives a restart: up, failing, or disabled until an operator reopens it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

State = Literal["up", "failing", "disabled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelState:
    """State of a channel. `since`: when it began; `why`: the last problem, "" if none; `failures`: consecutive."""

    target: str
    state: State
    since: datetime
    why: str = ""
    last_success_at: datetime | None = None
    last_failure_at: datetime | None = None
    failures: int = 0

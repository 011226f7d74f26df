"""The state of a channel that outlives a run of the daemon: up, failing, or disabled until a person reopens it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

State = Literal["up", "failing", "disabled"]


class StoredChannelState(Protocol):
    """A channel state as the store returns it."""

    @property
    def target(self) -> str: ...
    @property
    def state(self) -> str: ...
    @property
    def why(self) -> str: ...
    @property
    def since(self) -> datetime: ...
    @property
    def last_success_at(self) -> datetime | None: ...
    @property
    def last_failure_at(self) -> datetime | None: ...
    @property
    def failures(self) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelState:
    """`since`: when it came to this. `why`: the last problem, "" where there is none; `failures`: in a row."""

    target: str
    state: State
    since: datetime
    why: str = ""
    last_success_at: datetime | None = None
    last_failure_at: datetime | None = None
    failures: int = 0

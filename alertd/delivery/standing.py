"""How a target stands beyond one run of the daemon: up, failing since when, or disabled until a person reopens it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

State = Literal["up", "failing", "disabled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """`since`: when it came to this. `why` is "" for one that is up."""

    target: str
    state: State
    since: datetime
    why: str = ""


class Book(Protocol):
    """Where standings are kept. Either may raise StoreError. A target that is not in it was never in trouble."""

    def standings(self) -> Mapping[str, Standing]: ...
    def note(self, standing: Standing) -> None: ...


class Slate:
    """A book that a restart wipes."""

    def __init__(self) -> None:
        self._standings: dict[str, Standing] = {}

    def standings(self) -> Mapping[str, Standing]:
        return dict(self._standings)

    def note(self, standing: Standing) -> None:
        self._standings[standing.target] = standing

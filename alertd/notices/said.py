"""What was last said of a trip, one row a stretch or closure."""

from dataclasses import dataclass
from datetime import datetime

from alertd.plan.result import Advice


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """The facts of one stretch that a reader acts on, as last said.

    turn: how often something had been said of the trip by then. It goes into the identity of what is said next, so
    that words which come round again, after others in between, are not taken for a repeat and dropped. Relief
    leaves its row behind as `clear` for the same reason. until: when a held road was said to be passable again.
    """

    advice: Advice
    start_m: float
    end_m: float
    place: str
    stop_id: str
    tires: str
    singles_short: int
    at: datetime
    until: datetime | None = None
    turn: int = 0

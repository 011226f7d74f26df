"""What was last said of a trip, one row a stretch or closure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.model import Advice, Stretch, SurfaceStretch

SAME_EDGE_M = 8_000.0  # assumed: how far the beginning of the snow moves without being news for who looks for a place


@dataclass(frozen=True, slots=True, kw_only=True)
class SentFact:
    """The facts of one stretch that a reader acts on, as last said.

    turn: how often something had been said of the trip by then. It goes into the identity of what is said next, so
    that words which come round again, after others in between, are not taken for a repeat and dropped. Relief
    leaves its row behind as `clear` for the same reason. until: when a held road was said to be passable again.
    said_at: when it was. owed: the driver was not told yet, for it was late or much had been said; the dispatcher was.
    milder_since, milder_on: since when the plan has looked milder, and the forecast that first said so.
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
    said_at: datetime | None = None
    owed: bool = False
    milder_since: datetime | None = None
    milder_on: datetime | None = None

    def same_place(self, other: "SentFact") -> bool:
        """Whether chains go on at the same place. One to look for is the same while the snow begins where it did."""
        if not (is_unlisted(self.stop_id) and is_unlisted(other.stop_id)):
            return self.stop_id == other.stop_id
        return abs(self.start_m - other.start_m) < SAME_EDGE_M

    def overlaps(self, stretch: Stretch | SurfaceStretch) -> bool:
        """Whether it is about any of the same road."""
        return stretch.start_m <= self.end_m and stretch.end_m >= self.start_m


def fact_of(stretch: Stretch) -> SentFact:
    return SentFact(
        advice=stretch.advice,
        start_m=stretch.start_m,
        end_m=stretch.end_m,
        place=stretch.place,
        stop_id=stretch.chain_up.stop_id,
        tires=stretch.tires_short_words,
        singles_short=stretch.hanging.singles_short,
        at=stretch.chain_up.arrive_at,
        until=stretch.hold_until,
    )


def facts_from_plain(rows: Sequence[Mapping[str, Any]]) -> tuple[SentFact, ...]:
    """Facts back from their stored JSON; what an older version did not keep is not known."""

    def when(row: Mapping[str, Any], name: str) -> datetime | None:
        return datetime.fromisoformat(row[name]) if row.get(name) else None

    return tuple(
        SentFact(
            advice=Advice(r["advice"]),
            start_m=float(r["start_m"]),
            end_m=float(r["end_m"]),
            place=str(r["place"]),
            stop_id=str(r["stop_id"]),
            tires=str(r["tires"]),
            singles_short=int(r["singles_short"]),
            at=datetime.fromisoformat(r["at"]),
            until=when(r, "until"),
            turn=int(r.get("turn", 0)),
            said_at=when(r, "said_at"),
            owed=bool(r.get("owed", False)),
            milder_since=when(r, "milder_since"),
            milder_on=when(r, "milder_on"),
        )
        for r in rows
    )

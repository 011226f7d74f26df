"""State of what was last sent about a trip, one row per stretch or closure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.plan.serialize import to_plain

SAME_EDGE_M = 8_000.0  # assumed: a driver who looks for a place ignores smaller shifts of the snow's start
_STORED_KEYS: Final = {"sent_at": "said_at", "pending": "owed"}


SAME_M: Final = 0.1  # a stored row has rounded ends, and a stretch may be a single place


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeAlarm:
    """What was last sent to the office alone for one reason about a trip. weight: larger is graver; at: when to act."""

    reason: str
    weight: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SentFact:
    """The facts of one stretch that a reader acts on, as last sent.

    turn: revision, the number of times that anything about the trip had been sent. It is part of the next notice's id,
    so that repeated content after other messages does not count as a duplicate. For the same reason relief leaves a row
    with advice `clear`. start_m, end_m: with the road around the stretch where few members need chains. edge_m: start
    of the stretch itself, None where it is start_m. until: announced end of a hold. sent_at: when the row was sent
    (UTC). pending: not yet sent to the driver because of quiet hours or the rate limit; the dispatcher has it.
    milder_since, milder_on: since when the plan has been milder, and the first forecast that was. up_m: distance of the
    chain-up place along the route, None where not known. tires_n: number of tires, 0 where not known. silent: of relief
    that the driver was not sent, so he still has the order to be ready. alarms: of the trip, equal in all its rows.
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
    sent_at: datetime | None = None
    pending: bool = False
    milder_since: datetime | None = None
    milder_on: datetime | None = None
    edge_m: float | None = None
    up_m: float | None = None
    tires_n: int = 0
    silent: bool = False
    alarms: tuple[OfficeAlarm, ...] = ()

    @property
    def core_start_m(self) -> float:
        """Start of the stretch without the road around it."""
        return self.start_m if self.edge_m is None else self.edge_m

    def same_place(self, other: "SentFact") -> bool:
        """Whether chains go on at the same place."""
        return is_same_place((self.stop_id, self.core_start_m), (other.stop_id, other.core_start_m))

    def overlaps(self, stretch: Stretch | SurfaceStretch) -> bool:
        """Whether the two share any part of the road."""
        start_m, end_m = with_fringe_m(stretch) if isinstance(stretch, Stretch) else (stretch.start_m, stretch.end_m)
        return start_m <= self.end_m + SAME_M and end_m >= self.start_m - SAME_M

    def is_about(self, stretch: Stretch | SurfaceStretch) -> bool:
        """Whether the two share any part of the road, or chains go on at the same listed place for the same pass.

        The ends of the snow move with every forecast; a driver acts at the place.
        """
        if self.overlaps(stretch):
            return True
        if isinstance(stretch, SurfaceStretch) or stretch.chained or not self.stop_id or is_unlisted(self.stop_id):
            return False
        return self.place != "" and (self.place, self.stop_id) == (stretch.place, stretch.chain_up.stop_id)


def is_same_place(one: tuple[str, float], other: tuple[str, float]) -> bool:
    """Whether two places to chain up, each an id and the start of the stretch (m), are the same.

    An unlisted place is the same while the snow starts within SAME_EDGE_M of the earlier start.
    """
    if not (is_unlisted(one[0]) and is_unlisted(other[0])):
        return one[0] == other[0]
    return abs(one[1] - other[1]) < SAME_EDGE_M


def with_fringe_m(stretch: Stretch) -> tuple[float, float]:
    """Return start and end of a stretch with the road around it where few members need chains."""
    start_m = stretch.start_m if stretch.white_from_m is None else stretch.white_from_m
    return start_m, stretch.end_m if stretch.white_to_m is None else stretch.white_to_m


def fact_of(stretch: Stretch) -> SentFact:
    """Return the facts of a stretch."""
    start_m, end_m = with_fringe_m(stretch)
    return SentFact(
        advice=stretch.advice,
        start_m=start_m,
        end_m=end_m,
        edge_m=None if start_m == stretch.start_m else stretch.start_m,
        place=stretch.place,
        stop_id=stretch.chain_up.stop_id,
        tires=stretch.tires_short_words,
        singles_short=stretch.hanging.singles_short,
        at=stretch.chain_up.arrive_at,
        until=stretch.hold_until,
        up_m=stretch.chain_up.distance_m,
        tires_n=stretch.hanging.singles_n,
    )


def facts_to_plain(facts: Sequence[SentFact]) -> list[dict[str, Any]]:
    """Return the stored JSON of facts; two keys have older names than their fields."""
    rows: list[dict[str, Any]] = to_plain(tuple(facts))
    return [{_STORED_KEYS.get(name, name): value for name, value in row.items()} for row in rows]


def facts_from_plain(rows: Sequence[Mapping[str, Any]]) -> tuple[SentFact, ...]:
    """Return facts from their stored JSON; fields that an older version did not store get their defaults."""

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
            sent_at=when(r, "said_at"),
            pending=bool(r.get("owed", False)),
            milder_since=when(r, "milder_since"),
            milder_on=when(r, "milder_on"),
            edge_m=None if r.get("edge_m") is None else float(r["edge_m"]),
            up_m=None if r.get("up_m") is None else float(r["up_m"]),
            tires_n=int(r.get("tires_n", 0)),
            silent=bool(r.get("silent", False)),
            alarms=tuple(
                OfficeAlarm(reason=str(a["reason"]), weight=int(a["weight"]), at=datetime.fromisoformat(a["at"]))
                for a in r.get("alarms", ())
            ),
        )
        for r in rows
    )

"""Closed roads and weather warnings on a route: which of them the truck meets while they stand, and until when."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.model import ClosureNote
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.route.model import Route, zone_at
from alertd.route.project import spans_between
from alertd.units import to_miles

Array: TypeAlias = NDArray[np.float64]
LatLon: TypeAlias = tuple[float, float]  # latitude, longitude [deg]
Clock: TypeAlias = Callable[[ArrayLike], Array]  # seconds from leaving to each place, at distances along the route

# Assumed: ends given beforehand are often put off, so one that has passed without word is not believed for so long.
BELIEVED_FOR: Final = timedelta(hours=1)
# Assumed: one that begins longer after a late truck has passed is no matter of this trip.
ANNOUNCED_AHEAD: Final = timedelta(hours=6)
# Assumed: an end of a closure is read off a map or named by an interchange.
CLOSURE_OFFSET_M: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedClosure:
    """A road closed between two places, in both directions, as the operator posts it. Times are aware and UTC."""

    id: str
    start: LatLon
    end: LatLon
    begins_at: datetime
    ends_at: datetime | None
    what: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """One run of a route that is closed, or under a warning, for some time; `ends_at` None where no end is given.

    what, source: what stands and who says so. where: the area in the source's words. holds: whether a truck is to wait
    for its end, or only be told. posted: by the operator. rank: see `plan.warnings.severity`, 0 the gravest.
    presumed: the end is ours, the source gives none. words: the source's own, to be quoted; sent_at: when it said so,
    None where unknown.
    """

    start_m: float
    end_m: float
    begins_at: datetime
    ends_at: datetime | None
    what: str
    source: str
    where: str = ""
    holds: bool = True
    posted: bool = False
    rank: int = 0
    presumed: bool = False
    words: tuple[str, ...] = ()
    sent_at: datetime | None = None

    def believed_until(self, now_utc: datetime) -> datetime | None:
        """Its end as far as to be believed now, None for one that never ends within a plan."""
        if self.ends_at is None or self.ends_at > now_utc:
            return self.ends_at
        return self.ends_at + BELIEVED_FOR


def place_closures(route: Route, posted: Sequence[PostedClosure]) -> tuple[Closure, ...]:
    """Where a route runs on closed road, in either direction."""
    return tuple(
        Closure(
            start_m=start_m,
            end_m=end_m,
            begins_at=p.begins_at,
            ends_at=p.ends_at,
            what=f"Road closed ({p.what})",
            source=p.source,
            posted=True,
        )
        for p in posted
        for start_m, end_m in spans_between(route, p.start, p.end, max_offset_m=CLOSURE_OFFSET_M)
    )


def closure_notes(
    closures: Sequence[Closure],
    route: Route,
    clock: Clock,
    leave_at: datetime,
    clock_z: Array,
    now_utc: datetime,
    params: PlanParams,
) -> tuple[ClosureNote, ...]:
    """One note for each closure that still lies ahead and concerns the trip, gravest first, then in the road's order.

    `route` begins where the truck is, `clock` and `leave_at` (aware) there too; clock_z: (member,), as in lateness_s.
    """
    notes = []
    for c in sorted(
        _ahead(closures, route, now_utc), key=lambda c: (c.rank, c.start_m, c.end_m, c.what, c.source, c.begins_at)
    ):
        early, enter, late = _passing(c, route, clock, leave_at, clock_z, params)
        if c.begins_at > late + ANNOUNCED_AHEAD:
            continue
        at, met = int(np.argmin(np.abs(route.distance_m - c.start_m))), _met(c, early, late, now_utc)
        notes.append(
            ClosureNote(
                what=c.what,
                source=c.source,
                where=c.where,
                start_m=c.start_m,
                end_m=c.end_m,
                zone=zone_at(float(route.lat_deg[at]), float(route.lon_deg[at])),
                enter_at=enter,
                begins_at=c.begins_at.astimezone(UTC),
                ends_at=None if c.ends_at is None else c.ends_at.astimezone(UTC),
                met=met,
                posted=c.posted,
                held=c.holds and met,
                presumed=c.presumed,
                words=c.words,
                sent_at=None if c.sent_at is None else c.sent_at.astimezone(UTC),
            )
        )
    return tuple(notes)


def meets_hold(
    closures: Sequence[Closure],
    route: Route,
    clock: Clock,
    leave_at: datetime,
    clock_z: Array,
    now_utc: datetime,
    params: PlanParams,
) -> bool:
    """Whether a truck on this clock comes to a closure to hold for while it stands; see `closure_notes`."""
    for c in _ahead([c for c in closures if c.holds], route, now_utc):
        early, _, late = _passing(c, route, clock, leave_at, clock_z, params)
        if _met(c, early, late, now_utc):
            return True
    return False


def closure_cautions(notes: Sequence[ClosureNote], now_utc: datetime) -> tuple[str, ...]:
    """A line for each closure: what, who says so, where, from when until when, what follows, and the source's words."""
    return tuple(dict.fromkeys(f"{describe_closure(n, now_utc)}: {_follows(n)}{_quoted(n)}" for n in notes))


def describe_closure(note: ClosureNote, now_utc: datetime) -> str:
    """What stands, by whom, where and how long, e.g. "Road closed (slide) by DOT, mi 12 to 30, until Thu 14:00 MST"."""
    where = f"mi {to_miles(note.start_m):.0f} to {to_miles(note.end_m):.0f}"
    spans = [f"from {_local(note.begins_at, note.zone)}"] if note.begins_at > now_utc else []
    if note.ends_at is None:
        spans.append("no end given")
    elif note.presumed:
        spans.append(f"no end given, taken to stand until {_local(note.ends_at, note.zone)}, then looked at again")
    elif note.ends_at > now_utc:
        spans.append(f"until {_local(note.ends_at, note.zone)}")
    else:
        spans.append(f"was to end {_local(note.ends_at, note.zone)} but nobody has said that it did")
    return f"{note.what} by {note.source}, {where}, {' '.join(spans)}"


def _follows(note: ClosureNote) -> str:
    if note.held:
        return "hold below it"
    if note.met:
        return f"expected on the road at the truck's hour ({_local(note.enter_at, note.zone)})"
    if note.begins_at > note.enter_at:
        return "the truck is expected past it by then; not if it is later than planned"
    return f"expected to be over when the truck gets there ({_local(note.enter_at, note.zone)}); check before it"


def _quoted(note: ClosureNote) -> str:
    sent = f"; sent {_local(note.sent_at, note.zone)}" if note.sent_at else ""
    words = " ".join(f'"{w}"' for w in note.words)
    return f"{sent}: {words}" if words else sent


def _local(when: datetime, zone: str) -> str:
    return when.astimezone(ZoneInfo(zone)).strftime("%a %H:%M %Z")


def _ahead(closures: Sequence[Closure], route: Route, now_utc: datetime) -> list[Closure]:
    """Those not behind the truck and not over."""
    first_m = float(route.distance_m[0])
    ends = [(c, c.believed_until(now_utc)) for c in closures if c.end_m > first_m]
    return [c for c, until in ends if until is None or until > now_utc]


def _passing(
    closure: Closure, route: Route, clock: Clock, leave_at: datetime, clock_z: Array, params: PlanParams
) -> tuple[datetime, datetime, datetime]:
    """When an early truck (one in ten) comes to a closure, the planned one, and when a late one is past it."""
    at_m = np.clip([closure.start_m, closure.end_m], route.distance_m[0], route.distance_m[-1])
    takes_s = clock(at_m)
    late_s = lateness_s(takes_s, clock_z, params)
    moments = (
        takes_s[0] + np.quantile(late_s[:, 0], 0.1),
        takes_s[0],
        takes_s[1] + np.quantile(late_s[:, 1], 0.9),
    )
    leave = leave_at.astimezone(UTC)
    early, enter, late = (leave + timedelta(seconds=round(float(s))) for s in moments)
    return early, enter, late


def _met(closure: Closure, early: datetime, late: datetime, now_utc: datetime) -> bool:
    until = closure.believed_until(now_utc)
    return closure.begins_at < late and (until is None or early < until)

"""Places closed roads and weather warnings on a route: which of them the truck meets, and until when."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.i18n import odds
from alertd.plan.model.notes import ClosureNote
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.route.model import Route, zone_at
from alertd.route.project import spans_between
from alertd.units import to_miles

Array: TypeAlias = NDArray[np.float64]
LatLon: TypeAlias = tuple[float, float]  # latitude, longitude [deg]
Clock: TypeAlias = Callable[[ArrayLike], Array]  # seconds from departure to places at these distances along the route

# Assumed: announced ends are often postponed, so an end that has passed without news is not believed for this time.
BELIEVED_FOR: Final = timedelta(hours=1)
# Assumed: a closure that begins later than this after a late truck has passed does not concern the trip.
ANNOUNCED_AHEAD: Final = timedelta(hours=6)
# Assumed: the end of a closure is read from a map or named by an interchange.
CLOSURE_OFFSET_M: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedClosure:
    """A road closed between two places, in both directions, as posted by the operator. Times are aware and UTC."""

    id: str
    start: LatLon
    end: LatLon
    begins_at: datetime
    ends_at: datetime | None
    what: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """One run of a route that is closed, or under a warning, for some time.

    ends_at: None where no end is given.
    what: the closure or warning.
    source: the authority that reports it.
    where: the area in the words of the source.
    holds: True when a truck has to wait for its end, False for a caution only.
    posted: True when posted by the operator or a road authority.
    rank: see `plan.warnings.severity`; 0 is the most severe.
    presumed: True when the end is ours because the source gives none.
    words: the words of the source, to be quoted.
    sent_at: time of the report, None where unknown.
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
        """The end that is believed now; None for a closure that does not end within a plan."""
        if self.ends_at is None or self.ends_at > now_utc:
            return self.ends_at
        return self.ends_at + BELIEVED_FOR


def place_closures(route: Route, posted: Sequence[PostedClosure]) -> tuple[Closure, ...]:
    """The runs of a route on closed road, in either direction."""
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
    """One note for each closure ahead that concerns the trip, most severe first, then in the order of the road.

    route, clock, leave_at: begin at the truck's position; leave_at is aware.
    clock_z: (member,), as in lateness_s.
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
    """True when a truck on this clock meets an active closure that it has to hold for; see `closure_notes`."""
    for c in _ahead([c for c in closures if c.holds], route, now_utc):
        early, _, late = _passing(c, route, clock, leave_at, clock_z, params)
        if _met(c, early, late, now_utc):
            return True
    return False


def closure_cautions(notes: Sequence[ClosureNote], now_utc: datetime) -> tuple[str, ...]:
    """One line for each closure: what, source, where, times, consequence, and the words of the source."""
    return tuple(dict.fromkeys(f"{describe_closure(n, now_utc)}: {_follows(n)}{_quoted(n)}" for n in notes))


def describe_closure(note: ClosureNote, now_utc: datetime) -> str:
    """What, by whom, where and how long, e.g. "Road closed (slide) by DOT, mi 12 to 30, until Thu 14:00 MST"."""
    where = f"mi {to_miles(note.start_m):.0f} to {to_miles(note.end_m):.0f}"
    later = note.begins_at > now_utc and not note.kind
    spans = [f"from {_local(note.begins_at, note.zone)}"] if later else []
    if note.ends_at is None:
        spans.append("no end within the forecast" if note.kind else "no end given")
    elif note.presumed:
        spans.append(f"no end given, presumed to last until {_local(note.ends_at, note.zone)}, then checked again")
    elif note.ends_at > now_utc:
        spans.append(f"until {_local(note.ends_at, note.zone)}")
    else:
        spans.append(f"was to end {_local(note.ends_at, note.zone)} but no end is reported")
    if note.kind:
        how_sure = "" if note.probability is None else f", {odds(note.probability)}"
        ends = f", {' '.join(spans)}" if note.held else ""
        return f"{note.what} by {note.source} ({note.detail}{how_sure}), {where}{ends}"
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
    """Closures that are neither behind the truck nor over."""
    first_m = float(route.distance_m[0])
    ends = [(c, c.believed_until(now_utc)) for c in closures if c.end_m > first_m]
    return [c for c, until in ends if until is None or until > now_utc]


def _passing(
    closure: Closure, route: Route, clock: Clock, leave_at: datetime, clock_z: Array, params: PlanParams
) -> tuple[datetime, datetime, datetime]:
    """Arrival of an early truck (one in ten) and of the planned one at a closure; time when a late one is past it."""
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

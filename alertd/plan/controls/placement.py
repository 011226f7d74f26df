"""Places the posted controls of road authorities on a route, and determines how long to believe each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.plan.controls.closures import BELIEVED_FOR, CLOSURE_OFFSET_M, Closure
from alertd.plan.params import PlanParams
from alertd.plan.posted import (
    CLOSED,
    NONE_POSTED,
    POINT_OFFSET_M,
    POINT_REACH_M,
    LatLon,
    PostedControl,
    PostedSpan,
    Span,
)
from alertd.plan.road_ahead.chain_need import zones_along
from alertd.route.model import Route
from alertd.route.project import PASSES_APART_M, ZONE_OFFSET_M, find_passes, spans_between
from alertd.route.runs import runs_of
from alertd.rules.rig import IdentityKey
from alertd.rules.ruleset import RuleSet
from alertd.rules.ruleset_zones import spans_inside
from alertd.units import HOUR_S

# Assumed reach: a point or a pass's name gives the position of a control but not its extent.
PASS_REACH_M: Final = 8_000.0
PASS_OFFSET_M: Final = 3_000.0
# Assumed: maximum offset of a feed's line of a road from the route. A road that only crosses the route is near it for
# no more than three times this.
LINE_OFFSET_M: Final = 300.0
_ONE_WAY_DEG: Final = 90.0
_NOTED_AFTER_S: Final = 12 * HOUR_S  # a control that is no longer believed is still reported for this time


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedNote:
    """A caution about a feed of posted conditions, for trips through its jurisdiction ("" for every trip)."""

    jurisdiction: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedConditions:
    """All known posted controls.

    missing: the feeds without an answer, or with an old answer only.
    """

    controls: tuple[PostedControl, ...] = ()
    notes: tuple[FeedNote, ...] = ()
    missing: tuple[FeedNote, ...] = ()


NOTHING_POSTED: Final = PostedConditions()


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedOnRoute:
    """The posted controls on one route, and their cautions. missing: of its states, see PostedConditions."""

    spans: tuple[PostedSpan, ...] = ()
    notes: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


def belief_window(control: PostedControl, now_utc: datetime, params: PlanParams) -> tuple[float, float, float]:
    """Start of a control, end of full belief and end of all belief, in seconds since 1970.

    A control with an end is believed until then. When that end has passed while the source still lists the control, it
    is believed for BELIEVED_FOR more. A control without an end is believed for some hours after its last confirmation,
    and fades out over further hours.
    """
    begins = control.since or control.confirmed_at
    if control.until is not None:
        end = control.until if control.until > now_utc else control.until + BELIEVED_FOR
        return begins.timestamp(), end.timestamp(), end.timestamp()
    sure = max(control.confirmed_at, begins) + timedelta(hours=params.posted_believed_h)
    return begins.timestamp(), sure.timestamp(), (sure + timedelta(hours=params.posted_fades_h)).timestamp()


def place_posted(
    route: Route, posted: PostedConditions, rulesets: Mapping[str, RuleSet], now_utc: datetime, params: PlanParams
) -> PostedOnRoute:
    """The posted controls that concern this route.

    A control that is not placed on the map concerns every route through its jurisdiction. A closure is kept until it is
    withdrawn.
    """
    codes = {span.code for span in route.jurisdictions}
    spans: list[PostedSpan] = []
    for c in posted.controls:
        found = spans_of(c, route, rulesets.get(c.jurisdiction))
        if found is None:
            found = ((0.0, route.length_m),) if c.jurisdiction in codes and c.level != NONE_POSTED else ()
            placed = False
        else:
            placed = True
        from_s, sure_s, gone_s = belief_window(c, now_utc, params)
        spans += [
            PostedSpan(
                control=c,
                start_m=start_m,
                end_m=end_m,
                placed=placed,
                from_epoch_s=from_s,
                sure_epoch_s=sure_s,
                gone_epoch_s=gone_s,
            )
            for start_m, end_m in found
            if gone_s + (0.0 if c.until else _NOTED_AFTER_S) > now_utc.timestamp() or c.level == CLOSED
        ]
    spans.sort(key=lambda s: (s.start_m, s.end_m, s.control.source, s.control.id))
    return PostedOnRoute(
        spans=tuple(spans),
        notes=tuple(dict.fromkeys(n.text for n in (*posted.missing, *posted.notes) if n.jurisdiction in ("", *codes))),
        missing=tuple(dict.fromkeys(n.text for n in posted.missing if n.jurisdiction in ("", *codes))),
    )


def spans_of(control: PostedControl, route: Route, rules: RuleSet | None) -> tuple[Span, ...] | None:
    """The runs of a control on a route: empty when it is elsewhere, None when its position is unknown."""
    w = control.where
    if w.zone:
        placed = rules is not None and any(z.id == w.zone and z.placed for z in rules.zones)
        found = tuple(zones_along(route, IdentityKey(rules))[w.zone]) if rules is not None and placed else None
    elif w.between is not None:
        found = () if _far(route, *w.between) else spans_between(route, *w.between, max_offset_m=CLOSURE_OFFSET_M)
    elif w.line:
        found = _along_line(route, w.line)
    elif w.outline:
        found = tuple(spans_inside(w.outline, route.lat_deg, route.lon_deg, route.distance_m))
    elif w.near is not None:
        found = _around(route, w.near, w.near_m, w.near_offset_m)
    else:
        found = None
    if found is None or control.bearing_deg is None:
        return found
    return tuple(s for s in found if _heads(route, s, control.bearing_deg))


def _far(route: Route, a: LatLon, b: LatLon) -> bool:
    """True when a route is far from a road between two places; a state's feed has hundreds of such roads.

    `interval_between` excludes places from which the way over both ends is more than 1.5 times the straight line. Any
    included place is within 0.8 of the straight line of either end.
    """
    middle = np.radians(0.5 * (a[0] + b[0]))
    per_deg = np.array([111_132.0, 111_320.0 * np.cos(middle)])
    straight_m = float(np.hypot(*(np.subtract(a, b) * per_deg)))
    at = np.column_stack((route.lat_deg, route.lon_deg))
    nearest_m = min(float(np.hypot(*((at - end) * per_deg).T).min()) for end in (a, b))
    return nearest_m > 0.8 * straight_m + 10.0 * CLOSURE_OFFSET_M


def _around(route: Route, place: LatLon, reach_m: float, offset_m: float) -> tuple[Span, ...]:
    last_m = float(route.distance_m[-1])
    passes = find_passes(route, *place, max_offset_m=offset_m, apart_m=max(PASSES_APART_M, reach_m))
    return tuple((max(at_m - reach_m, 0.0), min(at_m + reach_m, last_m)) for at_m, _ in passes)


def _along_line(route: Route, line: Sequence[LatLon]) -> tuple[Span, ...]:
    """The runs where a route follows a line of a road from a source, or all between the ends where it passes both.

    A coarse line is far from the road in bends, so only its ends can match. They may be farther off where the line is
    known to be of this road.
    """
    d = route.distance_m
    near = np.zeros(d.shape, dtype=np.bool_)
    if len(line) > 1:
        near, length_m = _near(route, np.asarray(line))
        least_m = min(3.0 * LINE_OFFSET_M, 0.5 * length_m)
        for first, last in runs_of(near):
            if d[last] - d[first] < least_m:
                near[first : last + 1] = False
        ends = (line[0], line[-1])
        off_m = ZONE_OFFSET_M if near.any() else CLOSURE_OFFSET_M
        if ends[0] != ends[1] and all(find_passes(route, *e, max_offset_m=off_m) for e in ends):
            for start_m, end_m in spans_between(route, *ends, max_offset_m=off_m):
                near |= (d >= start_m) & (d <= end_m)
    if not near.any() and len(line) == 1:
        return _around(route, line[0], POINT_REACH_M, POINT_OFFSET_M)
    return tuple((float(d[first]), float(d[last])) for first, last in runs_of(near))


def _near(route: Route, line: NDArray[np.float64]) -> tuple[NDArray[np.bool_], float]:
    """Samples within LINE_OFFSET_M of a line, (sample,), and the length of the line [m], in a local plane."""
    lat0 = float(np.radians(line[:, 0].mean()))
    per_deg = np.array([111_132.0, 111_320.0 * np.cos(lat0)])
    at = np.column_stack((route.lat_deg, route.lon_deg)) * per_deg
    corner = line * per_deg
    step = np.diff(corner, axis=0)
    length2 = np.maximum((step**2).sum(axis=1), 1e-9)
    near = np.zeros(len(at), dtype=np.bool_)
    low, high = corner.min(axis=0) - LINE_OFFSET_M, corner.max(axis=0) + LINE_OFFSET_M
    inside = np.flatnonzero(((at >= low) & (at <= high)).all(axis=1))
    for i in inside:  # one sample at a time, as samples times corners may be millions
        t = np.clip(((at[i] - corner[:-1]) * step).sum(axis=1) / length2, 0.0, 1.0)
        off2 = ((corner[:-1] + t[:, None] * step - at[i]) ** 2).sum(axis=1)
        near[i] = off2.min() <= LINE_OFFSET_M**2
    return near, float(np.sqrt(length2).sum())


def _heads(route: Route, span: Span, bearing_deg: float) -> bool:
    """True when any of the run is driven within 90 degrees of a bearing."""
    on_span = (route.distance_m >= span[0]) & (route.distance_m <= span[1])
    turn = (route.bearing_deg[on_span] - bearing_deg + 180.0) % 360.0 - 180.0
    return not turn.size or bool((np.abs(turn) <= _ONE_WAY_DEG).any())


def posted_closures(on_route: PostedOnRoute) -> tuple[Closure, ...]:
    """The posted closures, to hold for until their end or withdrawal. One that is not placed holds no trip."""
    return tuple(
        Closure(
            start_m=s.start_m,
            end_m=s.end_m,
            begins_at=s.control.since or s.control.confirmed_at,
            ends_at=s.control.until,
            what=f"Road closed ({s.control.words})" if s.control.words else "Road closed",
            source=s.control.source,
            where=s.control.where.words,
            posted=True,
        )
        for s in on_route.spans
        if s.control.level == CLOSED and s.placed
    )

"""Describes posted controls: those ahead, the belief in each at the truck's hour, and their cautions."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.controls.closures import ANNOUNCED_AHEAD
from alertd.plan.controls.overlay import belief_frac
from alertd.plan.model.notes import PostedNote
from alertd.plan.params import PlanParams
from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD, PostedSpan
from alertd.route.model import Route, zone_at
from alertd.rules.ruleset import RuleSet
from alertd.units import to_miles

MAX_UNPLACED: Final = 5  # a state's feed may contain a hundred controls that are not placed


def posted_notes(
    spans: Sequence[PostedSpan], solution: Solution, leave_at: datetime, rulesets: Mapping[str, RuleSet]
) -> tuple[PostedNote, ...]:
    """One note for each control on the road ahead, in order, then one for each control that is not placed.

    A control that begins long after the truck has passed does not concern the trip.
    """
    route = solution.sections.route
    notes = []
    for s in sorted(spans, key=lambda s: not s.placed):
        frac, enter_at = belief_at_passing(s, solution, leave_at)
        late = None if enter_at is None else (enter_at + ANNOUNCED_AHEAD).timestamp()
        if s.end_m <= float(route.distance_m[0]) or (late is not None and s.from_epoch_s > late):
            continue
        notes.append(_note(s, route, enter_at, frac, rulesets))
    return tuple(notes)


def belief_at_passing(s: PostedSpan, solution: Solution, leave_at: datetime) -> tuple[float, datetime | None]:
    """Belief in a control when the truck passes it, and that time.

    For a control that is not placed, the maximum at any time of the trip, and None.
    """
    leave_s = leave_at.timestamp()
    if not s.placed:
        end_s = leave_s + float(solution.reach_s(solution.sections.route.distance_m[-1]))
        return float(s.weight(np.asarray(leave_s), np.asarray(end_s))), None
    at_m = max(s.start_m, float(solution.sections.route.distance_m[0]))
    enter_at = leave_at + timedelta(seconds=round(float(solution.reach_s(at_m))))
    return belief_frac(solution.encounter.hourly_need, solution.encounter.hour, s), enter_at.astimezone(UTC)


def _note(
    s: PostedSpan, route: Route, enter_at: datetime | None, frac: float, rulesets: Mapping[str, RuleSet]
) -> PostedNote:
    c, rules = s.control, rulesets.get(s.control.jurisdiction)
    level = next((lv for lv in rules.levels if lv.id == c.level), None) if rules is not None else None
    at = int(np.argmin(np.abs(route.distance_m - s.start_m)))
    return PostedNote(
        jurisdiction=c.jurisdiction,
        level_id=c.level if level is not None or c.level in (CLOSED, NONE_POSTED) else "",
        legal_name=level.legal_name if level is not None else "",
        words=c.words,
        source=c.source,
        where=c.where.words,
        start_m=s.start_m if s.placed else None,
        end_m=s.end_m if s.placed else None,
        zone=zone_at(float(route.lat_deg[at]), float(route.lon_deg[at])),
        enter_at=enter_at,
        since=c.since,
        until=c.until,
        confirmed_at=c.confirmed_at,
        believed_frac=frac,
    )


def needs_ready(notes: Sequence[PostedNote]) -> bool:
    """True when a posted control alone prevents a "clear" plan: it may be on the way but is not placed."""
    return any(n.start_m is None and n.believed_frac > 0.0 for n in notes)


def posted_cautions(notes: Sequence[PostedNote], now_utc: datetime, params: PlanParams) -> tuple[str, ...]:
    """One line for each control: what, by whom, since when, and consequence. Closures have lines of their own."""
    placed = [
        f"{describe_control(n, now_utc)}: {_follows(n, params)}"
        for n in notes
        if n.start_m is not None and not _is_closed(n)
    ]
    unplaced = [n for n in notes if n.start_m is None and n.believed_frac > 0.0]
    lines = [
        f"{describe_control(n, now_utc)}: where is not on our map, so it may be on this way; be ready to chain"
        for n in unplaced[:MAX_UNPLACED]
    ]
    if len(unplaced) > MAX_UNPLACED:
        lines.append(f"{len(unplaced) - MAX_UNPLACED} more posted controls that our map does not place")
    return tuple(dict.fromkeys((*placed, *lines)))


def _is_closed(n: PostedNote) -> bool:
    return n.level_id == CLOSED and n.start_m is not None


def describe_control(n: PostedNote, now_utc: datetime) -> str:
    """E.g. "Posted now: 'Chains required' by the road authority, mi 12 to 19, since Thu 05:10 MST"."""
    where = n.where and f", {n.where}"
    if n.start_m is not None and n.end_m is not None:
        where = f", mi {to_miles(n.start_m):.0f} to {to_miles(n.end_m):.0f}"
    times = []
    if n.since is not None:
        times.append(f"{'from' if n.since > now_utc else 'since'} {_local(n.since, n.zone)}")
    if n.until is not None:
        times.append(f"until {_local(n.until, n.zone)}")
    if n.level_id == NONE_POSTED:
        times = [f"seen {_local(n.confirmed_at, n.zone)}"]
    head = "To be posted" if n.since is not None and n.since > now_utc else "Posted now"
    return f"{head}: {_what(n)} by {n.source}{where}{', ' if times else ''}{' '.join(times)}"


def _what(n: PostedNote) -> str:
    if n.level_id == NONE_POSTED:
        return "none"
    if n.level_id == CLOSED:
        return f"closed ({n.words})" if n.words else "closed"
    if n.legal_name:
        return f"'{n.legal_name}'"
    return f"words not understood: '{n.words}'"


def _follows(n: PostedNote, params: PlanParams) -> str:
    if n.level_id == NONE_POSTED:
        return "it may be posted by the truck's hour; our estimate for that hour stands"
    at_hour = "" if n.enter_at is None else f" ({_local(n.enter_at, n.zone)})"
    if n.believed_frac == 0.0:
        if n.since is not None and n.enter_at is not None and n.since > n.enter_at:
            return f"the truck is expected past it by then{at_hour}; not if it is later than planned"
        if n.until is not None:
            return f"given to end before the truck's hour{at_hour}; our estimate stands there, check before it"
        return (
            f"not confirmed for long before the truck's hour{at_hour}: it may have changed; our estimate stands there"
        )
    ready = "" if n.legal_name else "; be ready to chain"
    ready += ", counted as the strictest level" if n.level_id == NOT_UNDERSTOOD else ""
    old_h = 0.0 if n.enter_at is None else (n.enter_at - n.confirmed_at).total_seconds() / 3600.0
    if n.until is None and old_h > params.posted_believed_h:
        since = f"last confirmed {_local(n.confirmed_at, n.zone)}"
        return f"{since}, {old_h:.0f} h before the truck's hour{at_hour}; it may have changed{ready}"
    return f"counted as posted at the truck's hour{at_hour}{ready}; it may be raised"


def _local(when: datetime, zone: str) -> str:
    return when.astimezone(ZoneInfo(zone)).strftime("%a %H:%M %Z")

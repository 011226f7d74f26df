"""Compares other departure times: every quarter of an hour of the clock for a day and a half, and the planned one.

All are computed alike. Each is the cheapest way from that minute on, and its chain stops delay it into later weather.
Breaks count where they fall due, not at a stop. What does not depend on the driver is computed once for all trips.
"""

from bisect import bisect_left
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import Enum, auto
from functools import lru_cache
from math import ceil
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.departure_view import DepartureViews, see_all
from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.road_view import ChainStretch
from alertd.plan.chain_up.route_outcome import (
    RouteConditions,
    chain_search,
    chained_legs,
    chained_share,
    chosen_way,
)
from alertd.plan.chain_up.search import DELAY_STEP_S, ChainPlan
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.controls.closures import Clock, Closure, meets_hold
from alertd.plan.describe.arrivals import arrival_pair
from alertd.plan.describe.surfaces import is_winter_road
from alertd.plan.hours.laws import Duty, HoursRules, rules_for
from alertd.plan.hours.limits import MAX_BREAKS, HoursUsed, Spell, break_limit, limits, with_break
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hazards import hazards
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.trip_odds import trip_odds
from alertd.plan.road_ahead.wind import WindHours
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

DELAYS_N: Final = 24  # quarters of an hour computed beyond the last departure, for delays on the way


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldReasons:
    """Reasons to hold besides the pavement: closures on the route, and the wind, None where unknown."""

    closures: Sequence[Closure] = ()
    wind: WindHours | None = None


NO_REASONS: Final = HoldReasons()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """A departure for any driver, and the spells of its way.

    for_hours: the departure for drivers so far, by the hours used at the planned departure and the rest taken since.
    by_answer: the departure with each answer about the hours; equal departures of many trips are one object.
    """

    departure: Departure
    spells: tuple[Spell, ...]
    for_hours: dict[tuple[IdentityKey[HoursUsed], "_RestTaken"], Departure] = field(default_factory=dict)
    by_answer: dict[bool, Departure] = field(default_factory=dict)

    def for_driver(self, used: IdentityKey[HoursUsed], taken: "_RestTaken", rules: HoursRules) -> Departure:
        """The departure for a driver who has used these hours at the planned one and has rested since, see `_as_one`.

        The answer is True when the trip ends within the driver's hours.
        """
        depart_at = self.departure.depart_at
        answer = _within_hours(self.spells, _used_after(used.value, taken, depart_at), rules, depart_at)
        if answer not in self.by_answer:
            self.by_answer[answer] = replace(self.departure, hours_ok=answer)
        self.for_hours[used, taken] = self.by_answer[answer]
        return self.by_answer[answer]


def _for_driver(
    found: Sequence[_Compared], used: HoursUsed, planned_at: datetime, rules: HoursRules | None
) -> tuple[Departure, ...]:
    """The departures, in order of time, for a driver who has used these hours at the planned departure.

    There is no answer about the hours without a law on file or a known rest before the departure.
    """
    if rules is None:
        return tuple(x.departure for x in found)
    known_at = min(planned_at, used.on_duty_since or planned_at)
    break_at, rest_at = _rests_end(planned_at, rules)
    known_n, break_n, rest_n = (bisect_left(found, at, key=_depart_at) for at in (known_at, break_at, rest_at))
    departures = [x.departure for x in found[:known_n]]
    of = _as_one(used)
    for taken, from_n, to_n in (
        (_RestTaken.NONE, known_n, break_n),
        (_RestTaken.BREAK, break_n, rest_n),
        (_RestTaken.DAILY_REST, rest_n, len(found)),
    ):
        key = of, taken
        departures += [x.for_hours.get(key) or x.for_driver(of, taken, rules) for x in found[from_n:to_n]]
    return tuple(departures)


def _depart_at(x: _Compared) -> datetime:
    return x.departure.depart_at


@lru_cache(maxsize=256)
def _as_one(used: HoursUsed) -> IdentityKey[HoursUsed]:
    """Equal hours used as one object, which is a key that costs less."""
    return IdentityKey(used)


def compare_departures(
    hourly_need: HourlyNeed,
    planned_at: datetime,
    now_utc: datetime,
    used: HoursUsed,
    params: PlanParams,
    reasons: HoldReasons = NO_REASONS,
    sent_stops: frozenset[str] = frozenset(),
) -> tuple[Departure, ...]:
    """Departures at each quarter of an hour of the clock from now on, and the planned one; empty once the truck left.

    All trips of one kind of rig on one road share those of the clock. Departures whose road the forecast does not cover
    are omitted. One that meets a closure to hold for has the advice "hold". Times are aware.
    sent_stops: those of the planned trip, see `best_solution`. A planned departure off the quarters then shares the
        search of the plan itself.
    """
    if planned_at < now_utc:
        return ()
    first_s = ceil(now_utc.timestamp() / DELAY_STEP_S) * DELAY_STEP_S
    compared_n = int(params.compare_h * HOUR_S // DELAY_STEP_S)
    found = _shared(hourly_need, (first_s, compared_n), now_utc, params, reasons)
    planned_s = planned_at.timestamp()
    if (planned_s - first_s) % DELAY_STEP_S and planned_s < first_s + compared_n * DELAY_STEP_S:
        own = _shared(hourly_need, (planned_s, 1), now_utc, params, reasons, sent_stops)
        found = tuple(sorted((*found, *own), key=_depart_at))
    rules = rules_for([s.code for s in hourly_need.sections.route.jurisdictions])
    return _for_driver(found, used, planned_at, rules)


def _shared(
    hourly_need: HourlyNeed,
    grid: tuple[float, int],
    now_utc: datetime,
    params: PlanParams,
    reasons: HoldReasons,
    sent_stops: frozenset[str] = frozenset(),
) -> tuple[_Compared, ...]:
    """`_compare`, once for all trips with the same hourly need, departures, reasons and stops that were sent."""
    key = (grid, sent_stops, *_asked(now_utc, params, reasons))
    return hourly_need.shared.answer(
        "comparison", key, lambda: _compare(hourly_need, grid, now_utc, params, reasons, sent_stops)
    )


def _asked(now_utc: datetime, params: PlanParams, reasons: HoldReasons) -> tuple[Hashable, ...]:
    """What a departure depends on, besides the hourly need and its moment; `now_utc` where closures do on it."""
    wind = None if reasons.wind is None else reasons.wind.digest
    return params, tuple(reasons.closures), now_utc if reasons.closures else None, wind


def _compare(
    hourly_need: HourlyNeed,
    grid: tuple[float, int],
    now_utc: datetime,
    params: PlanParams,
    reasons: HoldReasons,
    sent_stops: frozenset[str],
) -> tuple[_Compared, ...]:
    """So many departures a quarter of an hour apart. grid: first departure, epoch seconds, and their number."""
    first_s, compared_n = grid
    first_at = datetime.fromtimestamp(first_s, UTC)
    departs = [first_s + DELAY_STEP_S * n for n in range(compared_n)]
    views = DepartureViews(
        hourly_need=hourly_need,
        depart_epoch_s=first_s,
        params=params,
        places=places_with_search(hourly_need, first_s, params, departs[-1]),
        sent_stops=sent_stops,
    )

    def way_of(i: int) -> _Way:
        row = views.row(i)
        quiet = row.need.max() < params.ready_probability - SAME_PROBABILITY
        search = not quiet and bool(views.view(i).stretches)
        return _way(views.leaving_later(i), float(row.reach_s[0, -1]), search=search)

    def compared(i: int, way: _Way, probability: float) -> _Compared:
        chain_plan, minutes, row = way.chain_plan, way.minutes, views.row(i)
        depart_at = first_at + timedelta(seconds=i * DELAY_STEP_S)
        arrivals = arrival_pair(depart_at, (float(row.reach_s[0, -1]), way.chained_s), probability, way.share)
        clock = _clock(views, row.reach_s[0], chain_plan, minutes) if reasons.closures else None
        held = clock is not None and meets_hold(
            reasons.closures,
            hourly_need.sections.route,
            clock,
            depart_at,
            hourly_need.corridor.clock_z,
            now_utc,
            params,
        )
        found = hazards(hourly_need, reasons.wind, way.encounter.hour, way.encounter.code, params)
        held = held or any(x.holds for x in found)
        unknown_frac = int(np.count_nonzero(row.code == 0)) / hourly_need.sections.count / hourly_need.members
        advice = max(_advice(way, unknown_frac), Advice.SLOW if found else Advice.CLEAR, key=lambda a: a.rank)
        departure = Departure(
            depart_at=depart_at,
            arrive_at=depart_at + timedelta(minutes=minutes),
            advice=Advice.HOLD if held else advice,
            probability=probability,
            unknown_frac=unknown_frac,
            lost_s=(arrivals.expected_at - depart_at).total_seconds() - float(views.dry_s[-1]),
            hangings=0 if chain_plan is None else len(chain_plan.spans),
            hours_ok=None,
            arrivals=arrivals,
        )
        return _Compared(departure=departure, spells=_spells(views, chain_plan, minutes))

    def compare(asked: list[int]) -> list[_Compared | None]:
        # Delays on the way lead to later departures, which are computed with the others where these are many.
        later = [departs[-1] + DELAY_STEP_S * n for n in range(1, DELAYS_N + 1)] if len(asked) > 1 else []
        see_all(views.roads.at_all([*(departs[i] for i in asked), *later]), views.places.whole)
        which = [i for i in asked if views.row(i).hour.max() < hourly_need.hours]  # others go beyond the forecast
        ways = [way_of(i) for i in which]
        # The odds of many departures cost little more at once than those of one.
        odds = trip_odds(hourly_need, np.stack([x.encounter.need for x in ways])).tolist() if ways else []
        found = {i: compared(i, way, p) for i, way, p in zip(which, ways, odds, strict=True)}
        return [found.get(i) for i in asked]

    # The grid moves on by a quarter of an hour now and then; its other departures stay the same.
    asked = (*_asked(now_utc, params, reasons), views.places.at_m.tobytes(), sent_stops, compared_n > 1)
    all_of = hourly_need.shared.answers("departure", [(epoch_s, *asked) for epoch_s in departs], compare)
    return tuple(x for x in all_of if x is not None)


def _clock(views: DepartureViews, reach_s: Array, chain_plan: ChainPlan | None, minutes: int) -> Clock:
    """Seconds to any place: unchained to each edge, plus the time for chaining, interpolated between its stops."""
    edge_m, spells = views.hourly_need.sections.edge_m, _spells(views, chain_plan, minutes)
    spell_m = np.array([(s.start_m, s.end_m) for s in spells]).ravel()
    late_s = np.array([(s.start_s, s.end_s) for s in spells]).ravel() - np.interp(spell_m, edge_m, reach_s)

    def reach(at_m: ArrayLike) -> Array:
        at = np.asarray(at_m, dtype=np.float64)
        return np.asarray(np.interp(at, edge_m, reach_s) + np.interp(at, spell_m, late_s))

    return reach


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """The way of one departure.

    chain_plan: None where no road may need chains; conditions and left are then None and empty.
    left: stretches to be ready for, which the chain plan does not cover.
    chained_s: seconds to the end, chained for these too.
    share: see `chained_share`.
    """

    views: DepartureViews
    chain_plan: ChainPlan | None
    conditions: RouteConditions | None
    left: tuple[ChainStretch, ...]
    minutes: int
    chained_s: float
    share: float

    @property
    def encounter(self) -> Encounter:
        """The conditions on the way."""
        return self.views.encounter(0) if self.conditions is None else self.conditions.encounter


def _way(views: DepartureViews, unchained_s: float, *, search: bool) -> _Way:
    if not search:
        minutes = round(unchained_s / 60.0)
        return _Way(
            views=views, chain_plan=None, conditions=None, left=(), minutes=minutes, chained_s=minutes * 60.0, share=0.0
        )
    chain_plan, conditions, ready = chosen_way(views)
    chained = ready.way if ready.left else chain_plan
    return _Way(
        views=views,
        chain_plan=chain_plan,
        conditions=conditions,
        left=tuple(ready.left),
        minutes=chain_plan.minute,
        chained_s=max(chain_plan.minute, chained.minute) * 60.0,
        share=chained_share(conditions, chained, views.places, views.params.remove_s),
    )


def _advice(way: _Way, unknown_frac: float) -> Advice:
    """The advice that a plan for this departure would give, from the conditions on its way."""
    views, chain_plan, conditions = way.views, way.chain_plan, way.conditions
    if chain_plan is None or conditions is None:
        return _unchained(views.encounter(0), unknown_frac, views.params)
    params, places = views.params, views.places
    legs = chained_legs(conditions, chain_plan, places, chain_search(views, params.chain_probability))
    if any(leg.held for leg in legs) or any(conditions.is_held(x) for x in way.left):
        return Advice.HOLD
    if chain_plan.spans or conditions.stretches:
        return Advice.CHAIN if chain_plan.spans else Advice.READY
    return _unchained(conditions.encounter, unknown_frac, params)


def _unchained(encounter: Encounter, unknown_frac: float, params: PlanParams) -> Advice:
    """The advice where no road may need chains."""
    if unknown_frac > 0.0:
        return Advice.READY
    winter = is_winter_road(encounter.code, encounter.hourly_need.sections, params)
    return Advice.SLOW if winter else Advice.CLEAR


def _within_hours(spells: tuple[Spell, ...], used: HoursUsed, rules: HoursRules, depart_at: datetime) -> bool:
    """Whether a way ends within the hours of a driver who has used these at its departure."""
    for _ in range(MAX_BREAKS):
        due = break_limit(spells, used, rules)
        if due.reached_m is None:
            break
        spells = with_break(spells, due.reached_m, rules.break_s)
    return all(x.reached_s is None for x in limits(spells, used, rules, depart_at) if x.kind != "break")


def _spells(views: DepartureViews, chain_plan: ChainPlan | None, minutes: int) -> tuple[Spell, ...]:
    """Driving and standing of a way, in few spells. Planned stands are among them."""
    at_m, remove_s = views.places.at_m, views.params.remove_s
    stands, no_stand = views.hourly_need.stands, np.arange(0)
    spells: list[Spell] = []
    now_s, here_m = 0.0, 0.0

    def until(duty: Duty, end_s: float, end_m: float) -> None:
        nonlocal now_s, here_m
        if duty is Duty.DRIVING:
            met = np.flatnonzero((stands.at_m >= here_m) & (stands.at_m < end_m)) if stands.at_m.size else no_stand
            rolls_s, rolls_m, from_m = end_s - now_s - stands.takes_s[met].sum(), end_m - here_m, here_m
            for n in met.tolist():
                to_m, takes_s = float(stands.at_m[n]), float(stands.takes_s[n])
                roll(Duty.DRIVING, now_s + rolls_s * (to_m - from_m) / rolls_m, to_m)
                roll(Duty.ON_DUTY if stands.on_duty[n] else Duty.OFF, now_s + takes_s, to_m)
                from_m = to_m
        roll(duty, end_s, end_m)

    def roll(duty: Duty, end_s: float, end_m: float) -> None:
        nonlocal now_s, here_m
        if end_s > now_s:
            spells.append(Spell(duty=duty, start_s=now_s, end_s=end_s, start_m=here_m, end_m=end_m))
        now_s, here_m = max(end_s, now_s), end_m

    for span, minute in zip(chain_plan.spans, chain_plan.on_minutes, strict=True) if chain_plan is not None else ():
        until(Duty.DRIVING, minute * 60.0, float(at_m[span.on]))
        until(Duty.ON_DUTY, now_s + span.hang_s, here_m)
        until(Duty.DRIVING, now_s + span.run_s, float(at_m[span.off]))
        until(Duty.ON_DUTY, now_s + remove_s, here_m)
    until(Duty.DRIVING, max(minutes * 60.0, now_s + 1.0), float(at_m[-1]))
    return tuple(spells)


class _RestTaken(Enum):
    """What a driver has taken off duty by a later departure."""

    NONE = auto()
    BREAK = auto()
    DAILY_REST = auto()


def _rests_end(planned_at: datetime, rules: HoursRules) -> tuple[datetime, datetime]:
    """When a driver who waits from the planned departure on has taken a break, and a daily rest; the rest is longer."""
    return planned_at + timedelta(seconds=rules.break_s), planned_at + timedelta(hours=rules.rest_h)


def hours_used_then(used: HoursUsed, planned_at: datetime, depart_at: datetime, rules: HoursRules) -> HoursUsed:
    """Hours used when the same driver leaves later than planned.

    A wait as long as the law's daily rest, taken off duty, starts a new duty day. A wait as long as its break counts as
    a break. The hours of the cycle remain.
    """
    break_at, rest_at = _rests_end(planned_at, rules)
    taken = _RestTaken.NONE if depart_at < break_at else _RestTaken.BREAK
    return _used_after(used, _RestTaken.DAILY_REST if depart_at >= rest_at else taken, depart_at)


def _used_after(used: HoursUsed, taken: _RestTaken, depart_at: datetime) -> HoursUsed:
    if taken is _RestTaken.DAILY_REST:
        return replace(used, drive_h=0.0, on_duty_since=depart_at, since_break_h=0.0)
    return replace(used, since_break_h=0.0) if taken is _RestTaken.BREAK else used

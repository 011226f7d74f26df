"""Compares other departures, every quarter hour for a day and a half, and picks the few worth showing.

The planned departure is one of them, so that all are computed alike. Each is the cheapest way from that minute on, and
its chain stops delay it into later weather. Breaks count where they fall due, not at a stop.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.departure_view import DepartureViews, Encounter
from alertd.plan.chain_up.route_outcome import best_plan, chain_search, chained_legs, conditions_on, uncovered
from alertd.plan.chain_up.search import DELAY_STEP_S, ChainPlan, ChainStretch, DepartureView
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.controls.closures import Clock, Closure, meets_hold
from alertd.plan.describe.surfaces import is_winter_road
from alertd.plan.hours.laws import Duty, HoursRules, rules_for
from alertd.plan.hours.limits import MAX_BREAKS, HoursUsed, Spell, break_limit, limits, with_break
from alertd.plan.model.alternatives import Departure, DeparturePick
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed
from alertd.plan.road_ahead.timing import unchained_timing
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

MAX_DELAY_S: Final = 6 * HOUR_S  # timings computed beyond the last departure, for delays on the way
MIN_GAIN: Final = timedelta(minutes=20)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comparison:
    """Inputs of a comparison besides the road."""

    planned_at: datetime
    used: HoursUsed
    rules: HoursRules | None


def compare_departures(
    hourly_need: HourlyNeed,
    planned_at: datetime,
    now_utc: datetime,
    used: HoursUsed,
    params: PlanParams,
    closures: Sequence[Closure] = (),
) -> tuple[Departure, ...]:
    """Departures from now on, a quarter of an hour apart, including the planned one; empty once the truck has left.

    Departures whose road the forecast does not cover are omitted. One that meets a closure to hold for has the advice
    "hold". Times are aware.
    """
    if planned_at < now_utc:
        return ()
    first_n = -int((planned_at - now_utc).total_seconds() // DELAY_STEP_S)
    first_at = planned_at + timedelta(seconds=first_n * DELAY_STEP_S)
    compared_n = int(params.compare_h * HOUR_S // DELAY_STEP_S)
    n = compared_n + int(MAX_DELAY_S // DELAY_STEP_S)
    departs: Array = first_at.timestamp() + DELAY_STEP_S * np.arange(n, dtype=np.float64)
    rides = unchained_timing(hourly_need, departs, params)
    views = DepartureViews(
        hourly_need=hourly_need,
        depart_epoch_s=float(departs[0]),
        params=params,
        places=places_with_search(hourly_need, planned_at.timestamp(), params),
        timings=rides,
    )
    comparison = _Comparison(
        planned_at=planned_at,
        used=used,
        rules=rules_for([s.code for s in hourly_need.sections.route.jurisdictions]),
    )
    beyond = (rides.hour[:compared_n] == hourly_need.hours).any(axis=(1, 2))
    quiet = rides.need[:compared_n].max(axis=(1, 2)) < params.ready_probability - SAME_PROBABILITY
    unknown_frac = (rides.code[:compared_n] == 0).sum(axis=1, dtype=np.uint16).mean(axis=1) / hourly_need.members
    compared = []
    for i in np.flatnonzero(~beyond).tolist():
        view = None if quiet[i] else views.view(i)
        leaving = views.leaving_later(i)
        chain_plan = (
            best_plan(chain_search(leaving, params.chain_probability)) if view is not None and view.stretches else None
        )
        minutes = round(float(rides.reach_s[i, -1]) / 60.0) if chain_plan is None else chain_plan.minute
        depart_at = first_at + timedelta(seconds=i * DELAY_STEP_S)
        clock = _clock(views, rides.reach_s[i], chain_plan, minutes) if closures else None
        held = clock is not None and meets_hold(
            closures, hourly_need.sections.route, clock, depart_at, hourly_need.corridor.clock_z, now_utc, params
        )
        compared.append(
            Departure(
                depart_at=depart_at.astimezone(UTC),
                arrive_at=depart_at.astimezone(UTC) + timedelta(minutes=minutes),
                advice=Advice.HOLD if held else _advice(leaving, chain_plan, float(unknown_frac[i])),
                probability=_probability(view, rides.need[i]),
                unknown_frac=float(unknown_frac[i]),
                lost_s=minutes * 60.0 - float(views.dry_s[-1]),
                hangings=0 if chain_plan is None else len(chain_plan.spans),
                hours_ok=_hours_ok(views, chain_plan, minutes, depart_at, comparison),
            )
        )
    return tuple(compared)


def _clock(views: DepartureViews, reach_s: Array, chain_plan: ChainPlan | None, minutes: int) -> Clock:
    """Seconds to any place: unchained to each edge, plus the time for chaining, interpolated between its stops."""
    edge_m, spells = views.hourly_need.sections.edge_m, _spells(views, chain_plan, minutes)
    spell_m = np.array([(s.start_m, s.end_m) for s in spells]).ravel()
    late_s = np.array([(s.start_s, s.end_s) for s in spells]).ravel() - np.interp(spell_m, edge_m, reach_s)

    def reach(at_m: ArrayLike) -> Array:
        at = np.asarray(at_m, dtype=np.float64)
        return np.asarray(np.interp(at, edge_m, reach_s) + np.interp(at, spell_m, late_s))

    return reach


def _probability(view: DepartureView | None, need: Float32) -> float:
    """Share of members that need chains on any stretch."""
    if view is None or not view.stretches:
        return 0.0
    sections = np.concatenate([np.arange(x.first, x.last + 1) for x in view.stretches])
    return float(need[:, sections].max(axis=1).mean(dtype=np.float64))


def _advice(views: DepartureViews, chain_plan: ChainPlan | None, unknown_frac: float) -> Advice:
    """The advice that a plan for this departure would give, from the conditions on its way."""
    if chain_plan is None:
        return _unchained(views.encounter(0), unknown_frac, views.params)
    params, places, conditions = views.params, views.places, conditions_on(views, chain_plan)
    view = conditions.view
    legs = chained_legs(view, chain_plan, places, chain_search(views, params.chain_probability))
    covered = [x for _, x, _ in legs] + [[x] for x in uncovered(view, chain_plan, places)]
    if any(_held(conditions.encounter, x, params) for x in covered):
        return Advice.HOLD
    if chain_plan.spans or covered:
        return Advice.CHAIN if chain_plan.spans else Advice.READY
    return _unchained(conditions.encounter, unknown_frac, params)


def _unchained(encounter: Encounter, unknown_frac: float, params: PlanParams) -> Advice:
    """The advice where no road may need chains."""
    if unknown_frac > 0.0:
        return Advice.READY
    winter = is_winter_road(encounter.code, encounter.hourly_need.sections, params)
    return Advice.SLOW if winter else Advice.CLEAR


def _held(encounter: Encounter, stretches: Sequence[ChainStretch], params: PlanParams) -> bool:
    """True when too many members are barred, slip even with chains, or meet road closed by snow."""
    first, last = stretches[0].first, stretches[-1].last
    hourly_need, on_leg = encounter.hourly_need, slice(first, last + 1)
    if encounter.closed[:, on_leg].max(axis=1).mean() >= params.hold_probability - SAME_PROBABILITY:
        return True
    slick = (
        sum(x.slip_probability for x in stretches) >= params.hold_probability - SAME_PROBABILITY
    )  # chains never reduce grip
    if not slick and not hourly_need.may_bar:
        return False
    chains = encounter.chains(first, last, params)
    if chains.barred or not slick:
        return bool(chains.barred)
    short = hourly_need.slips(chains.hanging.tires, encounter.code[:, on_leg], on_leg)
    return bool(short.any(axis=1).mean() >= params.hold_probability - SAME_PROBABILITY)


def _hours_ok(
    views: DepartureViews, chain_plan: ChainPlan | None, minutes: int, depart_at: datetime, asked: _Comparison
) -> bool | None:
    """True when the trip ends within the driver's hours; None without a law on file or a known rest before."""
    if asked.rules is None or depart_at < min(asked.planned_at, asked.used.on_duty_since or asked.planned_at):
        return None
    used = hours_used_then(asked.used, asked.planned_at, depart_at, asked.rules)
    spells = _spells(views, chain_plan, minutes)
    for _ in range(MAX_BREAKS):
        due = break_limit(spells, used, asked.rules)
        if due.reached_m is None:
            break
        spells = with_break(spells, due.reached_m, asked.rules.break_s)
    return all(x.reached_s is None for x in limits(spells, used, asked.rules, depart_at) if x.kind != "break")


def _spells(views: DepartureViews, chain_plan: ChainPlan | None, minutes: int) -> tuple[Spell, ...]:
    """Driving and standing of a way, in few spells."""
    at_m, remove_s = views.places.at_m, views.params.remove_s
    spells: list[Spell] = []
    now_s, here_m = 0.0, 0.0

    def until(duty: Duty, end_s: float, end_m: float) -> None:
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


def hours_used_then(used: HoursUsed, planned_at: datetime, depart_at: datetime, rules: HoursRules) -> HoursUsed:
    """Hours used when the same driver leaves later than planned.

    A wait as long as the law's daily rest, taken off duty, starts a new duty day. A wait as long as its break counts as
    a break. The hours of the cycle remain.
    """
    wait_h = (depart_at - planned_at).total_seconds() / HOUR_S
    if wait_h >= rules.rest_h:
        return replace(used, drive_h=0.0, on_duty_since=depart_at, since_break_h=0.0)
    return replace(used, since_break_h=0.0) if wait_h * HOUR_S >= rules.break_s else used


def pick_departures(compared: Sequence[Departure], planned_at: datetime) -> tuple[DeparturePick, ...]:
    """The few departures worth showing besides the planned one, each better in some respect and legal as far as known.

    They are the nearest to the plan with milder advice; of those with less time lost, the one that arrives first; and
    of those that arrive as early with no stricter advice, the last to leave. None uses road that the forecast does not
    know.
    """
    planned = next((d for d in compared if d.depart_at == planned_at), None)
    if planned is None:
        return ()
    allowed = [d for d in compared if d is not planned and d.hours_ok is not False and d.unknown_frac == 0.0]
    milder = [d for d in allowed if d.advice.rank < planned.advice.rank]
    sooner = [d for d in allowed if d.advice.rank <= planned.advice.rank and d.advice is not Advice.HOLD]
    sooner = [d for d in sooner if planned.lost_s - d.lost_s >= MIN_GAIN.total_seconds()]
    sooner = [d for d in sooner if d.arrive_at < planned.arrive_at]
    later = [d for d in allowed if d.advice.rank <= planned.advice.rank and d.arrive_at <= planned.arrive_at]
    later = [d for d in later if d.depart_at >= planned_at + MIN_GAIN]
    picked: dict[datetime, Departure] = {}
    if milder:
        nearest = min(milder, key=lambda d: (abs(d.depart_at - planned_at), d.advice.rank, d.depart_at))
        picked[nearest.depart_at] = nearest
    if sooner:
        first = min(sooner, key=lambda d: (d.arrive_at, d.advice.rank, -d.depart_at.timestamp()))
        picked.setdefault(first.depart_at, first)
    if later:
        last = max(later, key=lambda d: (d.depart_at, -d.advice.rank))
        picked.setdefault(last.depart_at, last)
    return tuple(_pick(d, planned) for d in sorted(picked.values(), key=lambda d: d.depart_at))


def _pick(d: Departure, planned: Departure) -> DeparturePick:
    return DeparturePick(
        departure=d,
        leave_later_s=(d.depart_at - planned.depart_at).total_seconds(),
        arrive_later_s=(d.arrive_at - planned.arrive_at).total_seconds(),
        reasons=_reasons(d, planned),
    )


def _reasons(d: Departure, planned: Departure) -> tuple[str, ...]:
    """The reasons: differences from the planned departure."""
    out = []
    odds = f"{_odds(d)} instead of {_odds(planned)}"
    if d.advice.rank < planned.advice.rank:
        words = {
            Advice.CLEAR: "no chains expected by this forecast",
            Advice.SLOW: "winter road, no chains expected",
            Advice.READY: "be ready to chain, not expected to",
            Advice.CHAIN: "passable with chains",
        }
        held = "not held, " if planned.advice is Advice.HOLD else ""
        if planned.advice is Advice.SLOW:
            out.append("no winter road expected by this forecast")
        else:
            out.append(f"{held}{words[d.advice]} (chance of needing them {odds})")
    elif abs(d.probability - planned.probability) >= 0.1:
        out.append(f"chance of needing chains {odds}")
    if abs(d.lost_s - planned.lost_s) >= MIN_GAIN.total_seconds():
        minutes = abs(d.lost_s - planned.lost_s) / 60.0
        out.append(f"{minutes:.0f} min {'less' if d.lost_s < planned.lost_s else 'more'} lost to chains and snow")
    if d.hours_ok is None:
        out.append("only if the driver's rest is over by then")
    elif d.hours_ok and planned.hours_ok is False:
        out.append("within the legal hours, which the planned departure is not")
    return tuple(out)


def _odds(d: Departure) -> str:
    return f"{min(max(d.probability, 0.01), 0.99):.0%}"

"""A trip of several days from its solution without rests: the plan with rests, its note, and its delivery."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.choices import Leaving, choices_of
from alertd.plan.days.labels import Window
from alertd.plan.days.notes import not_given, not_placed, rest_notes
from alertd.plan.days.outlook import forecast_end, outlook_notes
from alertd.plan.days.place_rests import DaysSolution, Solve, days_trip, needs_rest, solve_with_rests
from alertd.plan.hours.limits import HoursUsed, Spell
from alertd.plan.model.alternatives import ArrivalPair
from alertd.plan.model.days import DaysNote, DeliveryNote, DeliveryWindow
from alertd.plan.model.stretches import Stretch
from alertd.plan.params import PlanParams
from alertd.units import to_miles


def plan_days(
    solution: Solution,
    solve: Solve,
    used: HoursUsed,
    depart_at: datetime,
    delivery: DeliveryWindow | None,
    params: PlanParams,
    before: Sequence[Spell] = (),
) -> DaysSolution | None:
    """The trip with its rests; None where it needs none, or where none makes it legal. depart_at is aware.

    solution: without rests. before: the spells from departure to the first sample.
    """
    if not needs_rest(solution, used, depart_at, before):
        return None
    leave_s = before[-1].end_s if before else 0.0
    window = _window(delivery, depart_at + timedelta(seconds=leave_s))
    trip = days_trip(solution, used, depart_at, window, params, before)
    return solve_with_rests(trip, solution.encounter.hourly_need, solve, used, depart_at, params, before)


def _window(delivery: DeliveryWindow | None, leave_at: datetime) -> Window:
    """The delivery window in minutes after leaving."""

    def minutes(at: datetime | None, other: int) -> int:
        return other if at is None else int((at - leave_at).total_seconds() // 60.0)

    if delivery is None:
        return Window()
    return Window(opens=minutes(delivery.opens_at, 0), closes=minutes(delivery.closes_at, Window().closes))


def days_note(
    found: DaysSolution,
    stretches: Sequence[Stretch],
    used: HoursUsed,
    leaving: Leaving,
    known_at: datetime,
    params: PlanParams,
) -> DaysNote:
    """The note of a trip of several days. stretches: all of them, those beyond the good forecast included."""
    leave_at = leaving.leave_at
    ends = forecast_end(found.solution, leave_at)
    return DaysNote(
        law="; ".join(x.name for x in found.trip.laws),
        legal=not found.over,
        rests=rest_notes(found, leave_at, params),
        outlook=outlook_notes(found.solution, stretches, leave_at, known_at, params),
        choices=choices_of(found, leaving),
        asks=not_given(used, found.trip.laws),
        not_placed=not_placed(found.trip.laws),
        forecast_ends_at=None if ends is None else ends[0],
        forecast_ends_m=None if ends is None else ends[1],
    )


def end_cautions(days: DaysNote | None, zone: str) -> tuple[str, ...]:
    """A caution where the forecast ends before the trip does. zone: where it ends."""
    if days is None or days.forecast_ends_at is None or days.forecast_ends_m is None:
        return ()
    ends = days.forecast_ends_at.astimezone(ZoneInfo(zone)).strftime("%a %d %b %H:%M %Z")
    return (
        f"The forecast ends {ends}, when the truck is about mile {to_miles(days.forecast_ends_m):.0f}: "
        "the road from there is not known",
    )


def delivery_note(
    delivery: DeliveryWindow | None,
    run: Solution,
    leave_at: datetime,
    arrive_at: datetime,
    arrivals: ArrivalPair | None,
    zone: str,
) -> DeliveryNote | None:
    """How late the truck is for its delivery window; None without one. Times are aware.

    late_probability counts the members' clocks; the chained future counts by its own probability.
    """
    if delivery is None:
        return None
    closes = delivery.closes_at
    late = unchained = chained = share = None
    if closes is not None:
        late = (arrive_at - closes).total_seconds()
        if arrivals is not None:
            unchained, chained = ((at - closes).total_seconds() for at in (arrivals.unchained_at, arrivals.chained_at))
            late = (arrivals.expected_at - closes).total_seconds()
        finish_s = np.asarray(run.finish_s) - float(run.reach_s(run.sections.route.length_m))
        base = arrive_at if arrivals is None else arrivals.unchained_at
        share = float(((base - closes).total_seconds() + finish_s > 0.0).mean())
        if arrivals is not None:
            with_chains = float(((arrivals.chained_at - closes).total_seconds() + finish_s > 0.0).mean())
            share += arrivals.chain_probability * (with_chains - share)
    return DeliveryNote(
        opens_at=delivery.opens_at,
        closes_at=closes,
        zone=zone,
        late_s=late,
        late_unchained_s=unchained,
        late_chained_s=chained,
        late_probability=share,
    )

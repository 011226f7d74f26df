"""A trip of several days from its solution without rests: the plan with rests, its note, and its delivery."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.choices import Leaving, choices_of
from alertd.plan.days.labels import Stand, Window
from alertd.plan.days.notes import not_given, not_placed, place_if_chained, rest_notes
from alertd.plan.days.outlook import forecast_end, outlook_notes
from alertd.plan.days.place_rests import (
    DaysAsk,
    DaysSolution,
    Solve,
    days_trip,
    laws_of,
    needs_rest,
    solve_with_rests,
)
from alertd.plan.days.stand_rules import NIGHTS
from alertd.plan.days.stop_notes import stop_notes
from alertd.plan.days.trip_stops import AT_END_M
from alertd.plan.model.alternatives import ArrivalPair
from alertd.plan.model.days import DaysNote, DeliveryNote, DeliveryWindow
from alertd.plan.model.stretches import Stretch
from alertd.plan.road_ahead.stands import Stands, stands_of
from alertd.units import to_miles


def plan_days(solution: Solution, solve: Solve, ask: DaysAsk, delivery: DeliveryWindow | None) -> DaysSolution | None:
    """The trip with its rests and stops; None where it needs neither, or where none makes it legal.

    solution: without rests. Without a delivery window, that of a stop at the end of the route counts.
    """
    if not laws_of(solution):
        return None
    if not ask.stops.planned and not needs_rest(solution, ask.used, ask.depart_at, ask.before):
        return None
    window = _window(delivery, ask)
    if delivery is None and ask.stops.planned and ask.stops.planned[-1].distance_m > _end_m(solution) - AT_END_M:
        last = ask.stops.planned[-1].stop
        window = _window(DeliveryWindow(opens_at=last.opens_at, closes_at=last.closes_at), ask)
    ask = replace(ask, window=window)
    return solve_with_rests(days_trip(solution, ask), solution.encounter.hourly_need, solve, ask)


def _end_m(solution: Solution) -> float:
    return solution.sections.route.length_m


def _window(delivery: DeliveryWindow | None, ask: DaysAsk) -> Window:
    """The delivery window in minutes after leaving."""
    leave_at = ask.depart_at + timedelta(seconds=ask.leave_s)

    def minutes(at: datetime | None, other: int) -> int:
        return other if at is None else int((at - leave_at).total_seconds() // 60.0)

    if delivery is None:
        return Window()
    return Window(opens=minutes(delivery.opens_at, 0), closes=minutes(delivery.closes_at, Window().closes))


def days_note(
    found: DaysSolution,
    stretches: Sequence[Stretch],
    leaving: Leaving,
    known_at: datetime,
) -> DaysNote:
    """The note of a trip of several days. stretches: all of them, those beyond the good forecast included."""
    leave_at, params, used = leaving.leave_at, found.ask.params, found.ask.used
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
        stops=stop_notes(found, leave_at, params),
        legal_if_chained=not found.over and not found.over_if_chained,
        if_chained=place_if_chained(found),
    )


def one_day_stands(found: DaysSolution) -> tuple[Stands, datetime] | None:
    """The stands of a trip without a night, for other departures; None with a night.

    Waiting for a window to open is left out, so they hold from the time returned: who leaves earlier has to wait.
    """
    stands, waited = [], 0
    first = found.ask.depart_at - timedelta(days=2)
    if any(x.stand in NIGHTS for x in found.rests.stands):
        return None
    for x in found.rests.stands:
        dwell = found.trip.table.dwells.get(x.place) if x.stand is Stand.DWELL else None
        wait = 0 if dwell is None else max(x.minutes - dwell.service, 0)
        if dwell is not None and found.trip.stops[x.place].stop.opens_at is not None:
            leave_at = found.ask.depart_at + timedelta(seconds=found.ask.leave_s)
            first = max(first, leave_at + timedelta(minutes=dwell.opens - (x.begins - waited)))
        waited += wait
        stands.append((found.at_m(x), 60.0 * (x.minutes - wait), dwell is not None))
    return stands_of(stands), first


def end_cautions(days: DaysNote | None, zone: str) -> tuple[str, ...]:
    """A caution where the forecast ends during the trip. zone: where it ends."""
    if days is None or days.forecast_ends_at is None or days.forecast_ends_m is None:
        return ()
    if days.forecast_ends_m <= 0.0:  # none of the trip has a forecast, which another caution says
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

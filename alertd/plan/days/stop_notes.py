"""Describes the stops of a trip: arrival in both futures, how late for its window, and when the truck leaves."""

from datetime import UTC, datetime, timedelta

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.labels import Stand
from alertd.plan.days.place_rests import DaysSolution
from alertd.plan.days.trip_stops import PlacedStop
from alertd.plan.model.days import TripStopNote
from alertd.plan.params import PlanParams
from alertd.route.model import zone_at


def stop_notes(found: DaysSolution, leave_at: datetime, params: PlanParams) -> tuple[TripStopNote, ...]:
    """A note for each stop ahead, in the order of the road. leave_at is aware.

    A truck that is later than planned waits less for a window to open, so a delay may end at a stop.
    """
    run, notes = found.solution, []
    offsets_s, last_extra_s = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]  # expected, unchained, chained, against the plan
    served = {x.place: x for x in found.rests.stands if x.stand is Stand.DWELL}
    ends = {id(x) for x in found.ask.stops.planned} - {id(x) for x in found.trip.stops.values()}
    stops: list[tuple[float, PlacedStop, int | None]] = [
        (found.trip.places[p - 1].distance_m, x, p) for p, x in found.trip.stops.items()
    ]
    stops += [(run.sections.route.length_m, x, None) for x in found.ask.stops.planned if id(x) in ends]
    for at_m, placed, place in sorted(stops, key=lambda row: row[0]):
        planned_s = float(run.reach_s(at_m)) + _rested_there_s(found, place)
        extra_s = _extra_s(run, at_m, params)
        arrives_s = [planned_s + e - was + o for e, was, o in zip(extra_s, last_extra_s, offsets_s, strict=True)]
        dwell_s = placed.stop.service_s if place is None else 60.0 * served[place].minutes
        opens_s = 0.0 if placed.stop.opens_at is None else (placed.stop.opens_at - leave_at).total_seconds()
        leaves_s = [max(s, opens_s) + placed.stop.service_s for s in arrives_s]
        offsets_s = [s - max(planned_s + dwell_s, leaves_s[0] if place is None else 0.0) for s in leaves_s]
        last_extra_s = extra_s
        notes.append(_note(run, placed, at_m, leave_at, (arrives_s, leaves_s[0])))
    return tuple(notes)


def _rested_there_s(found: DaysSolution, place: int | None) -> float:
    """Seconds of a rest or break at the stop before it is served."""
    stands = found.rests.stands
    return 60.0 * sum(x.minutes for x in stands if x.place == place and x.stand is not Stand.DWELL)


def _extra_s(run: Solution, at_m: float, params: PlanParams) -> list[float]:
    """Seconds that the expected, unchained and chained futures are later at a place than the plan's clock."""
    end_s = float(run.reach_s(run.sections.route.length_m))
    if not run.legs or run.carried is not None or run.chained_s <= run.unchained_s:
        return [0.0, 0.0, 0.0]
    costs = [(x.off_m, x.hang_s + x.slow_s + params.remove_s) for x in run.legs]
    share = sum(s for m, s in costs if m <= at_m) / max(sum(s for _, s in costs), 1.0)
    unchained, chained = share * (run.unchained_s - end_s), share * (run.chained_s - end_s)
    return [unchained + run.chained_share * (chained - unchained), unchained, chained]


def _note(
    run: Solution, placed: PlacedStop, at_m: float, leave_at: datetime, times_s: tuple[list[float], float]
) -> TripStopNote:
    (arrives_s, leaves_s), stop, route = times_s, placed.stop, run.sections.route
    i = min(int(route.distance_m.searchsorted(at_m)), route.distance_m.size - 1)
    late: list[float | None] = [None, None, None]
    share = None
    if stop.closes_at is not None:
        closes_s = (stop.closes_at - leave_at).total_seconds()
        late = [s - closes_s for s in arrives_s]
        # Clocks of members spread with the driving so far.
        part = float(np.interp(at_m, run.sections.edge_m, run.moving_s)) / max(float(run.moving_s[-1]), 1.0)
        spread_s = part * (np.asarray(run.finish_s) - float(run.reach_s(route.length_m)))
        apart = [float((x + spread_s > closes_s).mean()) for x in arrives_s[1:]]
        share = apart[0] + run.chain_odds * (apart[1] - apart[0]) if run.legs else apart[0]
    return TripStopNote(
        name=stop.name,
        distance_m=at_m,
        zone=zone_at(float(route.lat_deg[i]), float(route.lon_deg[i])),
        opens_at=stop.opens_at,
        closes_at=stop.closes_at,
        service_s=stop.service_s,
        arrive_at=(leave_at + timedelta(seconds=round(arrives_s[0]))).astimezone(UTC),
        leave_at=(leave_at + timedelta(seconds=round(leaves_s))).astimezone(UTC),
        late_s=late[0],
        late_unchained_s=late[1],
        late_chained_s=late[2],
        late_probability=share,
    )

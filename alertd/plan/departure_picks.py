"""Picks the few departures worth showing beside the planned one, and the hour to leave by.

Departures are compared by the mean of their two arrivals and by the later one: a way that is quicker on average and
much later with chains is no better.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from alertd.i18n import odds
from alertd.plan.model.alternatives import Departure, DeparturePick, LeaveBy
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.units import minutes_words


class _Trip(NamedTuple):
    """What a driver compares: seconds on the way, in the mean and with chains; seconds to the arrival from `since`."""

    mean_s: float
    worse_s: float
    mean_at: datetime
    worse_at: datetime


def _trip(d: Departure) -> _Trip:
    mean_at = d.arrivals.expected_at if d.arrivals is not None else d.arrive_at
    worse_at = max(d.arrivals.chained_at, d.arrive_at) if d.arrivals is not None else d.arrive_at
    return _Trip(
        mean_s=(mean_at - d.depart_at).total_seconds(),
        worse_s=(worse_at - d.depart_at).total_seconds(),
        mean_at=mean_at,
        worse_at=worse_at,
    )


def pick_departures(
    compared: Sequence[Departure], planned_at: datetime, params: PlanParams
) -> tuple[DeparturePick, ...]:
    """The few departures worth showing besides the planned one, each better in some respect and legal as far as known.

    They are the nearest to the plan with milder advice; of those that save much time under way, the one that arrives
    first; and of those that arrive as early with no stricter advice, the last to leave. A difference below what
    matters is none, see `PlanParams`. None has the advice to hold or uses road that the forecast does not know, and
    none within the hour has the same advice as the plan or as another one shown.
    """
    planned = next((d for d in compared if d.depart_at == planned_at), None)
    if planned is None:
        return ()
    base, gain_s, near = _trip(planned), params.departure_gain_s, timedelta(seconds=params.departure_near_s)
    allowed = [
        d
        for d in compared
        if d is not planned and d.hours_ok is not False and d.unknown_frac == 0.0 and d.advice is not Advice.HOLD
    ]
    milder = [d for d in allowed if _is_milder(d, planned, params)]
    same = [
        (d, _trip(d)) for d in allowed if d.advice.rank <= planned.advice.rank and abs(d.depart_at - planned_at) >= near
    ]
    sooner = [(d, trip) for d, trip in same if _spares(trip, base, gain_s) and trip.mean_at < base.mean_at]
    later = [
        d
        for d, trip in same
        if d.depart_at > planned_at and trip.mean_at <= base.mean_at and trip.worse_at <= base.worse_at
    ]
    picked: dict[datetime, Departure] = {}
    if milder:
        nearest = min(milder, key=lambda d: (abs(d.depart_at - planned_at), d.advice.rank, d.depart_at))
        picked[nearest.depart_at] = nearest
    if sooner:
        first = min(sooner, key=lambda x: (x[1].mean_at, x[0].advice.rank, -x[0].depart_at.timestamp()))
        _add(picked, first[0], near)
    if later:
        last = max(later, key=lambda d: (d.depart_at, -d.advice.rank))
        _add(picked, last, near)
    return tuple(_pick(d, planned, params) for d in sorted(picked.values(), key=lambda d: d.depart_at))


def _add(picked: dict[datetime, Departure], d: Departure, near: timedelta) -> None:
    """Add a departure, unless one with the same advice and nearly the same hour is picked: two lines would say one."""
    if all(d.advice is not x.advice or abs(d.depart_at - x.depart_at) >= near for x in picked.values()):
        picked[d.depart_at] = d


def _is_milder(d: Departure, planned: Departure, params: PlanParams) -> bool:
    """Whether the advice is milder by more than a trifle: 49 % for 51 % crosses a threshold and changes nothing."""
    if d.advice.rank >= planned.advice.rank:
        return False
    if planned.advice is Advice.HOLD or planned.advice is Advice.SLOW:
        return True
    return planned.probability - d.probability >= params.departure_gain_frac


def _spares(trip: _Trip, base: _Trip, gain_s: float) -> bool:
    return base.mean_s - trip.mean_s >= gain_s and trip.worse_s <= base.worse_s


def leave_by(compared: Sequence[Departure], planned_at: datetime, params: PlanParams) -> LeaveBy | None:
    """The last departure as good as the planned one, where the road gets worse within `leave_by_h` of it.

    A change of the advice that the next departures take back is none: the worse advice must hold for an hour.
    """
    after = [d for d in compared if d.depart_at >= planned_at]
    if not after or after[0].depart_at != planned_at or after[0].advice is Advice.HOLD:
        return None
    planned = after[0]
    worse = [d.advice.rank > planned.advice.rank and _gets_worse(d, planned, params) for d in after]
    for n in range(1, len(after)):
        if after[n].depart_at - planned_at > timedelta(hours=params.leave_by_h):
            return None
        if not worse[n]:
            continue
        until = after[n].depart_at + timedelta(seconds=params.departure_near_s)
        if all(w for w, d in zip(worse, after, strict=True) if after[n].depart_at <= d.depart_at < until):
            return LeaveBy(at=after[n - 1].depart_at, worse=after[n])
    return None


def _gets_worse(d: Departure, planned: Departure, params: PlanParams) -> bool:
    if d.advice is Advice.HOLD or planned.advice is Advice.CLEAR:
        return True
    return d.probability - planned.probability >= params.departure_gain_frac


def _pick(d: Departure, planned: Departure, params: PlanParams) -> DeparturePick:
    return DeparturePick(
        departure=d,
        leave_later_s=(d.depart_at - planned.depart_at).total_seconds(),
        arrive_later_s=(_trip(d).mean_at - _trip(planned).mean_at).total_seconds(),
        reasons=_reasons(d, planned, params),
    )


def _reasons(d: Departure, planned: Departure, params: PlanParams) -> tuple[str, ...]:
    """The reasons: differences from the planned departure."""
    out = []
    before, after = odds(planned.probability), odds(d.probability)
    how_sure = f"chains {after} instead of {before}" if after != before else ""
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
            out.append(f"{held}{words[d.advice]}{f' ({how_sure})' if how_sure else ''}")
    elif how_sure and abs(d.probability - planned.probability) >= 0.1:
        out.append(how_sure)
    spared_s = _trip(planned).mean_s - _trip(d).mean_s
    if abs(spared_s) >= params.departure_gain_s:
        lost_to = "waiting, chains and snow" if planned.advice is Advice.HOLD else "chains and snow"
        out.append(f"{minutes_words(abs(spared_s))} {'less' if spared_s > 0 else 'more'} lost to {lost_to}")
    if d.hours_ok is None:
        out.append("only if the driver's rest is over by then")
    elif d.hours_ok and planned.hours_ok is False:
        out.append("within the legal hours, which the planned departure is not")
    return tuple(out)

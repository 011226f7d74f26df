"""Describes when a truck arrives: with and without chains, how early and late, and not before the end of a hold."""

from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.model.alternatives import ArrivalPair
from alertd.plan.model.notes import HoldNote
from alertd.plan.model.stretches import Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.units import HOUR_S

SAME_ARRIVAL_S: Final = 300.0  # arrivals closer than this are one


def arrivals_of(run: Solution, stretches: tuple[Stretch, ...], leave: datetime) -> ArrivalPair | None:
    """Both arrivals; None where no chains are uncertain or they change nothing, or where they are on already."""
    if not stretches or run.carried is not None or run.chained_s - run.unchained_s < SAME_ARRIVAL_S:
        return None
    return arrival_pair(leave, (run.unchained_s, run.chained_s), run.chain_odds, run.chained_share)


def arrival_window(
    pair: ArrivalPair, run: Solution, leave: datetime, window: tuple[datetime, datetime], params: PlanParams
) -> tuple[datetime, datetime]:
    """The window of the arrival, widened to an early truck without chains and a late one with them, one in ten each."""
    at = (pair.unchained_at, pair.chained_at)
    takes_s = np.asarray([(x - leave).total_seconds() for x in at])
    late_s = lateness_s(takes_s - run.stands.total_s, run.encounter.hourly_need.corridor.clock_z, params)
    (early_s, _), (_, later_s) = np.quantile(late_s, (0.1, 0.9), axis=0).tolist()
    first, last = (x + timedelta(seconds=round(s)) for x, s in zip(at, (early_s, later_s), strict=True))
    return min(first, window[0]), max(last, window[1])


def not_before(
    hold: HoldNote, drive: tuple[datetime, datetime, datetime], run: Solution
) -> tuple[datetime, datetime, datetime]:
    """Arrival, early and late, none of them before the hold is over; before the forecast ends where no end is known."""
    need = run.encounter.hourly_need
    ends = datetime.fromtimestamp(need.first_epoch_s + need.hours * HOUR_S, UTC)
    first = hold.not_before or max(ends, hold.enter_at)
    arrive, early, late = drive
    return max(arrive, first), max(early, first), max(late, first)


def arrival_pair(
    leave_at: datetime, takes_s: tuple[float, float], chain_probability: float, share: float | None = None
) -> ArrivalPair:
    """Both arrivals of a trip that leaves then, and their mean. leave_at is aware.

    takes_s: without and with chains. share: mean share of the time between them; the probability if not given.
    """
    unchained_s, chained_s = takes_s[0], max(takes_s)
    expected_s = unchained_s + (chain_probability if share is None else share) * (chained_s - unchained_s)
    unchained_at, chained_at, expected_at = (
        leave_at.astimezone(UTC) + timedelta(seconds=round(s)) for s in (unchained_s, chained_s, expected_s)
    )
    return ArrivalPair(
        unchained_at=unchained_at,
        chained_at=chained_at,
        chain_probability=chain_probability,
        expected_at=expected_at,
    )

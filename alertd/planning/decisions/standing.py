"""For how long a plan may stand: one that the passing of time changes in nothing but its age."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.plan.model.plan import Plan
from alertd.plan.request import TripInput
from alertd.sources.files.trips import TripRequest

HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What bounds the time of a plan.

    until: the first moment of the trip, None after its departure. age_h: that of its oldest forecast. stop_ids: of the
    listed stops that it chooses.
    """

    made_at: datetime
    until: datetime | None
    age_h: float
    stop_ids: frozenset[str]

    def last_moment(self, longest: timedelta) -> datetime:
        """The last moment of the hour in which it was made, before a moment of the trip, and not too old.

        longest: a plan is made again when it is older.
        """
        of_hour = self.made_at.replace(minute=0, second=0, microsecond=0) + HOUR
        until = of_hour if self.until is None else min(self.until, of_hour)
        return min(until - timedelta.resolution, self.made_at + longest)

    def quiet_until(self, longest: timedelta) -> datetime | None:
        """The same for a plan before its departure. Afterwards None: what to send is decided in each cycle."""
        return None if self.until is None else self.last_moment(longest)


def standing_of(trip: TripRequest, inputs: TripInput, plan: Plan) -> Standing | None:
    """The bounds of a plan; None for one that time changes. inputs: what the plan was made of."""
    if not _is_timeless(trip, inputs, plan):
        return None
    moments = [plan.depart_at, *(x.departure.depart_at for x in plan.picks)]
    moments += [] if plan.leave_by is None else [plan.leave_by.at]
    age_h = max((s.age_h for s in plan.sources), default=0.0)
    until = None if plan.depart_at < plan.made_at else min(moments)
    stop_ids = frozenset(stretch.chain_up.stop_id for stretch in plan.stretches) - {""}
    return Standing(made_at=plan.made_at, until=until, age_h=age_h, stop_ids=stop_ids)


def _is_timeless(trip: TripRequest, inputs: TripInput, plan: Plan) -> bool:
    """Whether time changes nothing in a plan but its age. What is unknown or reported has hours of its own."""
    on_road = inputs.closures or inputs.posted.spans or inputs.posted.notes or inputs.seen
    truck = inputs.fix or inputs.chains or inputs.hanging or inputs.arrived_at or inputs.stood or inputs.position_notes
    stale = any(s.stale for s in plan.sources)
    return not (on_road or truck or trip.other_routes or plan.partial or plan.posted_missing or plan.days or stale)

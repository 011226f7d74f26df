"""What one plan is made from, as values: the same for a plan made now and for one made again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from alertd.plan.closures import Closure
from alertd.plan.explain import explain
from alertd.plan.explained import Explained
from alertd.plan.hours import HoursUsed
from alertd.plan.make import TripInput, make_plan
from alertd.plan.params import PlanParams
from alertd.plan.posted import PostedOnRoute
from alertd.plan.result import Plan
from alertd.plan.whereabouts import Whereabouts
from alertd.route.line import Route
from alertd.rules.law import RuleSet
from alertd.rules.rig import Rig
from alertd.service.warnings import Warned
from alertd.service.weather import Fetched, Window
from alertd.sources.roadfile import RoadSettings
from alertd.sources.tripfile import TripRequest

# How long a trip may last at most, for the forecast window: a chained truck at 27 mph, and four hours of standing.
SLOWEST_MPS = 12.0
STANDING = timedelta(hours=4)


def window_of(route: Route, departs: tuple[datetime, datetime], now_utc: datetime, params: PlanParams) -> Window:
    """The hours that trips leaving between two moments, or at another that is compared, may be on this route."""
    longest = timedelta(seconds=route.length_m / SLOWEST_MPS) + STANDING
    first, last = (at.astimezone(UTC) for at in departs)
    if last >= now_utc:
        last = max(last, now_utc + timedelta(hours=params.compare_h))
    return Window(start=first, end=last + longest, now=now_utc)


def trip_input(
    trip: TripRequest, seen: Whereabouts, posted: Sequence[Closure], warned: Warned, controls: PostedOnRoute
) -> TripInput:
    return TripInput(
        id=trip.id,
        depart_at=seen.depart_at,
        fix=seen.fix,
        position_notes=seen.notes,
        stood=seen.stood,
        chains=seen.chains,
        arrived_at=seen.arrived_at,
        closures=(*posted, *warned.closures),
        warnings_known=warned.known,
        posted=controls,
        driver=trip.driver,
        dispatcher=trip.dispatcher,
        language=trip.language,
        used=HoursUsed(
            drive_h=trip.drive_hours_used,
            on_duty_since=trip.duty_began_at,
            cycle_h=trip.cycle_hours_used,
            cycle_limit_h=float(trip.cycle_limit_h),
            since_break_h=trip.driven_since_break_h,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Making:
    """Everything one plan is made from, as values."""

    trip: TripInput
    route: Route
    rig: Rig
    rulesets: Mapping[str, RuleSet]
    fetched: Fetched
    road: RoadSettings
    params: PlanParams
    now_utc: datetime

    def plan(self) -> Plan:
        return make_plan(
            self.trip, self.route, self.rig, self.rulesets, self.fetched.weather, self.params, self.now_utc
        )

    def explained(self, plan: Plan, at_m: float | None = None) -> tuple[Explained, ...]:
        """How `plan`, made of this, came about; see `plan.explain`."""
        return explain(
            plan,
            self.trip,
            self.route,
            self.rig,
            self.rulesets,
            self.fetched.weather,
            self.fetched.told,
            self.params,
            air=self.road.air,
            at_m=at_m,
        )

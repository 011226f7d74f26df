"""What one plan is made from, as values: the same for a plan made now and for one made again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from alertd.plan.controls.closures import Closure
from alertd.plan.controls.placement import PostedOnRoute
from alertd.plan.explain.explain import explain
from alertd.plan.explain.model import Explanation
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import TripInput, make_plan
from alertd.plan.model import Plan
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import TripPosition
from alertd.planning.warnings import RouteWarnings
from alertd.planning.weather import FetchedWeather, Window
from alertd.route.model import Route
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.road import RoadSettings
from alertd.sources.files.trips import TripRequest

# How long a trip may last at most, for the forecast window: a chained truck at 27 mph, and four hours of standing.
MIN_SPEED_MPS = 12.0
STANDING_ALLOWANCE = timedelta(hours=4)


def window_of(route: Route, departs: tuple[datetime, datetime], now_utc: datetime, params: PlanParams) -> Window:
    """The hours that trips leaving between two moments, or at another that is compared, may be on this route."""
    longest = timedelta(seconds=route.length_m / MIN_SPEED_MPS) + STANDING_ALLOWANCE
    first, last = (at.astimezone(UTC) for at in departs)
    if last >= now_utc:
        last = max(last, now_utc + timedelta(hours=params.compare_h))
    return Window(start=first, end=last + longest, now=now_utc)


def trip_input(
    trip: TripRequest, position: TripPosition, posted: Sequence[Closure], warned: RouteWarnings, controls: PostedOnRoute
) -> TripInput:
    return TripInput(
        id=trip.id,
        depart_at=position.depart_at,
        fix=position.fix,
        position_notes=position.notes,
        stood=position.stood,
        chains=position.chains,
        arrived_at=position.arrived_at,
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
class PlanInputs:
    """Everything one plan is made from, as values."""

    trip: TripInput
    route: Route
    rig: Rig
    rulesets: Mapping[str, RuleSet]
    fetched: FetchedWeather
    road: RoadSettings
    params: PlanParams
    now_utc: datetime

    def plan(self) -> Plan:
        return make_plan(
            self.trip, self.route, self.rig, self.rulesets, self.fetched.weather, self.params, self.now_utc
        )

    def explain(self, plan: Plan, at_m: float | None = None) -> tuple[Explanation, ...]:
        """How `plan`, made of this, came about; see `plan.explain.explain`."""
        return explain(
            plan,
            self.trip,
            self.route,
            self.rig,
            self.rulesets,
            self.fetched.weather,
            self.fetched.source_forecasts,
            self.params,
            air=self.road.air,
            at_m=at_m,
        )

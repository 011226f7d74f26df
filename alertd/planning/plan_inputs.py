"""The inputs of a plan as values, built the same way for the planner, a replay and an explanation."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from alertd.forecast.model import Forecast
from alertd.plan.controls.closures import Closure, place_closures
from alertd.plan.controls.placement import PostedOnRoute, place_posted, posted_closures
from alertd.plan.controls.road_seen import SeenOnRoute, phases_of, place_seen
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.model.days import DeliveryWindow, TripStop
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import TripPosition
from alertd.plan.request import PlanRequest, TripInput
from alertd.planning.road_reports import RoadReports
from alertd.planning.weather import FetchedWeather, SourceAnswers, WeatherSources, Window, compute_weather
from alertd.road.downscale import AirParams
from alertd.route.model import Route
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import TripRequest

if TYPE_CHECKING:
    from alertd.plan.explain.model import Explanation

# How long a trip may last at most, for the forecast window: a chained truck at 27 mph, and four hours of standing.
MIN_SPEED_MPS = 12.0
STOP_ALLOWANCE = timedelta(hours=4)
# A trip of several days rests for each so much road, 9 h at 49 mph [A], and may wait for a storm to end then.
DAY_M = 700_000.0
NIGHT_ALLOWANCE = timedelta(hours=16)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RouteContext:
    """What the plans of all trips on one route have in common, and the position of each truck by trip id.

    closures: on the route, those that road authorities posted included. posted: their controls on the route.
    seen: what drivers saw of it.
    """

    route: Route
    now_utc: datetime
    positions: Mapping[str, TripPosition]
    fetched: FetchedWeather
    closures: tuple[Closure, ...]
    posted: PostedOnRoute
    seen: tuple[SeenOnRoute, ...]
    reference: ReferenceData
    air: AirParams
    params: PlanParams


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanInputs:
    """The request of a plan, and what only an explanation of it needs: see `plan.explain.explain`."""

    request: PlanRequest
    source_forecasts: tuple[Forecast, ...]
    air: AirParams

    def explain(self, plan: Plan, at_m: float | None = None) -> "tuple[Explanation, ...]":
        """How `plan`, made of this request, came about."""
        from alertd.plan.explain.explain import explain  # few plans are explained

        return explain(plan, self.request, self.source_forecasts, air=self.air, at_m=at_m)


def window_of(route: Route, departs: tuple[datetime, datetime], now_utc: datetime, params: PlanParams) -> Window:
    """The hours on this route of trips that leave between two moments, or at another that is compared."""
    longest = timedelta(seconds=route.length_m / MIN_SPEED_MPS) + STOP_ALLOWANCE
    longest += int(route.length_m // DAY_M) * NIGHT_ALLOWANCE
    first, last = (at.astimezone(UTC) for at in departs)
    if last >= now_utc:
        last = max(last, now_utc + timedelta(hours=params.compare_h))
    return Window(start=first, end=last + longest, now=now_utc)


def build_context(
    answers: SourceAnswers,
    positions: Mapping[str, TripPosition],
    road_reports: RoadReports,
    reference: ReferenceData,
    weather_sources: WeatherSources,
    params: PlanParams,
) -> RouteContext:
    """Compute the road field of a route and place on it what is posted. Pure: no network, file or clock."""
    route, now_utc = answers.route, answers.window.now
    posted = place_posted(route, road_reports.controls, reference.rulesets, now_utc, params)
    seen = place_seen(route, road_reports.seen)
    return RouteContext(
        route=route,
        now_utc=now_utc,
        positions=positions,
        fetched=compute_weather(answers, weather_sources, phases_of(seen, route)),
        closures=(*place_closures(route, road_reports.closures), *posted_closures(posted)),
        posted=posted,
        seen=seen,
        reference=reference,
        air=weather_sources.road.air,
        params=params,
    )


def build_plan_inputs(trip: TripRequest, context: RouteContext) -> PlanInputs:
    """The inputs of one trip's plan. Raises InputError for a rig that is not known."""
    return PlanInputs(
        request=PlanRequest(
            trip=_trip_input(trip, context),
            route=context.route,
            rig=context.reference.rig(trip.rig, f"trip {trip.id}"),
            rulesets=context.reference.rulesets,
            weather=context.fetched.weather,
            params=context.params,
            now_utc=context.now_utc,
            practices=context.reference.practices,
        ),
        source_forecasts=context.fetched.source_forecasts,
        air=context.air,
    )


def _delivery(trip: TripRequest) -> DeliveryWindow | None:
    opens, closes = trip.delivery_opens_at, trip.delivery_closes_at
    return None if opens is None and closes is None else DeliveryWindow(opens_at=opens, closes_at=closes)


def _trip_input(trip: TripRequest, context: RouteContext) -> TripInput:
    position, warnings = context.positions[trip.id], context.fetched.warnings
    return TripInput(
        id=trip.id,
        depart_at=position.depart_at,
        fix=position.fix,
        position_notes=position.notes,
        stood=position.stood,
        chains=position.chains,
        hanging=position.hanging,
        sent_stops=position.sent_stops,
        arrived_at=position.arrived_at,
        closures=(*context.closures, *warnings.closures),
        warnings_known=warnings.known,
        posted=context.posted,
        seen=context.seen,
        driver=trip.driver,
        dispatcher=trip.dispatcher,
        language=trip.language,
        delivery=_delivery(trip),
        stops=tuple(
            TripStop(
                name=x.name,
                lat_deg=x.lat_deg,
                lon_deg=x.lon_deg,
                opens_at=x.opens_at,
                closes_at=x.closes_at,
                service_s=60.0 * x.service_min,
            )
            for x in trip.stops
        ),
        used=HoursUsed(
            drive_h=trip.drive_hours_used,
            on_duty_since=trip.duty_began_at,
            cycle_h=trip.cycle_hours_used,
            cycle_limit_h=float(trip.cycle_limit_h),
            since_break_h=trip.driven_since_break_h,
            week_drive_h=trip.week_drive_hours_used,
            fortnight_drive_h=trip.fortnight_drive_hours_used,
            short_rests=trip.short_rests_used,
            long_days=trip.long_days_used,
            weekly_rest_ended_at=trip.weekly_rest_ended_at,
            weekly_rest_reduced=trip.weekly_rest_reduced,
        ),
    )

"""The drive that a plan describes: the rest of the route from the last position, and the best solution for it."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from alertd.plan.chain_up.solution import Solution, best_solution
from alertd.plan.controls.overlay import with_posted
from alertd.plan.days.days_plan import plan_days
from alertd.plan.days.place_rests import DaysAsk, DaysSolution
from alertd.plan.days.trip_stops import orders_on
from alertd.plan.model.notes import PositionFix
from alertd.plan.params import PlanParams
from alertd.plan.position.remaining_trip import RemainingTrip, remaining_trip
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.road_ahead.hourly_need import HourlyNeed, hourly_need_for
from alertd.plan.road_ahead.wind import wind_hours
from alertd.route.model import zone_at
from alertd.rules.law_on import law_on


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemainingDrive:
    """The rest of the route, and the best solution for it."""

    remaining: RemainingTrip
    solution: Solution
    days: DaysSolution | None = None


def in_force(request: PlanRequest) -> PlanRequest:
    """The request with the law of the local day of departure."""
    zone = zone_at(float(request.route.lat_deg[0]), float(request.route.lon_deg[0]))
    rulesets = law_on(request.rulesets, request.trip.depart_at.astimezone(ZoneInfo(zone)).date())
    return request if rulesets is request.rulesets else replace(request, rulesets=rulesets)


def plan_drive(request: PlanRequest) -> RemainingDrive:
    """The drive that a plan describes, from the last reported position."""
    request = in_force(request)
    trip, params, now_utc = request.trip, request.params, request.now_utc
    rest = remaining_trip(
        request.route, trip.depart_at.astimezone(UTC), _fix(trip, now_utc, params), request.weather.corridor, params,
        now_utc, trip.stood,
    )  # fmt: skip
    since = trip.fix.at if trip.fix is not None and trip.fix.old else None
    from_epoch_s = min(rest.leave_at, now_utc, *([since] if since else [])).timestamp()
    hourly_need = hourly_need_for(
        rest.route, request.rig, request.rulesets, rest.corridor, params, from_epoch_s, request.practices
    )
    if trip.posted.spans:
        hourly_need = with_posted(hourly_need, trip.posted.spans, params)
    on = trip.chains if trip.chains is not None and trip.chains.counts and trip.arrived_at is None else None
    since_epoch_s = since.timestamp() if since is not None and since < rest.leave_at else None

    def solve(need: HourlyNeed, later_s: float = 0.0) -> Solution:
        depart_epoch_s, sent = rest.leave_at.timestamp() + later_s, trip.sent_stops
        if trip.fix is not None or on is not None:  # the drive of this truck alone
            return best_solution(need, depart_epoch_s, params, on, since_epoch_s, sent)
        return need.shared.answer(
            "solution",
            (depart_epoch_s, params, sent),
            lambda: best_solution(need, depart_epoch_s, params, sent_stops=sent),
        )

    solution = solve(hourly_need)
    if trip.arrived_at is not None:
        return RemainingDrive(remaining=rest, solution=solution)
    stops = orders_on(request.route, trip.stops).ahead_of(float(rest.route.distance_m[0]))
    wind = wind_hours(request.weather.forecast, hourly_need, params)
    ask = DaysAsk(used=trip.used, depart_at=rest.depart_at, params=params, before=rest.before, wind=wind, stops=stops)
    days = plan_days(solution, solve, ask, trip.delivery)
    return RemainingDrive(remaining=rest, solution=solution if days is None else days.solution, days=days)


def _fix(trip: TripInput, now_utc: datetime, params: PlanParams) -> PositionFix | None:
    """The position to plan from. While chains are being hung it is as old as the work, which the plan begins there."""
    fix, hanging = trip.fix, trip.hanging
    if fix is None or hanging is None:
        return fix
    latest = max(fix.at, now_utc) if fix.old else fix.at
    return replace(fix, at=min(latest, hanging.begins_at(latest, params.hang_min_s)), old=False)

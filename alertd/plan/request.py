"""The inputs of one plan: the trip, the weather with its road field, and what both are planned with."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from alertd.forecast.model import Forecast
from alertd.forecast.past import PastWeather
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.hanging import HangingNow
from alertd.plan.controls.closures import Closure
from alertd.plan.controls.placement import PostedOnRoute
from alertd.plan.controls.road_seen import SeenOnRoute
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.model.days import DeliveryWindow, TripStop
from alertd.plan.model.notes import PositionFix
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import Stood
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.route.model import Route
from alertd.rules.practice import Practice
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class TripInput:
    """A trip: its people, its departure (aware), the hours the driver has used, and the state of the truck and route.

    fix: last reported position, from which the plan starts. position_notes: cautions about it. stood: earlier
    stops. chains: those reported on. hanging: in progress. arrived_at: None for a truck that has not arrived.
    closures: closed roads and weather warnings on the route. warnings_known: whether all of the latter are among
    them. posted: controls of road authorities on the route. seen: what drivers saw of the road. language: of the
    driver's texts, "" for the operator's choice. delivery: when the customer takes the load. stops: as ordered.
    """

    id: str
    depart_at: datetime
    driver: str = ""
    dispatcher: str = ""
    used: HoursUsed = field(default_factory=HoursUsed)
    fix: PositionFix | None = None
    position_notes: tuple[str, ...] = ()
    stood: tuple[Stood, ...] = ()
    chains: ChainsOn | None = None
    hanging: HangingNow | None = None
    arrived_at: datetime | None = None
    closures: tuple[Closure, ...] = ()
    warnings_known: bool = False
    posted: PostedOnRoute = field(default_factory=PostedOnRoute)
    seen: tuple[SeenOnRoute, ...] = ()
    sent_stops: frozenset[str] = frozenset()
    language: str = ""
    delivery: DeliveryWindow | None = None
    stops: tuple[TripStop, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """The forecast, the corridor computed from it, and notes of its sources and of the physics.

    remarks: on its inputs, for the office. doubt: why a road that looks bare may not be. past: what each past hour
    rests on, None where not known.
    """

    forecast: Forecast
    corridor: Corridor
    notes: tuple[str, ...] = ()
    partial: bool = False
    remarks: tuple[str, ...] = ()
    doubt: str = ""
    past: PastWeather | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PlanRequest:
    """The inputs of one plan.

    rulesets: by ISO 3166-2 code; a jurisdiction without one is planned on grip, with the chains that its
    strictest neighbour asks, and `cautions` say so. now_utc: aware. practices: what the company asks besides the law.
    """

    trip: TripInput
    route: Route
    rig: Rig
    rulesets: Mapping[str, RuleSet]
    weather: Weather
    params: PlanParams
    now_utc: datetime
    practices: tuple[Practice, ...] = ()

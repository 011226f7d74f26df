"""One trip at one moment: from route, rig, law and road field to a plan. Same inputs, same plan, byte for byte."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.series import Forecast
from alertd.plan.hours import HoursUsed
from alertd.plan.hours_note import hours_note
from alertd.plan.need import place_laws, stretch_probability
from alertd.plan.notes import carry_notes, cautions, rule_notes, source_notes
from alertd.plan.params import PlanParams
from alertd.plan.record import with_id
from alertd.plan.result import Advice, AlongPoint, Plan, PositionFix, Stretch
from alertd.plan.run import Corridor, Run, settle
from alertd.plan.stretch import describe
from alertd.plan.underway import rest_of
from alertd.road.state import WINTER_CLASSES, RoadClass
from alertd.route.line import Route
from alertd.route.timezone import zone_at
from alertd.rules.law import RuleSet
from alertd.rules.rig import Rig

Array: TypeAlias = NDArray[np.float64]

ALONG_SPACING_M = 1_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TripInput:
    """Who drives what, when, and what was used of the driver's hours before. `depart_at` is aware.

    fix: where the truck was last seen, to count from there; position_notes: what must be said of where it was seen.
    """

    id: str
    depart_at: datetime
    driver: str = ""
    dispatcher: str = ""
    used: HoursUsed = field(default_factory=HoursUsed)
    fix: PositionFix | None = None
    position_notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """The forecast, the corridor computed from it, and what its sources and physics want said."""

    forecast: Forecast
    corridor: Corridor
    notes: tuple[str, ...] = ()
    partial: bool = False


def make_plan(
    trip: TripInput,
    route: Route,
    rig: Rig,
    rulesets: Mapping[str, RuleSet],
    weather: Weather,
    params: PlanParams,
    now_utc: datetime,
) -> Plan:
    """Plan one trip.

    `rulesets` by ISO 3166-2 code; a jurisdiction without one is planned on grip and common practice, and that is said
    in `cautions`. Raises ValueError when times are naive.
    """
    if trip.depart_at.utcoffset() is None or now_utc.utcoffset() is None:
        raise ValueError("departure and now must be aware")
    depart_zone, arrive_zone = (zone_at(float(route.lat_deg[i]), float(route.lon_deg[i])) for i in (0, -1))
    rest = rest_of(route, trip.depart_at.astimezone(UTC), trip.fix, weather.corridor, params)
    laws = rest.laws(place_laws(route, rulesets, rig))
    route, leave = rest.route, rest.leave_at.astimezone(UTC)  # from here on the way still ahead
    run = settle(leave.timestamp(), route, rig, laws, rest.corridor, params)
    stretches = tuple(describe(x, run, route, rig, leave.timestamp(), params) for x in run.legs)
    taken_s = float(run.reach_s(route.distance_m, route.length_m))
    early, late = (datetime.fromtimestamp(round(float(np.quantile(run.arrivals[:, -1], q))), UTC) for q in (0.1, 0.9))
    arrive_at = leave + timedelta(seconds=round(taken_s))
    carry = carry_notes(laws, rig, leave, max(arrive_at, late), (depart_zone, arrive_zone))
    hangings = [s.hanging for s in stretches]
    sources = source_notes(weather.forecast, now_utc, params)
    rules = rule_notes(laws, leave.date())
    known_at = weather.forecast.issued_at or weather.forecast.fetched_at if weather.forecast.provider else None
    hours = hours_note(route, run, trip.used, rest.depart_at, late, known_at, params, rest.driven_s)
    partial = weather.partial or any(s.stale for s in sources) or bool(run.need.unknown.any())
    plan = Plan(
        id="",
        trip_id=trip.id,
        made_at=now_utc.astimezone(UTC),
        route_name=route.name,
        route_length_m=route.length_m,
        rig_id=rig.id,
        rig_name=rig.name,
        driver=trip.driver,
        dispatcher=trip.dispatcher,
        depart_at=rest.depart_at,
        depart_zone=depart_zone,
        arrive_zone=arrive_zone,
        advice=_advice(stretches, partial=partial),
        stretches=stretches,
        arrive_at=arrive_at,
        arrive_early=early,
        arrive_late=late,
        arrive_unhindered=leave + timedelta(seconds=round(run.unhindered_s)),
        cost_s=taken_s - run.unhindered_s,
        singles_needed=max((h.singles_n for h in hangings), default=0),
        singles_carried=rig.singles_carried,
        doubles_carried=rig.doubles_carried,
        singles_short=max([h.singles_short for h in hangings] + [c.singles_short for c in carry if c.certain] + [0]),
        carry=carry,
        sources=sources,
        rules=rules,
        cautions=(
            *trip.position_notes,
            *cautions(route, laws, run.need, run.settled, run.later_road, sources, rules, carry),
            *weather.notes,
        ),
        partial=partial,
        members_n=int(run.state.mu.shape[0]),
        chain_probability=stretch_probability(run.need.need, 0, route.distance_m.size - 1),
        along=_along(route, run, leave.timestamp()),
        hours=hours,
        position=trip.fix,
    )
    return with_id(plan)


def _advice(stretches: tuple[Stretch, ...], *, partial: bool) -> Advice:
    """The strictest of the trip; never clear on a forecast that is missing or old, or with any of the road unknown."""
    least = Advice.READY if partial else Advice.CLEAR
    return max((least, *(s.advice for s in stretches)), key=lambda a: a.rank)


def _along(route: Route, run: Run, depart_epoch_s: float) -> tuple[AlongPoint, ...]:
    """The route thinned to about a kilometre, with what most members meet there."""
    step = max(1, round(ALONG_SPACING_M / float(np.diff(route.distance_m).mean())))
    classes = run.state.road_class
    counts = np.stack([(classes == c).mean(axis=0) for c in RoadClass])
    likely, share = counts.argmax(axis=0), counts.max(axis=0)
    winter = np.isin(classes, WINTER_CLASSES).mean(axis=0)
    need = run.need.need_frac
    air, surface = (np.median(a, axis=0) for a in (run.state.air_temp_c, run.state.surface_temp_c))
    names = [c.label for c in RoadClass]
    reached_s = run.reach_s(route.distance_m, route.distance_m)
    return tuple(
        AlongPoint(
            distance_m=float(route.distance_m[i]),
            elevation_m=float(route.elevation_m[i]),
            arrive_at=datetime.fromtimestamp(round(depart_epoch_s + float(reached_s[i])), UTC),
            surface=names[likely[i]],
            surface_frac=float(share[i]),
            winter_frac=float(winter[i]),
            need_frac=float(need[i]),
            air_temp_c=float(air[i]),
            surface_temp_c=float(surface[i]),
        )
        for i in range(0, route.distance_m.size, step)
    )

"""Synthetic routes, rigs, rules and pavement for tests: small, complete, without a forecast."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.notices.policy import Policy
from alertd.plan.model.stretches import SurfaceStretch
from alertd.plan.request import Weather
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.road.corridor import MemberQuantiles, RoadCells, RoadField
from alertd.road.road_class import RoadClass
from alertd.route.bridges import on_bridges
from alertd.route.model import BridgeSpan, JurisdictionSpan, Route, Summit
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.rules.clause import Confidence
from alertd.rules.duties import CarryRule, Season
from alertd.rules.rig import Axle, AxleRole, Rig
from alertd.rules.rig_class import RigClass
from alertd.rules.ruleset import ControlLevel, Demand, Placement, PostingEstimate, RuleSet
from alertd.units import HORSEPOWER_W, HOUR_S, POUND_KG, to_mps

Array: TypeAlias = NDArray[np.float64]
# Road classes from member (member, 1, 1), distance_m (1, sample, 1) and hour of the field (1, 1, hour), broadcast.
Script: TypeAlias = Callable[[NDArray[np.int64], Array, NDArray[np.int64]], ArrayLike]

MIDNIGHT = datetime(2027, 1, 14, tzinfo=UTC)
M_PER_DEG_LON = 75_200.0  # at 47.45 north


def make_route(
    length_m: float = 60_000.0,
    *,
    grade: ArrayLike = 0.0,
    stops: Sequence[RouteStop] = (),
    summits: Sequence[Summit] = (),
    spans: Sequence[tuple[str, float, float]] = (),
    bridges: Sequence[BridgeSpan] = (),
    start_lon_deg: float = -116.5,
    eastward: bool = True,
    spacing_m: float = 250.0,
) -> Route:
    """Return a straight road along 47.45 north. `spans` are (code, start_m, end_m); default one "US-XX" span."""
    d = np.arange(0.0, length_m + spacing_m / 2.0, spacing_m)
    slope = np.array(np.broadcast_to(np.asarray(grade, dtype=np.float64), d.shape))
    ends = spans or [("US-XX", 0.0, float(d[-1]))]
    return Route(
        name="a made road",
        lat_deg=np.full(d.shape, 47.45),
        lon_deg=start_lon_deg + (1.0 if eastward else -1.0) * d / M_PER_DEG_LON,
        distance_m=d,
        elevation_m=900.0 + np.concatenate(([0.0], np.cumsum(slope[1:] * np.diff(d)))),
        grade=slope,
        bearing_deg=np.full(d.shape, 90.0 if eastward else 270.0),
        summits=tuple(summits),
        jurisdictions=tuple(JurisdictionSpan(code=c, name=f"Land of {c}", start_m=a, end_m=b) for c, a, b in ends),
        stops=tuple(sorted(stops, key=lambda s: s.distance_m)),
        bridges=tuple(bridges),
    )


def make_stop(
    id_: str,
    at_m: float,
    *,
    kind: StopKind = StopKind.TRUCK_STOP,
    spaces: int | None = 20,
    name: str = "",
    milepost: str = "",
) -> RouteStop:
    """Return an invented stop on the synthetic road."""
    stop = Stop(
        id=id_,
        name=name or f"Stop {id_}",
        kind=kind,
        lat_deg=47.45,
        lon_deg=-116.5 + at_m / M_PER_DEG_LON,
        spaces=spaces,
        milepost=milepost,
        invented=True,
    )
    return RouteStop(stop=stop, distance_m=at_m, offset_m=10.0)


def make_rig(*, singles: int = 8, doubles: int = 0) -> Rig:
    """Two drive axles and a tandem van at 80,000 lb: 12,000 steer, 34,000 drive, 34,000 trailer (23 CFR 658.17)."""
    pounds = [(0, AxleRole.STEER, False, 12_000.0)]
    pounds += [(0, AxleRole.DRIVE, True, 17_000.0)] * 2 + [(1, AxleRole.TRAILER, True, 17_000.0)] * 2
    axles = tuple(Axle(unit=u, role=r, dual=dual, load_kg=lb * POUND_KG) for u, r, dual, lb in pounds)
    return Rig(
        id="made",
        name="Made rig",
        axles=axles,
        gross_mass_kg=80_000 * POUND_KG,
        rated_mass_kg=80_000 * POUND_KG,
        power_w=450 * HORSEPOWER_W,
        singles_carried=singles,
        doubles_carried=doubles,
    )


SNOWY = (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.ICE, RoadClass.GLAZE)


def make_rules(
    code: str = "US-XX",
    *,
    chance: float = 0.6,
    classes: Sequence[RoadClass] = SNOWY,
    speed_limit_mps: float | None = None,
    season: Season | None = None,
    barred: str = "",
    trigger: Literal["posted", "road"] = "road",
) -> RuleSet:
    """Rules with one level, "chains required": outside duals of both drive axles.

    `chance`: the level's estimated probability on `classes`. trigger: "road" for exactly that probability wherever and
    while the road is of these classes; "posted" for a sign, whose odds have a history.
    """
    demand = Demand(
        rig_class=RigClass(),
        layouts=((Placement(group="drive", axles="all", per_axle="each side", place="outside"),),),
        section="made 1",
        confidence=Confidence.MEMORY,
        barred=barred,
    )
    level = ControlLevel(
        id="chains",
        legal_name="Chains required",
        rank=1,
        demands=(demand,),
        speed_limit_mps=speed_limit_mps,
        speed_section="made 2" if speed_limit_mps else "",
        trigger=trigger,
    )
    carry = CarryRule(
        season=season or Season(start=(1, 1), end=(1, 1)),
        rig_class=RigClass(),
        zones=(),
        enough_for_level="chains",
        spare_singles=0,
        section="made 3",
        confidence=Confidence.MEMORY,
    )
    return RuleSet(
        jurisdiction=code,
        name=f"Land of {code}",
        citation="made code",
        text_date=date(2026, 7, 1),
        reviewed_on=date(2026, 9, 1),
        review_by=date(2027, 9, 1),
        levels=(level,),
        carry=(carry,) if season else (),
        estimates=(PostingEstimate(level="chains", road_classes=tuple(map(int, classes)), probability=chance),),
    )


def make_weather(
    route: Route,
    script: Script,
    *,
    members: int = 10,
    hours: int = 36,
    first_hour: datetime = MIDNIGHT,
    clock_z: ArrayLike = 0.0,
    friction: ArrayLike = 0.5,
    issued_at: datetime | None = MIDNIGHT,
    notes: tuple[str, ...] = (),
    partial: bool = False,
    samples_a_column: int = 1,
    deck: Script | None = None,
    snow_mmwe: ArrayLike = 5.0,
    snowfall_mmwe_h: ArrayLike = 0.0,
    wind_mps: ArrayLike = 3.0,
) -> Weather:
    """Pavement by script, one column per sample, so the state at each hour and member is known exactly.

    samples_a_column: more than 1 where samples share a forecast cell and elevation band. deck: road classes of the
    decks of the route's bridges; default those of `script`. snow_mmwe, snowfall_mmwe_h: snow on the road and snowfall
    rate where `script` has snow, broadcast over (member, column, hour). wind_mps: the same, everywhere.
    """
    member, hour = np.arange(members)[:, None, None], np.arange(hours)[None, None, :]
    firsts = np.arange(0, route.distance_m.size, samples_a_column)
    on_deck = np.flatnonzero(on_bridges(route.distance_m, route.bridges)) if deck is not None else firsts[:0]

    def pavement(classes: Script, at: NDArray[np.int64]) -> NDArray[np.int8]:
        states = classes(member, route.distance_m[None, at, None], hour)
        return np.array(np.broadcast_to(states, (members, at.size, hours)), dtype=np.int8)

    road_class = pavement(script, firsts)
    if deck is not None:
        road_class = np.concatenate((road_class, pavement(deck, on_deck)), axis=1)
    known = np.where(road_class == RoadClass.UNKNOWN, np.nan, 1.0).astype(np.float32)
    white = np.isin(road_class, [int(c) for c in (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.SLUSH)])
    every = np.full(members, 0.5)
    field = RoadField(
        first_epoch_s=first_hour.timestamp(),
        road_class=road_class,
        grip_class=road_class.copy(),
        untouched_class=road_class.copy(),
        surface_temp_c=-2.0 * known,
        air_temp_c=-3.0 * known,
        water_mmwe=0.0 * known,
        snow_mmwe=np.where(white, snow_mmwe, 0.0).astype(np.float32) * known,
        ice_mmwe=0.0 * known,
        snowfall_mmwe_h=np.where(white, snowfall_mmwe_h, 0.0).astype(np.float32) * known,
        wind_mps=np.broadcast_to(np.asarray(wind_mps, dtype=np.float32), road_class.shape) * known,
        quantiles=MemberQuantiles(
            phase=every.copy(),
            phase_model=every.copy(),
            friction=np.array(np.broadcast_to(np.asarray(friction, dtype=np.float64), (members,))),
            height_z=np.zeros(members),
            service=np.ones(members),
        ),
        untouched=np.ones(members, dtype=np.bool_),
        notes=(),
    )
    of_column = np.concatenate((firsts, on_deck))
    beside = np.arange(route.distance_m.size) // samples_a_column
    own = beside.copy()
    own[on_deck] = firsts.size + np.arange(on_deck.size)
    cells = RoadCells(
        cell_idx=np.zeros(of_column.size, dtype=np.int64),
        lat_deg=route.lat_deg[of_column],
        lon_deg=route.lon_deg[of_column],
        elevation_m=route.elevation_m[of_column],
        is_deck=np.arange(of_column.size) >= firsts.size,
        column_of_sample=own,
        beside_of_sample=beside,
    )
    late = np.array(np.broadcast_to(np.asarray(clock_z, dtype=np.float64), (members,)))
    return Weather(
        forecast=_forecast(issued_at),
        corridor=Corridor(cells=cells, field=field, clock_z=late),
        notes=notes,
        partial=partial,
    )


def make_surface(
    *, icy: bool = True, chains_asked: bool = False, start_m: float = 0.0, end_m: float = 60e3, enter_h: float = 6.0
) -> SurfaceStretch:
    """Return a stretch of winter road, met at `enter_h` of the synthetic field and two hours long.

    The surface is glaze, or frost when `icy` is False.
    """
    return SurfaceStretch(
        start_m=start_m,
        end_m=end_m,
        place="",
        jurisdictions=("US-XX",),
        zone="America/Denver",
        enter_at=at_hour(enter_h),
        leave_at=at_hour(enter_h + 2.0),
        icy=icy,
        chains_asked=chains_asked,
        probability=0.9,
        unknown_frac=0.0,
        surfaces=(("glaze" if icy else "rime", 0.9),),
        speed_mps=to_mps(15.0 if icy else 31.0),
        speed_because="made",
    )


def at_hour(hour: float) -> datetime:
    """Return the time `hour` hours after the start of the synthetic field, which is midnight UTC."""
    return MIDNIGHT + timedelta(seconds=hour * HOUR_S)


def _forecast(issued_at: datetime | None) -> Forecast:
    no_data: dict[str, Any] = {n: np.full((1, 1, 1), np.nan) for n in WEATHER_FIELDS if n != "precip_form"}
    return Forecast(
        provider="made",
        licence="none needed",
        issued_at=issued_at,
        fetched_at=MIDNIGHT,
        start=MIDNIGHT,
        lat_deg=np.zeros(1),
        lon_deg=np.zeros(1),
        elevation_m=np.zeros(1),
        precip_form=np.zeros((1, 1, 1), dtype=np.int8),
        **no_data,
    )


# Reports every change without delay, quiet hours or rate limit.
IMMEDIATE_POLICY: Final = Policy(
    ease_after=timedelta(0),
    least_gap=timedelta(0),
    chain_cleared_probability=2.0,
    chain_cleared_worth=9.0,
    ready_cleared_probability=2.0,
    driver_most_an_hour=1000,
    before_rolling=timedelta(days=30),
    soon=timedelta(days=30),
    digest_every=timedelta(0),
    repeated_after=timedelta(hours=2),
    quiet_from=time(0),
    quiet_to=time(0),
)

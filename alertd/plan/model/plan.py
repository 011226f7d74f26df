"""Defines the plan as values: every number traceable to its input, times in UTC, lengths in metres."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from alertd.plan.model.alternatives import ArrivalPair, Departure, DeparturePick, LeaveBy, OtherRoute
from alertd.plan.model.days import DaysNote, DeliveryNote
from alertd.plan.model.law import LandLaw, LawChangeNote
from alertd.plan.model.notes import (
    BridgeNote,
    CarryNote,
    ClosureNote,
    HoldNote,
    HoursNote,
    PositionFix,
    PostedNote,
    RuleNote,
    SourceNote,
)
from alertd.plan.model.stretches import Advice, ChainsNote, Stretch, SurfaceStretch


class AlongPoint(NamedTuple):
    """The route at one place: likely class, its share, and the probability of winter surface and of needing chains."""

    distance_m: float
    elevation_m: float
    arrive_at: datetime
    surface: str
    surface_frac: float
    winter_frac: float
    need_frac: float
    air_temp_c: float
    surface_temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """The route about every kilometre, for pictures and tracing; one column per quantity, so that it stays small.

    begins_at: when the truck is at the first place.
    reach_s: seconds after `begins_at`.
    """

    begins_at: datetime
    distance_m: tuple[float, ...] = ()
    elevation_m: tuple[float, ...] = ()
    reach_s: tuple[float, ...] = ()
    surface: tuple[str, ...] = ()
    surface_frac: tuple[float, ...] = ()
    winter_frac: tuple[float, ...] = ()
    need_frac: tuple[float, ...] = ()
    air_temp_c: tuple[float, ...] = ()
    surface_temp_c: tuple[float, ...] = ()
    ice_frac: tuple[float, ...] = ()  # ice or glaze only; empty in a plan of an older version

    @property
    def points(self) -> tuple[AlongPoint, ...]:
        """The same data as one tuple per place."""
        arrive_at = [self.begins_at + timedelta(seconds=round(s)) for s in self.reach_s]
        columns = (arrive_at if name == "arrive_at" else getattr(self, name) for name in AlongPoint._fields)
        return tuple(AlongPoint(*row) for row in zip(*columns, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One trip at one moment.

    id: derived from the content and the inputs of the plan.
    depart_at: departure; with `position`, the latest time at which the truck can have left.
    chain_probability: that any point of the way needs chains, see `trip_odds`.
    cost_s: time lost compared with a dry road: the mean of both arrivals where chains are uncertain.
    position: last known position of the truck, when the plan starts there. Stretches, `along`, arrival and costs then
        cover the road ahead only, and stops behind are omitted.
    route_choice: which of this and the other routes is better and why, "" when none was compared.
    warnings_known: the source of weather warnings has answered for the whole way.
    posted: controls that road authorities have posted ahead.
    posted_missing: reasons why `posted` is incomplete, empty when every requested feed has answered.
    language: language of the driver's texts, "" for the operator's choice.
    lands: the lands on the whole way in order (ISO 3166), each once; those unknown are left out.
    surfaces: the runs of winter road on the way, chains or not, in order.
    chains: reported chains on the truck, None where there are none.
    chain_size: size of the chains by the rig file, "" where it does not state it.
    hanging_since: when hanging chains was reported begun, None unless it goes on.
    arrivals: the arrivals with and without chains, None where no chains are uncertain.
    hold: the first reason to wait, with advice to hold; the arrivals are then not before its end.
    leave_by: the last departure before the road gets worse, None where it does not, or not soon.
    arrived_at: arrival of the truck, by its positions or as reported; no road is then ahead.
    law: the lands on the way with what their laws ask of this rig, in order.
    law_changes: changes of these laws that take effect soon.
    credits: owners and licences of the places along the road.
    days: rests, outlook and choices of a trip that takes more than one duty period, None for others.
    delivery: the delivery window, None where none was given.
    input_notes: on the forecast and its past hours, for the office; none is a caution.
    """

    id: str
    trip_id: str
    made_at: datetime
    route_name: str
    route_length_m: float
    rig_id: str
    rig_name: str
    driver: str
    dispatcher: str
    depart_at: datetime
    depart_zone: str
    arrive_zone: str
    advice: Advice
    stretches: tuple[Stretch, ...]
    arrive_at: datetime
    arrive_early: datetime
    arrive_late: datetime
    arrive_unhindered: datetime
    cost_s: float
    singles_needed: int
    singles_carried: int
    doubles_carried: int
    singles_short: int
    carry: tuple[CarryNote, ...]
    sources: tuple[SourceNote, ...]
    rules: tuple[RuleNote, ...]
    cautions: tuple[str, ...]
    partial: bool
    members_n: int
    chain_probability: float
    along: Along
    bridges: tuple[BridgeNote, ...] = ()
    departures: tuple[Departure, ...] = ()
    picks: tuple[DeparturePick, ...] = ()
    hours: HoursNote | None = None
    position: PositionFix | None = None
    other_routes: tuple[OtherRoute, ...] = ()
    route_choice: str = ""
    closures: tuple[ClosureNote, ...] = ()
    warnings_known: bool = False
    posted: tuple[PostedNote, ...] = ()
    posted_missing: tuple[str, ...] = ()
    language: str = ""
    surfaces: tuple[SurfaceStretch, ...] = ()
    chains: ChainsNote | None = None
    arrived_at: datetime | None = None
    credits: tuple[str, ...] = ()
    lands: tuple[str, ...] = ()
    input_notes: tuple[str, ...] = ()
    arrivals: ArrivalPair | None = None
    leave_by: LeaveBy | None = None
    hold: HoldNote | None = None
    law: tuple[LandLaw, ...] = ()
    law_changes: tuple[LawChangeNote, ...] = ()
    days: DaysNote | None = None
    delivery: DeliveryNote | None = None
    hanging_since: datetime | None = None
    chain_size: str = ""


POSTED_SIGNS_DECIDE = (
    "Posted signs and officers decide. Rules change. "
    "This is a forecast and our reading of the rules, not an order to drive on."
)

"""The same trip at another departure time or on another route."""

from dataclasses import dataclass
from datetime import datetime

from alertd.plan.model.stretches import Advice


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrivalPair:
    """The two arrivals of a trip on which chains are uncertain.

    unchained_at: without chaining, at the speed that the road allows.
    chained_at: chained wherever the plan may require it.
    chain_probability: as in Plan.
    expected_at: their mean, each run in chains weighted by its own probability.
    """

    unchained_at: datetime
    chained_at: datetime
    chain_probability: float
    expected_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveBy:
    """The last departure before the road gets worse.

    at: that departure.
    worse: the first departure after it that requires more.
    """

    at: datetime
    worse: "Departure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """The same trip with another departure time.

    arrivals: both futures, equal where no chains are expected; None in a plan of an older version.

    probability: that chains are needed anywhere, as in Plan.
    lost_s: time lost to chains and snow, compared with a dry road: the mean of both futures.
    hangings: number of times that its plan hangs chains.
    hours_ok: None where unknown.
    """

    depart_at: datetime
    arrive_at: datetime
    advice: Advice
    probability: float
    unknown_frac: float
    lost_s: float
    hangings: int
    hours_ok: bool | None
    arrivals: ArrivalPair | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeparturePick:
    """A departure worth comparing with the planned one, and the differences; negative is earlier."""

    departure: Departure
    leave_later_s: float
    arrive_later_s: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRoute:
    """The same trip on another route.

    chain_probability: as in Plan.
    hours_ok: None where no hours law is on file.
    worse_at: nine in ten arrive by then. further_m: length beyond that of the planned route, negative for less.
    order: names of the stops of the trip in their order there.
    """

    name: str
    length_m: float
    advice: Advice
    chain_probability: float
    arrive_at: datetime
    cost_s: float
    singles_needed: int
    singles_short: int
    hours_ok: bool | None
    partial: bool
    reason: str
    worse_at: datetime | None = None
    further_m: float = 0.0
    order: tuple[str, ...] = ()

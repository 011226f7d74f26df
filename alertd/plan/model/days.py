"""A trip of several days: where it rests, the outlook beyond the good forecast, and what else is possible."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

START_PLACE: Final = "the start"  # the place of a rest before the truck leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class RestNote:
    """A planned break or rest.

    kind: "break", "rest", "short rest", "first part of a rest", "second part of a rest", "restart", "first part of a
    break", "second part of a break", "weekly rest" or "reduced weekly rest".
    place: name of the place. room: "listed" with room for a truck, "town", or "unlisted" for a place to look for.
    zone: IANA time zone there.
    wait_s: time beyond what the law requires, to let the road ahead get better.
    section: the law that requires it. reason: in words. pass_ahead: name of the next pass where it is near, or "".
    """

    kind: str
    place: str
    stop_id: str
    room: str
    distance_m: float
    zone: str
    begins_at: datetime
    ends_at: datetime
    wait_s: float
    section: str
    reason: str
    pass_ahead: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookNote:
    """A pass beyond the good forecast: odds with the range of hours in which the truck may be there.

    odds: "likely", "possible", "unlikely" or "not known".
    probability: share of members that need chains, averaged over the range; None where not known.
    earliest_at, latest_at: the range.
    singles: single chains to have aboard for it.
    decided_at: the evening before, when a plan takes the place of the outlook.
    """

    place: str
    start_m: float
    end_m: float
    zone: str
    lands: tuple[str, ...]
    odds: str
    probability: float | None
    earliest_at: datetime
    latest_at: datetime
    singles: int
    decided_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DaysChoice:
    """Another way to make the trip, compared with the plan; negative differences are earlier or cheaper.

    kind: "leave" at another time, "sleep" elsewhere, "order" of the stops, or "naive" for a driver who drives until the
    hours are full.
    arrive_at: expected. worse_at: nine in ten arrive by then; None where not known.
    cost_s: expected time and the price of risk, compared with the plan; a hold is priced at a day between two places.
    chain_work_s: expected time for chains. held: it meets a hold, or comes so near one that the
    search counts it: its arrival is not to be counted on.
    sleeps: places of its rests. legal: False where no legal way was found; times are then those of the plan.
    chain_probability: as in Plan; None where not known. order: names of the stops, where it is another one.
    """

    kind: str
    what: str
    depart_at: datetime
    arrive_at: datetime
    later_s: float
    cost_s: float
    chain_work_s: float
    sleeps: tuple[str, ...]
    legal: bool
    worse_at: datetime | None = None
    chain_probability: float | None = None
    order: tuple[str, ...] = ()
    held: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TripStop:
    """A stop of a trip, such as a drop. opens_at, closes_at: its window, None where not given. Aware times."""

    name: str
    lat_deg: float
    lon_deg: float
    opens_at: datetime | None = None
    closes_at: datetime | None = None
    service_s: float = 1_800.0

    def __post_init__(self) -> None:
        if any(at is not None and at.utcoffset() is None for at in (self.opens_at, self.closes_at)):
            raise ValueError("the window of a stop must be aware")


@dataclass(frozen=True, slots=True, kw_only=True)
class TripStopNote:
    """A stop of the trip in the plan: arrival, how late for its window (negative is early), and when the truck leaves.

    late_*: None without an end of the window; unchained and chained are equal where chains are certain or none are
    expected before it. late_probability: share of members that are late.
    """

    name: str
    distance_m: float
    zone: str
    opens_at: datetime | None
    closes_at: datetime | None
    service_s: float
    arrive_at: datetime
    leave_at: datetime
    late_s: float | None
    late_unchained_s: float | None
    late_chained_s: float | None
    late_probability: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DaysNote:
    """What a trip of several days adds to a plan.

    law: the hours law or laws. legal: the plan keeps every limit, to the second.
    rests: in order. outlook: passes beyond the good forecast. choices: what else is possible.
    asks: hours that were not given, counted as unused. not_placed: what the laws ask that the plan does not place.
    forecast_ends_at, forecast_ends_m: where the forecast ends before arrival, None where it does not.
    stops: of the trip, in the order of the plan.
    legal_if_chained: also legal if chained wherever it may have to. if_chained: where it then rests first, "" if as
    planned.
    """

    law: str
    legal: bool
    rests: tuple[RestNote, ...]
    outlook: tuple[OutlookNote, ...] = ()
    choices: tuple[DaysChoice, ...] = ()
    asks: tuple[str, ...] = ()
    forecast_ends_at: datetime | None = None
    forecast_ends_m: float | None = None
    not_placed: tuple[str, ...] = ()
    stops: tuple[TripStopNote, ...] = ()
    legal_if_chained: bool = True
    if_chained: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryWindow:
    """When the customer takes the load; None where not given. Raises ValueError for naive times."""

    opens_at: datetime | None = None
    closes_at: datetime | None = None

    def __post_init__(self) -> None:
        if any(at is not None and at.utcoffset() is None for at in (self.opens_at, self.closes_at)):
            raise ValueError("the delivery window must be aware")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryNote:
    """The delivery window and how late the truck is; negative is early.

    opens_at, closes_at: None where not given. late_s: expected. late_unchained_s, late_chained_s: both futures.
    late_probability: share of members that are late.
    """

    opens_at: datetime | None
    closes_at: datetime | None
    zone: str
    late_s: float | None
    late_unchained_s: float | None
    late_chained_s: float | None
    late_probability: float | None

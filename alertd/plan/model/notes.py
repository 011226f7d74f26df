"""Facts beside the stretches: duties, sources, rule texts, hours, bridges, closures and position."""

from dataclasses import dataclass
from datetime import date, datetime

from alertd.plan.model.stretches import StopChoice


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryNote:
    """A duty to have chains on board on this trip, whatever the weather.

    certain: False where it may apply on roads that our zones do not place.
    not_placed: names of these roads.
    zones: ids of the zones on this way that cause it; empty where it holds everywhere, or is not certain.
    exemptions: whom it leaves out, and the paper that proves it.
    """

    jurisdiction: str
    certain: bool
    not_placed: tuple[str, ...]
    singles_asked: int
    singles_short: int
    section: str
    confidence: str
    doubt: str
    clause: str = ""
    zones: tuple[str, ...] = ()
    exemptions: tuple[str, ...] = ()
    practice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceNote:
    """A forecast source used by a plan.

    age_h: hours since issue, or since fetch where the source gives no issue time.
    stale: the forecast is old, or the last answer of an unreachable source.
    """

    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    age_h: float
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleNote:
    """A rule text used by a plan, and its age.

    aged: reasons why it may no longer be the law, empty when fresh.
    seen_standing_on: the day on which the clauses that matter on this trip were last seen in force.
    doubts: what a driver or dispatcher must know of these clauses, `aged` included.
    """

    jurisdiction: str
    name: str
    citation: str
    text_date: date
    reviewed_on: date
    review_by: date
    overdue: bool
    aged: tuple[str, ...] = ()
    seen_standing_on: date | None = None
    doubts: tuple[str, ...] = ()

    @property
    def as_of(self) -> date:
        """The day to which the text is known to be the law."""
        return self.seen_standing_on or self.text_date


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursLimit:
    """One limit of the hours law.

    left_h: hours left at arrival, negative when the limit is reached on the way.
    reached_at, reached_m: where driving must stop, None when the trip ends before.
    stop_id, stop_name, stop_m: the last listed stop before that.
    """

    kind: str
    section: str
    allowed_h: float
    used_before_h: float
    at_arrival_h: float
    left_h: float
    reached_at: datetime | None
    reached_m: float | None
    stop_id: str
    stop_name: str
    stop_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakNote:
    """A break that falls due on the way.

    at_m: where the plan puts it, None when no place was found.
    """

    due_at: datetime
    due_m: float
    at_m: float | None
    stop_id: str
    stop_name: str
    milepost: str
    minutes: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursNote:
    """The driver's legal hours on this trip, in the numbers of the law.

    ok: no limit is reached before arrival, with breaks taken as listed.
    ok_if_late: also true when the truck is as late as one in ten and chains at every "be ready" leg.
    not_given: inputs that were not given; they count from departure only.
    arrival_delay_s: time that the listed breaks add to the planned arrival.
    adverse_exception: the reason why the plan never uses the two extra hours for adverse conditions.
    known_at: time since which the forecast was known.
    """

    law: str
    law_text: str
    ok: bool
    ok_if_late: bool
    not_given: tuple[str, ...]
    limits: tuple[HoursLimit, ...]
    breaks: tuple[BreakNote, ...]
    arrival_delay_s: float
    adverse_exception: str
    known_at: datetime | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeNote:
    """A bridge whose deck may be a winter road while the road beside it is not.

    probability: share of members in which this holds anywhere on the deck.
    surfaces: share of members with each class there.
    road_unknown: in some members the road beside it is unknown.
    """

    name: str
    start_m: float
    end_m: float
    zone: str
    arrive_at: datetime
    probability: float
    surfaces: tuple[tuple[str, float], ...]
    road_unknown: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosureNote:
    """A closed road or a weather warning ahead.

    where: the area in the words of the source, "" if it names none.
    enter_at: when the truck is expected there.
    ends_at: None where no end is given.
    met: the truck, early or late as one in ten, is there while this is active.
    held: this is a reason for the advice to hold.
    posted: posted by the operator or a road authority; otherwise a weather warning.
    presumed: ends_at is ours, because the source gives no end.
    words: whole sentences of the source, quoted.
    sent_at: time of the report.
    kind: "ice", "wind" or "sight" for what our own forecast gives as a reason, "" otherwise.
    probability: share of members in which it is met, for our own forecast; None otherwise.
    worst: gust [m/s], sight [m] or length of ice [m] of the median member there, for our own forecast.
    leave_at: when the truck has passed it, for our own forecast.
    detail: its figures in words.
    """

    what: str
    source: str
    where: str
    start_m: float
    end_m: float
    zone: str
    enter_at: datetime
    begins_at: datetime
    ends_at: datetime | None
    met: bool
    held: bool
    posted: bool
    presumed: bool = False
    words: tuple[str, ...] = ()
    sent_at: datetime | None = None
    kind: str = ""
    probability: float | None = None
    detail: str = ""
    worst: float | None = None
    leave_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldNote:
    """The first reason on the road to wait, where to wait for it, and until when.

    what: the reason in words.
    enter_at: when the truck would be there.
    wait: the place to wait: the last listed stop before it, or the trip's start, or the truck's place.
    at_start: do not start.
    until: when to look again: the first hour from which the road is expected to be passable, None where none is known.
    not_before: no arrival before this, None where `until` is.
    """

    what: str
    start_m: float
    end_m: float
    zone: str
    enter_at: datetime
    wait: StopChoice
    at_start: bool
    until: datetime | None
    not_before: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedNote:
    """A posted control ahead on this trip, or one that may be.

    level_id: a level of the rule set, "closed", "none" (none posted), or "" where its words were not understood;
        legal_name is then "" too.
    words: the words of the source.
    start_m, end_m: None where it is not placed on the map.
    enter_at: when the truck is expected there, None where it is not placed.
    since, until: None where not given.
    confirmed_at: time of the last confirmation by the source.
    believed_frac: belief in the control at the truck's hour; 0 where it does not apply then.
    """

    jurisdiction: str
    level_id: str
    legal_name: str
    words: str
    source: str
    where: str
    start_m: float | None
    end_m: float | None
    zone: str
    enter_at: datetime | None
    since: datetime | None
    until: datetime | None
    confirmed_at: datetime
    believed_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionFix:
    """The last known position of a truck.

    distance_m: along its route.
    offset_m: off the route, positive to the right of travel.
    old: the last report is so old that the truck may be anywhere from there on, or still there.
    """

    at: datetime
    distance_m: float
    offset_m: float
    old: bool = False

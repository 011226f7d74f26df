"""Defines the plan as values: every number traceable to its input, times in UTC, lengths in metres."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from alertd.rules.requirements import Hanging
from alertd.rules.tire_text import TireRun


class Advice(StrEnum):
    """Our advice, in rising order. The law and the forecast are separate values.

    SLOW: a winter road (ice, frost, snow) on which no chains are expected.
    CLEAR: no winter road either.
    """

    CLEAR = "clear"
    SLOW = "slow"
    READY = "ready"
    CHAIN = "chain"
    HOLD = "hold"

    @property
    def rank(self) -> int:
        """Position in the rising order, from 0."""
        return list(Advice).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """A place to stop.

    stop_id: "" for the trip's own start or end.
    zone: IANA time zone there.
    listed: True for a stop of the operator's list. Kind "search" is not listed: the driver looks for the first safe
        place from `distance_m` on.
    edge_m: for kind "search", where the road that may need chains begins (to stop before) or ends (to stop past).
    """

    stop_id: str
    name: str
    kind: str
    milepost: str
    distance_m: float
    lat_deg: float
    lon_deg: float
    zone: str
    arrive_at: datetime
    leave_at: datetime
    spaces: int | None
    lit: bool | None
    invented: bool
    reason: str
    listed: bool = True
    edge_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Posting:
    """A control that we expect, by OUR ESTIMATE, or a posted control, and the law that it invokes.

    posted: True when the authority has posted it and it applies at the truck's hour.
    posted_level: level on the sign; differs from level_id where this level only comes with it.
    posted_by: source of the posting.
    posted_since: start of the posting, None where not given.
    """

    jurisdiction: str
    level_id: str
    legal_name: str
    probability: float
    tires_n: int
    section: str
    confidence: str
    doubt: str
    posted: bool = False
    posted_level: str = ""
    posted_by: str = ""
    posted_since: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A run of road that may need chains, in the direction of travel.

    zone: IANA time zone.
    advice: our advice for this stretch.
    probability: share of members in which any point of it needs chains, by expected posting or by grip.
    surfaces: share of members in which each class is met anywhere on it.
    new_snow_mmwe: the median member's snow where it is deepest.
    snow_depth_low_m, snow_depth_high_m: range of its depth on an unploughed road.
    grip_short_frac, grip_short_chained_frac: share of members in which the rig cannot climb or hold somewhere on it,
        without and with chains.
    snow_closed_frac: share of members in which we expect snow to close the road somewhere on it: our estimate, never a
        posted closure.
    barred: the reason why this rig may not pass while a likely control is posted, "" if it may.
    hold_until: with advice to hold, the first hour from which it is expected to be passable again; None where the
        forecast shows none.
    tire_runs: the tires of `hanging` as runs of axles, to be worded in any language.
    chained: the plan drives it with chains that are reported on; chain_up is then the truck's present place.
    white_from_m, white_to_m: where few members need chains before it and past it; None without such road.
    """

    start_m: float
    end_m: float
    place: str
    jurisdictions: tuple[str, ...]
    zone: str
    enter_at: datetime
    leave_at: datetime
    advice: Advice
    probability: float
    unknown_frac: float
    surfaces: tuple[tuple[str, float], ...]
    max_upgrade: float
    max_downgrade: float
    new_snow_mmwe: float
    snow_depth_low_m: float
    snow_depth_high_m: float
    grip_short_frac: float
    grip_short_chained_frac: float
    snow_closed_frac: float
    barred: str
    hold_until: datetime | None
    postings: tuple[Posting, ...]
    hanging: Hanging
    tires_short_words: str
    tires_words: str
    chain_up: StopChoice
    chain_off: StopChoice
    speed_mps: float
    bare_speed_mps: float
    speed_because: str
    hang_s: float
    remove_s: float
    slow_s: float
    reasons: tuple[str, ...]
    tire_runs: tuple[TireRun, ...] = ()
    chained: bool = False
    white_from_m: float | None = None
    white_to_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceStretch:
    """A run of winter road, flat or graded, in the direction of travel.

    icy: ice or glaze is likely enough on enough of it for a notice to the driver.
    chains_asked: it is inside a stretch that may need chains; otherwise no chains are expected on it.
    probability: share of members that meet ice or glaze anywhere on it where it is icy, else any winter class.
    surfaces: share of members that meet each winter class anywhere on it; ice and glaze first where it is icy.
    speed_mps: the maximum speed that we advise on that surface without chains.
    speed_because: source of that speed.
    """

    start_m: float
    end_m: float
    place: str
    jurisdictions: tuple[str, ...]
    zone: str
    enter_at: datetime
    leave_at: datetime
    icy: bool
    chains_asked: bool
    probability: float
    unknown_frac: float
    surfaces: tuple[tuple[str, float], ...]
    speed_mps: float
    speed_because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryNote:
    """A duty to have chains on board on this trip, whatever the weather.

    certain: False where it may apply on roads that our zones do not place.
    not_placed: names of these roads.
    """

    jurisdiction: str
    certain: bool
    not_placed: tuple[str, ...]
    singles_asked: int
    singles_short: int
    section: str
    confidence: str
    doubt: str


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
    """

    jurisdiction: str
    name: str
    citation: str
    text_date: date
    reviewed_on: date
    review_by: date
    overdue: bool
    aged: tuple[str, ...] = ()


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
class Departure:
    """The same trip with another departure time.

    probability: share of members that need chains on any road that may need them.
    lost_s: time lost to chains and snow, compared with a dry road.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class DeparturePick:
    """A departure worth comparing with the planned one, and the differences; negative is earlier."""

    departure: Departure
    leave_later_s: float
    arrive_later_s: float
    reasons: tuple[str, ...]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainsNote:
    """Chains that are reported on.

    since: time of the first such report.
    off: where the plan removes them.
    missing_n: tires that the road until there requires and these chains do not cover, as far as known.
    missing_words: these tires in words.
    doubt: the reason why the plan does not use these chains; off is then None.
    """

    since: datetime
    off: StopChoice | None
    missing_n: int = 0
    missing_words: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRoute:
    """The same trip on another route.

    chain_probability: as in Plan.
    hours_ok: None where no hours law is on file.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One trip at one moment.

    id: derived from the content and the inputs of the plan.
    depart_at: departure; with `position`, the latest time at which the truck can have left.
    chain_probability: share of members in which any point of the way needs chains.
    position: last known position of the truck, when the plan starts there. Stretches, `along`, arrival and costs then
        cover the road ahead only, and stops behind are omitted.
    route_choice: which of this and the other routes is better and why, "" when none was compared.
    warnings_known: the source of weather warnings has answered for the whole way.
    posted: controls that road authorities have posted ahead.
    posted_missing: reasons why `posted` is incomplete, empty when every requested feed has answered.
    language: language of the driver's texts, "" for the operator's choice.
    surfaces: the runs of winter road on the way, chains or not, in order.
    chains: reported chains on the truck, None where there are none.
    arrived_at: arrival of the truck, by its positions or as reported; no road is then ahead.
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


POSTED_SIGNS_DECIDE = (
    "Posted signs and officers decide. Rules change. "
    "This is a forecast and our reading of the rules, not an order to drive on."
)

"""What a plan says: values only, every number traceable to its input, times in UTC, lengths in metres."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from alertd.rules.requirements import Hanging
from alertd.rules.tire_text import TireRun


class Advice(StrEnum):
    """Ours, in rising order. The law and the forecast stand beside it, never inside it.

    SLOW: a winter road (ice, frost, snow) on which no chains are expected. CLEAR: not even that.
    """

    CLEAR = "clear"
    SLOW = "slow"
    READY = "ready"
    CHAIN = "chain"
    HOLD = "hold"

    @property
    def rank(self) -> int:
        return list(Advice).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """Where to stand. `stop_id` is "" for the trip's own start or end. `zone` is the IANA time zone there.

    listed: a stop of the operator's list. Kind "search" is none: the first safe place from `distance_m` on is to be
    looked for, before `edge_m` where the road that may need chains begins, or past `edge_m` where it ends.
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
    """A control we expect, by OUR ESTIMATE, or one that is posted, and the law it invokes.

    posted: its authority has posted it and it stands at the truck's hour; then posted_by says who said so and
    posted_since since when (None: not said). posted_level: the level on the sign, which is another than level_id where
    this one only comes with it.
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

    probability: share of members in which any point of it needs chains, by expected posting or by grip.
    grip_short_frac / grip_short_chained_frac: share of members in which the rig cannot climb or hold somewhere on it,
    without chains and with them. snow_closed_frac: share of members in which we expect snow to close the road somewhere
    on it: our estimate, never a posted closure. barred: why this rig may not pass while a likely control is posted, ""
    if it may. hold_until: with advice to hold, the first hour from which it is expected to be passable again, None
    where the forecast shows none. surfaces: share of members in which each class is met anywhere on it.
    new_snow_mmwe: the median member's snow where it lies deepest; snow_depth_low_m, snow_depth_high_m: how deep
    that may be on a road that nobody ploughed. tire_runs: the tires of `hanging` as runs of axles, to be put into
    any language. chained: the plan runs it with chains that are reported on, so that chain_up is the truck's present
    place.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceStretch:
    """A run of winter road, flat or graded, in the direction of travel.

    icy: ice or glaze is likely enough on enough of it for a notice to the driver. chains_asked: it lies inside a
    stretch that may need chains; else no chains are expected on it. probability: share of members that meet ice or
    glaze anywhere on it where it is icy, else any winter class. surfaces: share of members that meet each winter class
    anywhere on it, ice and glaze first where it is icy. speed_mps: the most we advise on that surface without chains;
    speed_because: its source.
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
    """A duty to have chains on board that holds on this trip whatever the weather.

    `certain` is False where it may hold on roads that our zones do not place; `not_placed` names them.
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
    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    age_h: float
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleNote:
    """The rule text a plan stands on and how old it is. aged: why it may no longer be the law, empty when fresh."""

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
    """One limit of the hours law. left_h: what is left at arrival, negative when it runs out on the way.

    reached_at, reached_m: where driving must stop, None when the trip ends before; stop_*: the last listed stop before.
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
    """A break that falls due on the way. `at_m` is where the plan puts it, None when no place was found."""

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
    """The driver's legal hours on this trip, in the law's own numbers.

    ok: no limit is reached before arrival, breaks taken as listed. ok_if_late: nor when the truck is as late as one in
    ten and chains wherever it is told to be ready. not_given: what was not told and is counted from departure only.
    adverse_exception: why the two extra hours for adverse conditions are never planned with; known_at: since when the
    forecast was known. arrival_delay_s: what the listed breaks add to the arrival that the plan names.
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

    probability: share of members in which it is so anywhere on the deck; surfaces: share with each class there.
    road_unknown: in some of them the road beside it is not known.
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
    """The route at one place: likely class, its share, and the odds of winter surface and of needing chains."""

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
    """The route about every kilometre, for pictures and for tracing: a column a quantity, so that it stays small.

    reach_s: seconds after `begins_at`, when the truck is at the first of them.
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
    ice_frac: tuple[float, ...] = ()  # of ice or glaze alone; empty in a plan of an older version

    @property
    def points(self) -> tuple[AlongPoint, ...]:
        arrive_at = [self.begins_at + timedelta(seconds=round(s)) for s in self.reach_s]
        columns = (arrive_at if name == "arrive_at" else getattr(self, name) for name in AlongPoint._fields)
        return tuple(AlongPoint(*row) for row in zip(*columns, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """The same trip left at another time.

    probability: share of members in which any road that may need chains does. lost_s: to chains and snow, against a
    dry road. hangings: how often chains are hung in the plan for it. hours_ok is None where it cannot be told.
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
    """A departure worth weighing against the planned one, with what it changes; negative is earlier."""

    departure: Departure
    leave_later_s: float
    arrive_later_s: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosureNote:
    """A closed road or a weather warning ahead. ends_at is None where no end is given.

    enter_at: when the truck is expected there. met: it comes there while this stands, early or late as one in ten.
    held: that is why the advice is to hold. where: the area in the source's words, "" if it names none. posted: by the
    operator; else it is a weather warning. presumed: ends_at is ours, the source gives no end. words: the source's own,
    quoted, whole sentences; sent_at: when it said so.
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

    level_id: of the rule set, "closed", "none" (none posted), or "" where its words were not understood; then
    legal_name is "" too. words: the source's own. start_m, end_m: None where it is not placed on the map. enter_at:
    when the truck is expected there, None where not placed. since, until: None where not given. confirmed_at: when
    the source last said it. believed_frac: how far it is believed at the truck's hour, 0 where it does not stand
    then.
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
    """Where the truck was seen: `distance_m` along its route, `offset_m` off it, positive to the right of travel.

    old: it was not heard of for so long that it may be anywhere from there on, or still there.
    """

    at: datetime
    distance_m: float
    offset_m: float
    old: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainsNote:
    """Chains that are reported on. since: when they first were.

    off: where the plan takes them off. missing_n: tires that the road until there asks for and the chains that are on
    do not cover, as far as known; missing_words: which. doubt: why the plan is made without them; then off is None.
    """

    since: datetime
    off: StopChoice | None
    missing_n: int = 0
    missing_words: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRoute:
    """The same trip by another way. chain_probability as in Plan; hours_ok: None where no hours law is on file."""

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
    """One trip at one moment. `id` is derived from all it says and what it was made from.

    position: where the truck was last seen, when the plan counts from there; then `depart_at` is when it must have
    left, stretches, `along`, arrival and costs are those of the road still ahead, and stops behind are not named.
    chain_probability: share of members in which any point of the way needs chains. route_choice: which of this and
    the other routes is better and why, "" when none was compared. warnings_known: the source of weather warnings has
    answered for all of the way. language: of the driver's texts, "" for the operator's choice. posted: what road
    authorities have posted ahead; posted_missing: why that is not all known, empty when every feed that is asked has
    answered. surfaces: the runs of winter road on the way, chains or not, in its order. chains: what was reported of
    chains that are on, None where none are. arrived_at: when the truck arrived, by its positions or as reported; then
    nothing lies ahead.
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

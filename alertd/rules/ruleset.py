"""A jurisdiction's chain rules as data. Law and our estimate of what will be posted are separate."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Literal

from alertd.rules.clause import Clause, Confidence, Sureness, last_season_start
from alertd.rules.duties import CarryRule, ChainBan, ChainedSpeed, Exemption, Fine, Removal, Restriction, TireDuty
from alertd.rules.fitted_devices import FittedDevice
from alertd.rules.rig import Coupling
from alertd.rules.rig_class import RigClass


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleZone:
    """Where a rule can apply: a stretch of a named road, or the land inside an outline, or "wherever signed".

    Two points on the road define a stretch (in any order along a route); a line does where two points would take in
    other roads. Mileposts are text for the reader. A zone with neither points, line nor outline is known in words only.
    It is "not placed", and every result that depends on it says so.

    within_m: how far the points may be off the road.
    turn_round: where a rig without the chains is turned round, or can turn, before it; "" where no text states it.
    """

    id: str
    name: str
    road: str
    from_point: tuple[float, float] | None  # (latitude, longitude) degrees
    to_point: tuple[float, float] | None
    from_words: str = ""
    to_words: str = ""
    within_m: float = 1000.0
    doubt: str = ""
    outline: tuple[tuple[float, float], ...] = ()  # corners (latitude, longitude), three or more
    line: tuple[tuple[float, float], ...] = ()  # points (latitude, longitude) along the road, two or more
    turn_round: str = ""

    @property
    def placed(self) -> bool:
        """True when two points, a line or an outline give the position of the zone."""
        return (self.from_point is not None and self.to_point is not None) or bool(self.outline or self.line)

    @property
    def words(self) -> str:
        """Road and ends for a reader, e.g. "US-12: Packwood MP 135 to Naches MP 187"."""
        return f"{self.road}: {self.from_words} to {self.to_words}" if self.from_words else self.road


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Tires required on one group of axles: on which axles, and how many tires on each chosen axle.

    axles: "one" any one axle of the group, "two" any two, "all" every one, "primary" the foremost, "last" the rearmost,
        "one of last two" either of the two rearmost.
    per_axle: "each side" one tire on each side, "all tires" every tire, "one tire" a single tire on either side,
        "staggered" one tire on each side of the vehicle, on the same axle or on two, "diagonal" one tire on each of two
        axles, on opposite sides.
    place: which tire of a dual pair counts.
    total_tires: at least this many of the group's tires, or all of them if there are fewer, in any arrangement that is
        mirror-symmetric left to right. Used where a law only counts tires; axles, per_axle and place are then ignored.
    units, coupling: the units of the rig whose axles make the group, each unit a group of its own; "later towed" are
        all behind the first.

    A group with fewer axles than required uses all of them.
    """

    group: Literal["drive", "steer", "trailer", "dolly", "tag", "trailer or dolly"]
    axles: Literal["one", "two", "all", "primary", "last", "one of last two"] = "one"
    per_axle: Literal["each side", "all tires", "one tire", "staggered", "diagonal"] = "each side"
    place: Literal["outside", "inside", "either"] = "outside"
    units: Literal["power", "each towed", "first towed", "later towed", "last towed", "any towed"] = "power"
    coupling: Coupling | None = None
    total_tires: int | None = None
    skip_lift: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """The requirement of a level for one class of rig: any one of `layouts`. All placements of a layout are needed.

    One layout without placements means that nothing is required.

    section: the section of the text.
    satisfied_by: devices that, fitted to the rig, meet the whole demand.
    devices: what counts as a chain for this class, where the level's own list does not apply.
    barred: the reason why such a rig may not pass at all.
    clause: id of the clause that it belongs to, as in the other blocks; "" for the first clause of the rule set.
    """

    rig_class: RigClass
    layouts: tuple[tuple[Placement, ...], ...]
    section: str
    confidence: Confidence
    doubt: str = ""
    satisfied_by: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    barred: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLevel:
    """A control as the authority posts it.

    rank: orders levels of one jurisdiction; larger is stricter.
    trigger: "posted" by a sign, light or order; "road" where the state of the road itself triggers the duty without a
        sign; "event" only after an announced emergency.
    carry_for_level: while this level is posted, chains enough for that level must be on board.
    posted_as: other phrases, terms of feeds and colors under which it is posted.
    fitted: what the law makes of devices that are fitted to a rig.
    """

    id: str
    legal_name: str
    rank: int
    demands: tuple[Demand, ...]  # the first whose class fits the rig applies
    zones: tuple[str, ...] = ()  # zone ids; empty: wherever signed
    devices: tuple[str, ...] = ("tire chains",)
    exemptions: tuple[Exemption, ...] = ()
    carry_for_level: str = ""
    speed_limit_mps: float | None = None
    speed_section: str = ""
    doubt: str = ""
    trigger: Literal["posted", "road", "event"] = "posted"
    posted_by: str = ""  # "" where no text we read names it
    clause: str = ""
    posted_as: tuple[str, ...] = ()
    fitted: tuple[FittedDevice, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingEstimate:
    """OUR ESTIMATE, not law: the probability that this level is posted on these classes of pavement in ordinary snow.

    Ordinary snow is 0.5 mm of water an hour, lasting; see `posting.hazard`.

    road_classes: RoadClass values.
    min_abs_grade, reach_m: the estimate applies where a sustained grade of at least min_abs_grade, or a pass, is within
        reach_m of the sample. Chains are required from about the start of the climb, and chain-up areas are before it
        (common practice, no source).
    min_snowfall_mmwe_h: the estimate applies only during at least this snowfall, when ploughs fall behind.
    unknown_probability: used where the class is UNKNOWN and the grade condition is met: "be ready".
    """

    level: str
    road_classes: tuple[int, ...]
    probability: float
    min_abs_grade: float = 0.0
    reach_m: float = 1000.0
    min_snowfall_mmwe_h: float = 0.0
    unknown_probability: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """A jurisdiction's rules, with the date of their text and the dates of our reading.

    text_date: the day to which the text we read is current.
    text_date_note: how far text_date can be trusted, e.g. when only its year is known.
    notes: other information for drivers in the text, e.g. where it bars a trailer.
    clauses: the clauses of the text, some of them versions of others.
    turn_round: where a rig without the chains is turned round or can turn, where a zone does not state it.
    """

    jurisdiction: str  # ISO 3166-2, or ISO 3166-1 alpha-2 for a whole country
    name: str
    citation: str
    text_date: date
    reviewed_on: date
    review_by: date
    levels: tuple[ControlLevel, ...]
    zones: tuple[RuleZone, ...] = ()
    carry: tuple[CarryRule, ...] = ()
    bans: tuple[ChainBan, ...] = ()
    estimates: tuple[PostingEstimate, ...] = ()
    sources: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    text_date_note: str = ""
    tire_duties: tuple[TireDuty, ...] = ()
    speeds: tuple[ChainedSpeed, ...] = ()
    fines: tuple[Fine, ...] = ()
    notes: tuple[str, ...] = ()
    clauses: tuple[Clause, ...] = ()
    removals: tuple[Removal, ...] = ()
    restrictions: tuple[Restriction, ...] = ()
    turn_round: str = ""

    def level(self, level_id: str) -> ControlLevel:
        """The level with this id. Raises StopIteration when there is none."""
        return next(lv for lv in self.levels if lv.id == level_id)

    def zone(self, zone_id: str) -> RuleZone:
        """The zone with this id. Raises StopIteration when there is none."""
        return next(z for z in self.zones if z.id == zone_id)

    @property
    def unplaced_zones(self) -> tuple[RuleZone, ...]:
        """Zones without a position."""
        return tuple(z for z in self.zones if not z.placed)

    def review_overdue(self, day: date) -> bool:
        """True after the day by which a person should have read the current text again."""
        return day > self.review_by

    def clause(self, clause_id: str = "") -> Clause | None:
        """The clause with this id, or the first one; None where the rule set has no clauses."""
        return next((c for c in self.clauses if c.id == clause_id), self.clauses[0] if self.clauses else None)

    def seen_standing_on(self, clause_ids: Collection[str] = ()) -> date:
        """The day on which all these clauses were last seen in force; of the first clause if none is given."""
        clauses = [c for c in map(self.clause, clause_ids or ("",)) if c is not None and c.sure is not Sureness.UNREAD]
        return min((c.seen_standing_on for c in clauses), default=self.text_date)

    def freshness(self, day: date, clause_ids: Collection[str] | None = None) -> tuple[str, ...]:
        """Reasons why this reading may no longer be the law on `day`; empty when it is fresh.

        It is not fresh when overdue for review, or when a clause in force gives a reason, see `Clause.aged`. A rule set
        without clauses is not fresh when its text is not known to be current into the winter season before this one.
        Winter seasons run from 1 July: on 25 Nov 2026 the last season is the one that began on 1 July 2025.

        clause_ids: the clauses that matter; None for all. Unread clauses always count.
        """
        reasons = [f"was due for review on {self.review_by.isoformat()}"] if self.review_overdue(day) else []
        for c in self._that_matter(day, clause_ids):
            reasons += c.aged(day)
        if not self.clauses and self.text_date < last_season_start(day):
            reasons.append(f"is of {self.text_date.isoformat()}, older than the last winter season")
        return tuple(reasons)

    def clause_doubts(self, day: date, clause_ids: Collection[str] | None = None) -> tuple[str, ...]:
        """The doubts of the clauses that matter, see `Clause.doubts` and `freshness`."""
        return tuple(doubt for c in self._that_matter(day, clause_ids) for doubt in c.doubts(day))

    def _that_matter(self, day: date, clause_ids: Collection[str] | None) -> list[Clause]:
        named = None if clause_ids is None else {c.id for c in map(self.clause, clause_ids) if c is not None}
        return [
            c for c in self.clauses if c.in_force(day) and (named is None or c.id in named or c.sure is Sureness.UNREAD)
        ]

    def level_posted_as(self, words: str) -> ControlLevel | None:
        """The level whose id, legal name or vocabulary is these words, in any case; the strictest of several."""
        wanted = plain_words(words)
        found = [lv for lv in self.levels if wanted in map(plain_words, (lv.id, lv.legal_name, *lv.posted_as))]
        return max(found, key=lambda lv: lv.rank, default=None)


def plain_words(words: str) -> str:
    """A posted phrase without case, line breaks and repeated spaces."""
    return " ".join(words.split()).casefold()

"""One jurisdiction's chain rules as data. Law, and our estimate of what will be posted, are kept apart."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Literal


class Confidence(StrEnum):
    """How the text behind a rule was read."""

    STATUTE = "statute"  # the statute or rule text itself
    AGENCY = "agency"  # an agency page
    SECONDARY = "secondary"  # news, trade or another secondary page
    MEMORY = "memory"  # no source found
    DOUBT = "doubt"  # sources contradict, or the text allows two readings: the stricter one is used


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Inclusive dates within a year as (month, day); may wrap the new year."""

    start: tuple[int, int]
    end: tuple[int, int]

    def contains(self, day: date) -> bool:
        key = (day.month, day.day)
        if self.start <= self.end:
            return self.start <= key <= self.end
        return key >= self.start or key <= self.end


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """A stretch of a named road where a rule can apply, given by two points on it (route order does not matter).

    Mileposts are words for the reader; the points place it on a route's line.
    """

    id: str
    name: str
    road: str
    from_point: tuple[float, float]  # (latitude, longitude) degrees
    to_point: tuple[float, float]
    from_words: str = ""
    to_words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RigClass:
    """Which combinations a demand is for. None means "any". Masses in kg of rated (GVWR or GCWR) mass."""

    min_rated_mass_kg: float | None = None
    max_rated_mass_kg: float | None = None
    min_axles: int | None = None
    max_axles: int | None = None
    min_drive_axles: int | None = None
    max_drive_axles: int | None = None
    min_towed_units: int | None = None
    max_towed_units: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Tires asked on one group of axles: on which axles, and how many tires on each chosen axle.

    axles: "one" any one axle of the group, "all" every one, "primary" the foremost, "last" the rearmost of the
    group, "two" any two. per_axle: "each side" one tire on each side, "all tires" every tire,
    "one tire" a single tire on either side, "diagonal" one tire on each of two axles, on opposite sides.
    place: which tire of a dual pair counts. total_tires: at least this many of the group's tires, any
    arrangement that is mirror-symmetric left to right (used where a law only counts tires).
    """

    group: Literal["drive", "steer", "trailer", "dolly", "tag"]
    axles: Literal["one", "all", "primary", "last", "two"] = "one"
    per_axle: Literal["each side", "all tires", "one tire", "diagonal"] = "each side"
    place: Literal["outside", "inside", "either"] = "outside"
    units: Literal["each towed", "last towed", "any towed", "power"] = "power"
    total_tires: int | None = None
    skip_lift: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What a level asks of one class of rig: any one of `layouts`; each layout is a set of placements, all needed.

    An empty layout means nothing is asked. `section` is the text it stands on.
    """

    rig_class: RigClass
    layouts: tuple[tuple[Placement, ...], ...]
    section: str
    confidence: Confidence
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLevel:
    """A control as the authority posts it. `rank` orders levels of one jurisdiction, larger is stricter."""

    id: str
    legal_name: str
    rank: int
    demands: tuple[Demand, ...]  # first whose class fits the rig
    zones: tuple[str, ...] = ()  # zone ids; empty: wherever signed
    devices: tuple[str, ...] = ("tire chains",)
    speed_limit_mps: float | None = None
    speed_section: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryRule:
    """A duty to have chains on board by date and road, whatever the weather."""

    season: Season
    rig_class: RigClass
    zones: tuple[str, ...]  # zone ids; empty: everywhere in the jurisdiction
    enough_for_level: str  # id of the level whose demand must be met from what is carried
    spare_singles: int
    section: str
    confidence: Confidence
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingEstimate:
    """OUR ESTIMATE, not law: how likely this level is posted where the pavement is in one of these classes.

    road_classes are RoadClass values; probability is for a grade of at least `min_abs_grade` anywhere within the
    level's zone or within `reach_m` of the sample.
    """

    level: str
    road_classes: tuple[int, ...]
    probability: float
    min_abs_grade: float = 0.0
    reach_m: float = 3000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """A jurisdiction's rules, with their text's date and the dates of our reading."""

    jurisdiction: str  # ISO 3166-2
    name: str
    citation: str
    text_date: date
    reviewed_on: date
    review_by: date
    levels: tuple[ControlLevel, ...]
    zones: tuple[Zone, ...] = ()
    carry: tuple[CarryRule, ...] = ()
    estimates: tuple[PostingEstimate, ...] = ()
    sources: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def level(self, level_id: str) -> ControlLevel:
        return next(lv for lv in self.levels if lv.id == level_id)

    def zone(self, zone_id: str) -> Zone:
        return next(z for z in self.zones if z.id == zone_id)

"""The law on a trip, land by land: what is asked aboard and on the tires, and every other duty on file."""

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyNote:
    """A duty beside the chains, or a fact that goes with it.

    kind: "ban", "restriction", "winter tires" (or "winter tires met"), "speed", "removal", "exemption", "turn round",
        "fine" or "note".
    grave: it bars this rig, or forbids chains, on this trip.
    """

    kind: str
    text: str
    section: str = ""
    confidence: str = ""
    doubt: str = ""
    clause: str = ""
    grave: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TireOwed:
    """One tire that the level asks for, and the sections that ask for it.

    axle: from 1 at the steer axle. unit: 0 for the power unit. side, place: "left", "outside" and the like.
    """

    unit: int
    axle: int
    role: str
    side: str
    place: str
    sections: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LandLaw:
    """One land on the way, in the direction of travel.

    known: False where no rule is on file; the figures are then the most that its neighbours ask.
    aboard_n: single chains that must be aboard, spares included; 0 where no duty is certain.
    aboard_maybe_n: single chains of a duty that may apply, on roads that are not on the map; 0 without one.
    carry_from_m, carry_to_m: where that duty begins and ends on this way, None without one.
    carry_ends: its end in the words of the law, "" where these name none.
    level_id, level_name: the level that the figures are for, "" where the rules ask no chains of this rig.
    basis: "posted", "expected" by our estimate, or "if posted": no control is expected, and this is the strictest.
    power_n, towed_n: tires to chain on the power unit and on towed units at that level.
    barred: why this rig may not pass at a level that is posted or expected, "" if it may.
    practice: company practice that asks more than the law here; by_law_n: the tires of the law then.
    last_stop: the last listed stop before this land or, in it, before the first road of a control: a place to turn.
    """

    jurisdiction: str
    name: str
    start_m: float
    end_m: float
    zone: str
    enter_at: datetime
    known: bool
    aboard_n: int
    aboard_short: int
    carry_from_m: float | None
    carry_to_m: float | None
    carry_ends: str
    carry_section: str
    level_id: str
    level_name: str
    basis: str
    power_n: int
    towed_n: int
    tires_words: str
    tires: tuple[TireOwed, ...]
    section: str
    confidence: str
    doubt: str
    clause: str
    clause_doubts: tuple[str, ...]
    devices: tuple[str, ...]
    barred: str
    duties: tuple[DutyNote, ...]
    last_stop: str
    practice: str = ""
    by_law_n: int | None = None
    aboard_maybe_n: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LawChangeNote:
    """A change of a law on this way that takes effect soon: what this rig owes before and after.

    since: the first day of the new duty. more: the rig owes more.
    """

    jurisdiction: str
    name: str
    where: str
    since: date
    before: str
    after: str
    more: bool

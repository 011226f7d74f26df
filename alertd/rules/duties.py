"""The duties of a chain law beside its levels: chains aboard, winter tires, bans, speeds, removal, fines."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from alertd.rules.clause import Confidence
from alertd.rules.rig_class import EVERY_RIG, RigClass


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Inclusive dates within a year as (month, day); may wrap the new year.

    ends: last days that differ from year to year (Easter), one per calendar year; `end` applies in a year without one.
    """

    start: tuple[int, int]
    end: tuple[int, int]
    ends: tuple[date, ...] = ()

    def contains(self, day: date) -> bool:
        """True when `day` is in the season."""
        key = (day.month, day.day)
        end = next(((e.month, e.day) for e in self.ends if e.year == day.year), self.end)
        if self.start <= end:
            return self.start <= key <= end
        return key >= self.start or key <= end


@dataclass(frozen=True, slots=True, kw_only=True)
class Exemption:
    """Whom a level or a duty leaves out, in words. The program never decides that a rig is exempt.

    paper: the paper that proves it to an officer, "" where no text that was read names one.
    """

    who: str
    paper: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryRule:
    """A duty to carry chains by date and road, whatever the weather.

    exemptions: see `Exemption`.
    satisfied_by: devices that, fitted to the rig, meet the duty (winter tires in place of chains on board).
    zones_complete: False where the list of roads was not read to its end. Elsewhere in the jurisdiction the duty cannot
        be ruled out.
    when_posted: the duty also applies out of season while `enough_for_level` or a stricter level is posted.
    trigger: "date" in season; "road" in season whenever the state of the road may require chains.
    """

    season: Season
    rig_class: RigClass
    zones: tuple[str, ...]  # zone ids; empty: everywhere in the jurisdiction
    enough_for_level: str  # id of the level whose demand the carried chains must meet
    spare_singles: int
    section: str
    confidence: Confidence
    doubt: str = ""
    zones_complete: bool = True
    exemptions: tuple[Exemption, ...] = ()
    satisfied_by: tuple[str, ...] = ()
    clause: str = ""
    when_posted: bool = False
    trigger: Literal["date", "road"] = "date"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainBan:
    """Dates when chains on bare or paved road are unlawful, and where, in words.

    zones: the zones of the file where it applies; empty for all of the jurisdiction.
    """

    season: Season
    where: str
    section: str
    confidence: Confidence
    clause: str = ""
    zones: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TireDuty:
    """Winter tires required of a class of rigs by date or by the state of the road, in words.

    satisfied_by: devices that, stated by the rig, meet the duty.
    """

    season: Season | None
    what: str
    section: str
    confidence: Confidence
    doubt: str = ""
    clause: str = ""
    rig_class: RigClass = EVERY_RIG
    satisfied_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainedSpeed:
    """The speed limit with chains on, everywhere. `binding` is False for advice that is not law."""

    limit_mps: float
    binding: bool
    section: str
    confidence: Confidence
    doubt: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fine:
    """The fine for an offence, in the currency of the text."""

    offence: str
    amount: str
    section: str
    confidence: Confidence
    doubt: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal:
    """Where or when chains must come off."""

    what: str
    section: str
    confidence: Confidence
    doubt: str = ""
    clause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Restriction:
    """What the law asks of a class of rigs in winter beside chains: a lane, a road that is barred, a speed.

    season: None at all dates.
    zones: zone ids; empty everywhere in the jurisdiction.
    trigger: "always", or "road" while the road is wintry.
    barred: such a rig may not drive there.
    """

    what: str
    section: str
    confidence: Confidence
    rig_class: RigClass = EVERY_RIG
    season: Season | None = None
    zones: tuple[str, ...] = ()
    trigger: Literal["always", "road"] = "always"
    barred: bool = False
    doubt: str = ""
    clause: str = ""

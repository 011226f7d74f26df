"""A clause of a law: what it asks, when it is in force, and how well it and its source are known."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Sureness(StrEnum):
    """How the content of a clause is known."""

    TEXT = "text"  # the text itself was read
    AGENCY = "agency"  # an agency's page was read
    PRESS = "press"  # a press or trade page was read
    MEMORY = "memory"  # no source was read
    UNREAD = "unread"  # the clause is known to exist, its content is not known


class Confidence(StrEnum):
    """Kind of source behind the text of a rule."""

    STATUTE = "statute"  # the statute or rule text itself
    AGENCY = "agency"  # an agency page
    SECONDARY = "secondary"  # news, trade or another secondary page
    MEMORY = "memory"  # no source found
    DOUBT = "doubt"  # sources contradict, or the text allows two readings; the stricter one is used


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """A clause, or one version of it. Blocks of a rule set that name a clause apply only while it is in force.

    asks: what it asks, in a few words.
    seen_standing_on: the newest day on which something that we read shows the clause in force.
    in_force_from, in_force_until: first and last day; None where not known or without an end.
    known_to_change: why the clause is expected to change, "" for a clause that rarely changes.
    page, question: the page that a person must open, and the question that it answers.
    read_sha256: SHA-256 of the text that was read, "" where it was not kept.
    """

    id: str
    asks: str
    sure: Sureness
    seen_standing_on: date
    source: str = ""
    in_force_from: date | None = None
    in_force_until: date | None = None
    read_again_by: date | None = None
    known_to_change: str = ""
    page: str = ""
    question: str = ""
    read_sha256: str = ""

    def in_force(self, day: date) -> bool:
        """True on the days of the clause, both ends included."""
        begun = self.in_force_from is None or self.in_force_from <= day
        return begun and (self.in_force_until is None or day <= self.in_force_until)

    def aged(self, day: date) -> tuple[str, ...]:
        """Reasons why the clause on file may not be the law on `day`.

        Age alone is no reason: an old section that stands is the law. A clause is in doubt when it is known to change
        and was last seen standing before the last winter season, when nobody read it, or when its reading is overdue.
        """
        reasons = []
        if self.sure is Sureness.UNREAD:
            since = f" since {self.in_force_from.isoformat()}" if self.in_force_from else ""
            reasons.append(f"{self.asks}: in force{since}, text not read")
        elif self.known_to_change and self.seen_standing_on < last_season_start(day):
            reasons.append(f"{self.asks}: last seen {self.seen_standing_on.isoformat()}, {self.known_to_change}")
        if self.read_again_by is not None and day > self.read_again_by:
            reasons.append(f"{self.asks}: was due for reading on {self.read_again_by.isoformat()}")
        return tuple(reasons)

    def doubts(self, day: date) -> tuple[str, ...]:
        """What a reader must know of the clause on `day`: that it is from memory, and the reasons of `aged`."""
        memory = (f"{self.asks}: from memory",) if self.sure is Sureness.MEMORY else ()
        return (*memory, *self.aged(day))


def last_season_start(day: date) -> date:
    """The 1 July that began the winter season before that of `day`."""
    return date(day.year - (1 if (day.month, day.day) >= (7, 1) else 2), 7, 1)

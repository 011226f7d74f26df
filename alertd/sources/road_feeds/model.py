"""What a feed of posted conditions says, in the form that every format of feed is read into."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.plan.posted import ControlLocation

MAX_CHARS: Final = 120  # of a source's words that go into a line for people


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedRow:
    """One entry. text: the words that are looked up; quote: what people are shown. Times are aware and UTC, None where
    not given or not readable. closed: the format itself says that the road is closed. stands_now: whatever its times
    say. wheres: none where it is not placed; place: the name of one. bearing_deg: the direction it is for."""

    id: str
    text: str
    quote: str
    since: datetime | None = None
    until: datetime | None = None
    wheres: tuple[ControlLocation, ...] = ()
    place: str = ""
    bearing_deg: float | None = None
    closed: bool = False
    stands_now: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedContent:
    """Its entries, when it was published (None where it does not say), and what of it was left out, in words."""

    rows: tuple[FeedRow, ...]
    published: datetime | None = None
    left_out: tuple[str, ...] = ()


def short(text: str) -> str:
    """Printable words on one line, cut where they are long."""
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return words if len(words) <= MAX_CHARS else f"{words[: MAX_CHARS - 3].rstrip()}..."

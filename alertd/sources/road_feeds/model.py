"""Common form of a road feed's content, for every feed format."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.plan.posted import ControlLocation

MAX_CHARS: Final = 120  # of a source's text in one displayed line


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedRow:
    """One entry.

    text: the words to look up; quote: the text to display. Times are aware and UTC, None where absent or unreadable.
    closed: the format itself marks the road as closed. stands_now: active now, whatever its times. wheres: empty where
    the entry has no location; place: the name of one. bearing_deg: its direction.
    """

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
    """The entries, the publication time (None if absent), and what was left out, as text."""

    rows: tuple[FeedRow, ...]
    published: datetime | None = None
    left_out: tuple[str, ...] = ()


def short(text: str) -> str:
    """Return printable text on one line, truncated to MAX_CHARS."""
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return words if len(words) <= MAX_CHARS else f"{words[: MAX_CHARS - 3].rstrip()}..."

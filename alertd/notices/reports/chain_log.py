"""Builds the chain log from driver reports: when chains were on, for how long and where, for payroll.

No report is discarded or silently corrected. An end without a report stays open, a repeated report is counted. A
correction is listed with what it corrects, who made it, when and why.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

# A second report within this is a repeat; a later one starts a new entry. Our own choice.
DUPLICATE_WITHIN: Final = timedelta(minutes=15)
OPEN_FOR: Final = timedelta(hours=12)  # after this time without a report, chains no longer count as on
HANGING_FOR: Final = timedelta(hours=4)  # a begin of work longer before its end belongs to no entry. Our own choice.


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainReport:
    """One report of chains on (`on`) or off, or that this work has begun.

    id: of its event. by: the reporter, "" for the driver.
    """

    id: str
    on: bool
    at: datetime
    place: str = ""
    by: str = ""
    begun: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """An office's correction of one entry, identified by any of its reports. None: as reported.

    void: chains were not installed at all. at: when the correction was made. hanging, removing: when that work began.
    """

    entry: str
    by: str
    why: str
    at: datetime
    start: datetime | None = None
    end: datetime | None = None
    place: str | None = None
    void: bool = False
    hanging: datetime | None = None
    removing: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedPlace:
    """A place in the log. state: ISO 3166-2, "" if not known. zone: IANA name."""

    words: str
    state: str
    zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainLogEntry:
    """One period of chains on. reported_start, reported_end: None if not reported.

    reported_hanging, reported_removing: when the work of hanging and of taking off began, None if not reported.
    id: of its first report; `taps` has the ids of all. repeats: number of repeated reports. overlaps: other trips of
    the driver with chains on at the same time.
    """

    id: str
    taps: tuple[str, ...]
    trip_id: str
    driver: str
    reported_start: datetime | None
    reported_end: datetime | None
    on_place: LoggedPlace
    off_place: LoggedPlace
    repeats: int = 0
    by: tuple[str, ...] = ()
    corrections: tuple[Correction, ...] = ()
    overlaps: tuple[str, ...] = ()
    reported_hanging: datetime | None = None
    reported_removing: datetime | None = None

    @property
    def hanging(self) -> datetime | None:
        """When hanging began, after corrections, else as reported."""
        return next((c.hanging for c in reversed(self.corrections) if c.hanging), self.reported_hanging)

    @property
    def removing(self) -> datetime | None:
        """When taking off began, after corrections, else as reported."""
        return next((c.removing for c in reversed(self.corrections) if c.removing), self.reported_removing)

    @property
    def hanging_minutes(self) -> int | None:
        """Whole minutes from the begin of hanging to chains on; None where either is not known, 0 if voided."""
        return self._between(self.hanging, self.start)

    @property
    def running_minutes(self) -> int | None:
        """Whole minutes with chains on until taking off began, or until chains off where that was not reported."""
        return self._between(self.start, self.removing or self.end)

    @property
    def removing_minutes(self) -> int | None:
        """Whole minutes from the begin of taking off to chains off; None where either is not known, 0 if voided."""
        return self._between(self.removing, self.end)

    def _between(self, first: datetime | None, last: datetime | None) -> int | None:
        if self.void:
            return 0
        if first is None or last is None:
            return None
        return round((last - first).total_seconds() / 60.0)

    @property
    def start(self) -> datetime | None:
        """Start time after corrections, else as reported."""
        return next((c.start for c in reversed(self.corrections) if c.start), self.reported_start)

    @property
    def end(self) -> datetime | None:
        """End time after corrections, else as reported."""
        return next((c.end for c in reversed(self.corrections) if c.end), self.reported_end)

    @property
    def place(self) -> str:
        """Where chains were put on, or taken off if only that is known."""
        corrected = next((c.place for c in reversed(self.corrections) if c.place is not None), None)
        return corrected if corrected is not None else self.on_place.words or self.off_place.words

    @property
    def void(self) -> bool:
        """Whether the last correction voids the entry."""
        return bool(self.corrections) and self.corrections[-1].void

    @property
    def minutes(self) -> int | None:
        """Whole minutes from on to off, in UTC, so clock changes do not count.

        None where an end is open, 0 for a voided entry.
        """
        return self._between(self.start, self.end)

    @property
    def first(self) -> datetime:
        """The first time of the entry that is known."""
        known = [t for t in (self.hanging, self.start, self.removing, self.end) if t is not None]
        return min(known)

    def open_end(self, now_utc: datetime) -> str:
        """Return what is missing, as text; "" when nothing is."""
        if self.void:
            return ""
        if self.start is None and self.end is None and self.hanging is not None:
            return "still hanging" if now_utc - self.hanging <= HANGING_FOR else "chains on not reported"
        if self.start is None:
            return "start not reported"
        if self.end is None:
            return "still on" if now_utc - self.start <= OPEN_FOR else "end not reported"
        return ""


def pair_reports(
    taps: Sequence[ChainReport],
) -> list[tuple[ChainReport | None, ChainReport | None, tuple[ChainReport, ...]]]:
    """Return the reports of one trip as (on, off, repeats), in order of time. A missing end is None.

    Reports that work has begun are not among them: see `chain_work.begun_of`.
    """
    out: list[tuple[ChainReport | None, ChainReport | None, tuple[ChainReport, ...]]] = []
    for tap in sorted(taps, key=lambda t: (t.at, not t.on, t.id)):
        on, off, repeats = out[-1] if out else (None, None, ())
        last = off or on
        if (
            last is not None
            and last.on is tap.on
            and tap.at - max(last.at, *(r.at for r in repeats), last.at) <= DUPLICATE_WITHIN
        ):
            out[-1] = (on, off, (*repeats, tap))
        elif tap.on:
            out.append((tap, None, ()))
        elif on is not None and off is None:
            out[-1] = (on, tap, repeats)
        else:
            out.append((None, tap, ()))
    return out


def with_corrections(entries: Sequence[ChainLogEntry], corrections: Sequence[Correction]) -> list[ChainLogEntry]:
    """Return the entries with their corrections, oldest first."""
    of: dict[str, list[Correction]] = defaultdict(list)
    for c in sorted(corrections, key=lambda c: c.at):
        of[c.entry].append(c)
    return [
        replace(e, corrections=tuple(sorted((c for tap in e.taps for c in of[tap]), key=lambda c: c.at)))
        for e in entries
    ]


def with_overlaps(entries: Sequence[ChainLogEntry]) -> list[ChainLogEntry]:
    """Return the entries with the driver's other trips on which chains were on at the same time."""
    of: dict[str, list[ChainLogEntry]] = defaultdict(list)
    for e in entries:
        if e.driver and not e.void and e.start is not None and e.end is not None:
            of[e.driver].append(e)
    out = []
    for e in entries:
        mine = of[e.driver] if e in of[e.driver] else []
        others = {o.trip_id for o in mine if o.id != e.id and _overlap(o, e)}
        out.append(replace(e, overlaps=tuple(sorted(others))))
    return out


def _overlap(a: ChainLogEntry, b: ChainLogEntry) -> bool:
    return bool(a.start and a.end and b.start and b.end and a.start < b.end and b.start < a.end)

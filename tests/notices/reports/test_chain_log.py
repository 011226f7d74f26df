"""The chain log: what is paired with what, minutes over a change of the clock, and that nothing reported is lost.

That drivers report chains on and off and are paid for the time between is common practice, no source.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.reports.chain_log import (
    ChainLogEntry,
    ChainReport,
    Correction,
    LoggedPlace,
    pair_reports,
    with_corrections,
    with_overlaps,
)
from alertd.notices.reports.chain_log_table import COLUMNS, chain_log_json, csv_text, lines

AT = datetime(2027, 1, 14, 14, 0, tzinfo=UTC)
PLACE = LoggedPlace(words="Larch Lot", state="US-ID", zone="America/Boise")
LATER = AT + timedelta(days=2)


def tap(minute: int, on: bool) -> ChainReport:
    return ChainReport(id=f"evt_{minute}{'on' if on else 'off'}", on=on, at=AT + timedelta(minutes=minute))


def shape(*taps: ChainReport) -> list[tuple[int | None, int | None, int]]:
    """Pairs as minutes after AT, and how many repeats each has."""

    def minute(t: ChainReport | None) -> int | None:
        return None if t is None else round((t.at - AT).total_seconds() / 60)

    return [(minute(on), minute(off), len(repeats)) for on, off, repeats in pair_reports(taps)]


def entry(start: datetime | None, end: datetime | None, **changes: object) -> ChainLogEntry:
    values = {
        "id": "evt_1", "taps": ("evt_1", "evt_2"), "trip_id": "T-1", "driver": "Bram", "reported_start": start,
        "reported_end": end, "on_place": PLACE, "off_place": PLACE,
    }  # fmt: skip
    return ChainLogEntry(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("taps", "expected"),
    [
        ([(0, True), (80, False)], [(0, 80, 0)]),
        ([(0, True), (80, False), (200, True), (260, False)], [(0, 80, 0), (200, 260, 0)]),
        ([(0, True), (4, True), (80, False), (81, False)], [(0, 80, 2)]),  # tapped twice with cold fingers
        ([(0, True), (200, True), (260, False)], [(0, None, 0), (200, 260, 0)]),  # taking off was forgotten
        ([(80, False)], [(None, 80, 0)]),  # hanging was forgotten
        ([(0, True), (80, False), (200, False)], [(0, 80, 0), (None, 200, 0)]),
        ([(0, True)], [(0, None, 0)]),
        ([], []),
    ],
)
def test_reports_are_paired_and_a_missing_end_stays_open(
    taps: list[tuple[int, bool]], expected: list[tuple[int | None, int | None, int]]
) -> None:
    assert shape(*(tap(*t) for t in taps)) == expected
    assert shape(*(tap(*t) for t in reversed(taps))) == expected


@given(st.lists(st.tuples(st.integers(0, 2000), st.booleans()), unique=True, max_size=20))
def test_every_report_is_in_one_entry_and_no_entry_is_reversed(taps: Sequence[tuple[int, bool]]) -> None:
    pairs = pair_reports([tap(*t) for t in taps])
    ids = [t.id for on, off, repeats in pairs for t in (on, off, *repeats) if t is not None]
    assert sorted(ids) == sorted(tap(*t).id for t in taps)
    assert all(on is None or off is None or on.at <= off.at for on, off, _ in pairs)


def test_minutes_are_elapsed_ones_when_the_clock_is_put_back() -> None:
    """Denver, 1 November 2026: 01:30 MDT is 07:30 UTC, and 01:30 MST an hour later (tz database)."""
    denver = replace(PLACE, zone="America/Denver")
    one = entry(
        datetime(2026, 11, 1, 7, 30, tzinfo=UTC), datetime(2026, 11, 1, 8, 30, tzinfo=UTC), on_place=denver,
        off_place=denver,
    )  # fmt: skip
    assert one.minutes == 60
    (row,) = chain_log_json([one], LATER)["entries"]
    assert (row["on"], row["off"]) == ("2026-11-01T01:30:00-06:00", "2026-11-01T01:30:00-07:00")
    assert "01:30 MDT to 01:30 MST" in "\n".join(lines([one], LATER))


def test_an_open_end_has_no_minutes_and_says_which_end() -> None:
    on = entry(AT, None)
    assert (on.minutes, on.open_end(AT + timedelta(hours=1)), on.open_end(LATER)) == (
        None, "still on", "end not reported",
    )  # fmt: skip
    assert entry(None, AT).open_end(LATER) == "start not reported"
    (sums,) = chain_log_json([on, entry(AT, AT + timedelta(minutes=90), id="evt_3")], LATER)["drivers"]
    assert sums == {"driver": "Bram", "minutes": 90, "paid_minutes": None, "entries": 2, "open": 1}


def test_last_correction_applies_and_the_report_stays_beside_it() -> None:
    first = Correction(entry="evt_2", by="Marit", why="forgot", at=LATER, end=AT + timedelta(minutes=50))
    second = Correction(
        entry="evt_1", by="Ivo", why="radio log", at=LATER + timedelta(hours=1), end=AT + timedelta(minutes=70)
    )
    (one,) = with_corrections([entry(AT, None)], [second, first])
    assert (one.minutes, one.reported_end, one.open_end(LATER)) == (70, None, "")
    assert [c.by for c in one.corrections] == ["Marit", "Ivo"]
    output = "\n".join(lines([one], LATER))
    assert "reported as 07:00 MST to ??:??" in output
    assert "by Marit: forgot" in output
    void = Correction(entry="evt_1", by="Ivo", why="test", at=LATER + timedelta(hours=2), void=True)
    (struck,) = with_corrections([one], [first, second, void])
    assert (struck.minutes, struck.void, struck.open_end(LATER)) == (0, True, "")


def test_two_trips_of_a_driver_at_once_are_marked_on_both() -> None:
    a = entry(AT, AT + timedelta(minutes=60))
    b = entry(AT + timedelta(minutes=59), AT + timedelta(minutes=90), id="evt_9", trip_id="T-2")
    apart = entry(AT + timedelta(minutes=60), AT + timedelta(minutes=90), id="evt_8", trip_id="T-3")
    assert [e.overlaps for e in with_overlaps([a, b])] == [("T-2",), ("T-1",)]
    assert [e.overlaps for e in with_overlaps([a, apart])] == [(), ()]
    assert [e.overlaps for e in with_overlaps([a, replace(b, driver="Ysolde")])] == [(), ()]


def test_a_spreadsheet_gets_one_line_an_entry_and_no_formula() -> None:
    text = csv_text([entry(AT, AT + timedelta(minutes=61), driver="=HYPERLINK(1)")], LATER)
    head, row = csv.reader(io.StringIO(text))
    assert tuple(head) == COLUMNS
    read = dict(zip(head, row, strict=True))
    assert (read["driver"], read["minutes"], read["state"]) == ("'=HYPERLINK(1)", "61", "US-ID")
    assert read["on"] == "2027-01-14T07:00:00-07:00"

"""Hanging, running and taking off apart in the chain log, and the operator's own terms of pay.

That drivers report the begin and the end of the work, and are paid for what is agreed, is common practice, no source.
"""

import csv
import io
from datetime import UTC, datetime, timedelta

from alertd.notices.reports.chain_log import ChainLogEntry, ChainReport, Correction, LoggedPlace, pair_reports
from alertd.notices.reports.chain_log_table import chain_log_json, csv_text, lines
from alertd.notices.reports.chain_pay import ChainPay
from alertd.notices.reports.chain_work import begun_of

AT = datetime(2027, 1, 14, 14, 0, tzinfo=UTC)
PLACE = LoggedPlace(words="Larch Lot", state="US-ID", zone="America/Boise")


def tap(minute: int, *, on: bool, begun: bool = False) -> ChainReport:
    return ChainReport(
        id=f"evt_{minute}{'on' if on else 'off'}{begun}", on=on, begun=begun, at=AT + timedelta(minutes=minute)
    )


def entry(hanging: int | None, on: int | None, removing: int | None, off: int | None) -> ChainLogEntry:
    at = [None if m is None else AT + timedelta(minutes=m) for m in (hanging, on, removing, off)]
    return ChainLogEntry(
        id="evt_1", taps=("evt_1",), trip_id="T-1", driver="Bram", reported_hanging=at[0], reported_start=at[1],
        reported_removing=at[2], reported_end=at[3], on_place=PLACE, off_place=PLACE,
    )  # fmt: skip


def test_begun_work_belongs_to_the_next_end_of_its_kind() -> None:
    """Two hangings a day; in the second the begin was tapped twice, and taking off was not reported as begun."""
    pairs = pair_reports([tap(35, on=True), tap(95, on=False), tap(300, on=True), tap(380, on=False)])
    begun = [tap(0, on=True, begun=True), tap(80, on=False, begun=True)]
    begun += [tap(260, on=True, begun=True), tap(270, on=True, begun=True)]
    work, alone = begun_of(pairs, begun)
    assert alone == []
    assert [(w.hanging and w.hanging.id, w.removing and w.removing.id, len(w.repeats)) for w in work] == [
        ("evt_0onTrue", "evt_80offTrue", 0), ("evt_260onTrue", None, 1)
    ]  # fmt: skip


def test_begun_work_without_an_end_is_kept() -> None:
    """A driver who begins and is told that the sign is off; the other report is five hours older than its end."""
    pairs = pair_reports([tap(600, on=True)])
    work, alone = begun_of(pairs, [tap(0, on=True, begun=True), tap(300, on=True, begun=True)])
    assert work[0].hanging is None
    assert [a.hanging.at for a in alone if a.hanging] == [AT, AT + timedelta(minutes=300)]
    begun = entry(0, None, None, None)
    assert begun.open_end(AT + timedelta(hours=1)) == "still hanging"
    assert begun.open_end(AT + timedelta(hours=5)) == "chains on not reported"
    assert begun.minutes is None


def test_parts_are_shown_apart_and_paid_as_agreed() -> None:
    one = entry(0, 35, 95, 110)
    assert (one.hanging_minutes, one.running_minutes, one.removing_minutes, one.minutes) == (35, 60, 15, 75)
    assert ChainPay().minutes(one) is None, "nothing is agreed"
    assert ChainPay(paid=("hanging", "removing")).minutes(one) == 50
    assert ChainPay(paid=("hanging", "running", "removing")).minutes(one) == 110
    text = "\n".join(lines([one], AT, ChainPay(paid=("hanging", "removing"), code="CHN")))
    assert "hanging 35 min, running 60 min, taking off 15 min; paid CHN: 50 min" in text


def test_a_part_that_is_not_known_is_not_paid_as_nothing() -> None:
    pay = ChainPay(paid=("hanging", "removing"))
    one = entry(None, 35, 95, 110)
    row = chain_log_json([one], AT, pay)["entries"][0]
    assert (row["paid_minutes"], row["unknown_parts"]) == (None, ["hanging"])
    corrected = Correction(entry="evt_1", by="Marit", why="radio", at=AT, hanging=AT)
    mended = chain_log_json([ChainLogEntry(**{f: getattr(one, f) for f in one.__dataclass_fields__} |  # type: ignore[arg-type]
                                           {"corrections": (corrected,)})], AT, pay)["entries"][0]  # fmt: skip
    assert (mended["paid_minutes"], mended["unknown_parts"]) == (50, [])


def test_the_sheet_has_the_operators_own_columns() -> None:
    columns = {"Employee": "driver", "Code": "pay_code", "Hours": "paid_hours", "=Day": "date"}
    sheet = csv_text([entry(0, 35, 95, 110)], AT, ChainPay(paid=("hanging", "removing"), code="CHN", columns=columns))
    head, row = csv.reader(io.StringIO(sheet))
    assert head == ["Employee", "Code", "Hours", "'=Day"]
    assert row == ["Bram", "CHN", "0.83", "2027-01-14"]

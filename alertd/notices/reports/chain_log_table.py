"""Formats the chain log as terminal text, as CSV, and as JSON types."""

import csv
import io
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from alertd.notices.reports.chain_log import ChainLogEntry
from alertd.notices.reports.chain_pay import ChainPay, paid_fields
from alertd.plan.serialize import to_plain

NOTHING_AGREED: Final = ChainPay()
COLUMNS: Final = (
    "driver", "trip_id", "date", "on", "off", "minutes", "missing", "place", "off_place", "state", "off_state",
    "zone", "off_zone", "on_utc", "off_utc", "reported_on_utc", "reported_off_utc", "void", "corrected_by",
    "corrected_at", "why", "reported_by", "repeats", "overlaps", "entry", "hanging_from", "removing_from",
    "hanging_minutes", "running_minutes", "removing_minutes", "pay_code", "paid_minutes", "paid_hours", "unknown_parts",
)  # fmt: skip


def chain_log_json(
    entries: Sequence[ChainLogEntry], now_utc: datetime, pay: ChainPay = NOTHING_AGREED
) -> dict[str, Any]:
    """Return the log with sums by driver. Times as ISO 8601, local ones with their offset."""
    sums: dict[str, list[ChainLogEntry]] = defaultdict(list)
    for e in entries:
        sums[e.driver].append(e)
    return {
        "entries": [_row(e, now_utc, pay) for e in entries],
        "drivers": [
            {
                "driver": driver,
                "minutes": sum(e.minutes or 0 for e in mine),
                "paid_minutes": sum(pay.minutes(e) or 0 for e in mine) if pay.paid else None,
                "entries": sum(not e.void for e in mine),
                "open": sum(e.open_end(now_utc) != "" for e in mine),
            }
            for driver, mine in sorted(sums.items())
        ],
    }


def csv_text(entries: Sequence[ChainLogEntry], now_utc: datetime, pay: ChainPay = NOTHING_AGREED) -> str:
    """Return the log as CSV with a header, in the operator's own columns where it has set some.

    A cell that a spreadsheet would treat as a formula gets an apostrophe.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    columns = pay.columns or {name: name for name in COLUMNS}
    table.writerow([_cell(heading) for heading in columns])
    for e in entries:
        row = _row(e, now_utc, pay)
        last = row["corrections"][-1] if row["corrections"] else {}
        row |= {
            "corrected_by": last.get("by", ""),
            "corrected_at": last.get("at", ""),
            "why": last.get("why", ""),
            "reported_by": "; ".join(row["reported_by"]),
            "overlaps": "; ".join(row["overlaps"]),
            "unknown_parts": "; ".join(row["unknown_parts"]),
            "void": "yes" if row["void"] else "",
        }
        table.writerow([_cell(row[name]) for name in columns.values()])
    return out.getvalue()


def lines(entries: Sequence[ChainLogEntry], now_utc: datetime, pay: ChainPay = NOTHING_AGREED) -> list[str]:
    """Return lines for the terminal: each driver's entries under the name, with the sum."""
    out: list[str] = []
    by_driver: dict[str, list[ChainLogEntry]] = defaultdict(list)
    for e in entries:
        by_driver[e.driver].append(e)
    for driver, mine in sorted(by_driver.items()):
        total = sum(e.minutes or 0 for e in mine)
        open_n = sum(e.open_end(now_utc) != "" for e in mine)
        out.append(f"{driver or '(no driver named)'}: {total} min" + (f", {open_n} open" if open_n else ""))
        for e in mine:
            row = _row(e, now_utc, pay)
            minutes = "struck out" if e.void else f"{e.minutes} min" if e.minutes is not None else row["missing"]
            where = f"{row['place'] or 'place not given'}" + (f" ({row['state']})" if row["state"] else "")
            spans = f"{_clock(e.start, e.on_place.zone)} to {_clock(e.end, e.off_place.zone)}"
            out.append(f"  {row['date']}  {spans}  {minutes:>10}  {where}, trip {e.trip_id}")
            if parts := _parts(e, pay):
                out.append(f"      {parts}")
            if e.repeats:
                out.append(f"      reported {e.repeats + 1} times over")
            if e.overlaps:
                out.append(f"      AT THE SAME TIME as on trip {', '.join(e.overlaps)}")
            if e.corrections:
                was = f"{_clock(e.reported_start, e.on_place.zone)} to {_clock(e.reported_end, e.off_place.zone)}"
                out.append(f"      reported as {was}")
            for c in e.corrections:
                out.append(f"      corrected {to_plain(c.at)} by {c.by}: {c.why}   [{e.id}]")
            if row["missing"]:
                out.append(f"      [{e.id}]")
    return out


def _parts(e: ChainLogEntry, pay: ChainPay) -> str:
    """Return hanging, running and taking off apart, and what is paid; "" where no begin of work is known."""
    if e.void or (e.hanging is None and e.removing is None and not pay.paid):
        return ""
    parts = (("hanging", e.hanging_minutes), ("running", e.running_minutes), ("taking off", e.removing_minutes))
    text = ", ".join(f"{name} {'not known' if m is None else f'{m} min'}" for name, m in parts)
    if not pay.paid:
        return text
    paid = pay.minutes(e)
    code = f" {pay.code}" if pay.code else ""
    return f"{text}; paid{code}: {'not known' if paid is None else f'{paid} min'}"


def _row(e: ChainLogEntry, now_utc: datetime, pay: ChainPay) -> dict[str, Any]:
    first = e.hanging or e.start or e.end
    zone = e.on_place.zone if e.start or e.hanging else e.off_place.zone
    return {
        "entry": e.id,
        "driver": e.driver,
        "trip_id": e.trip_id,
        "date": first.astimezone(ZoneInfo(zone)).date().isoformat() if first else "",
        "on": _local(e.start, e.on_place.zone),
        "off": _local(e.end, e.off_place.zone),
        "hanging_from": _local(e.hanging, e.on_place.zone),
        "removing_from": _local(e.removing, e.off_place.zone),
        "hanging_minutes": e.hanging_minutes,
        "running_minutes": e.running_minutes,
        "removing_minutes": e.removing_minutes,
        **paid_fields(e, pay),
        "minutes": e.minutes,
        "missing": e.open_end(now_utc),
        "place": e.place,
        "off_place": e.off_place.words,
        "state": e.on_place.state,
        "off_state": e.off_place.state,
        "zone": e.on_place.zone,
        "off_zone": e.off_place.zone,
        "on_utc": to_plain(e.start),
        "off_utc": to_plain(e.end),
        "reported_on_utc": to_plain(e.reported_start),
        "reported_off_utc": to_plain(e.reported_end),
        "void": e.void,
        "reported_by": list(e.by),
        "repeats": e.repeats,
        "overlaps": list(e.overlaps),
        "corrections": [to_plain(c) for c in e.corrections],
    }


def _local(when: datetime | None, zone: str) -> str | None:
    return None if when is None else when.astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")


def _clock(when: datetime | None, zone: str) -> str:
    return "??:??" if when is None else when.astimezone(ZoneInfo(zone)).strftime("%H:%M %Z")


def _cell(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t") else value

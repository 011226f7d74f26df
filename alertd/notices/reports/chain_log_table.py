"""Formats the chain log as terminal text, as CSV, and as JSON types."""

import csv
import io
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from alertd.notices.reports.chain_log import ChainLogEntry
from alertd.plan.serialize import to_plain

COLUMNS: Final = (
    "driver", "trip_id", "date", "on", "off", "minutes", "missing", "place", "off_place", "state", "off_state",
    "zone", "off_zone", "on_utc", "off_utc", "reported_on_utc", "reported_off_utc", "void", "corrected_by",
    "corrected_at", "why", "reported_by", "repeats", "overlaps", "entry",
)  # fmt: skip


def chain_log_json(entries: Sequence[ChainLogEntry], now_utc: datetime) -> dict[str, Any]:
    """Return the log with sums by driver. Times as ISO 8601, local ones with their offset."""
    sums: dict[str, list[ChainLogEntry]] = defaultdict(list)
    for e in entries:
        sums[e.driver].append(e)
    return {
        "entries": [_row(e, now_utc) for e in entries],
        "drivers": [
            {
                "driver": driver,
                "minutes": sum(e.minutes or 0 for e in mine),
                "entries": sum(not e.void for e in mine),
                "open": sum(e.open_end(now_utc) != "" for e in mine),
            }
            for driver, mine in sorted(sums.items())
        ],
    }


def csv_text(entries: Sequence[ChainLogEntry], now_utc: datetime) -> str:
    """Return the log as CSV with a header. A cell that a spreadsheet would treat as a formula gets an apostrophe."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for e in entries:
        row = _row(e, now_utc)
        last = row["corrections"][-1] if row["corrections"] else {}
        row |= {
            "corrected_by": last.get("by", ""),
            "corrected_at": last.get("at", ""),
            "why": last.get("why", ""),
            "reported_by": "; ".join(row["reported_by"]),
            "overlaps": "; ".join(row["overlaps"]),
            "void": "yes" if row["void"] else "",
        }
        table.writerow([_cell(row[name]) for name in COLUMNS])
    return out.getvalue()


def lines(entries: Sequence[ChainLogEntry], now_utc: datetime) -> list[str]:
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
            row = _row(e, now_utc)
            minutes = "struck out" if e.void else f"{e.minutes} min" if e.minutes is not None else row["missing"]
            where = f"{row['place'] or 'place not given'}" + (f" ({row['state']})" if row["state"] else "")
            spans = f"{_clock(e.start, e.on_place.zone)} to {_clock(e.end, e.off_place.zone)}"
            out.append(f"  {row['date']}  {spans}  {minutes:>10}  {where}, trip {e.trip_id}")
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


def _row(e: ChainLogEntry, now_utc: datetime) -> dict[str, Any]:
    first = e.start or e.end
    zone = e.on_place.zone if e.start else e.off_place.zone
    return {
        "entry": e.id,
        "driver": e.driver,
        "trip_id": e.trip_id,
        "date": first.astimezone(ZoneInfo(zone)).date().isoformat() if first else "",
        "on": _local(e.start, e.on_place.zone),
        "off": _local(e.end, e.off_place.zone),
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

"""Imports the trips file row by row. Reports unreadable rows to the office, once per content."""

import logging
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from alertd.errors import InputError
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice
from alertd.records.trips_rows import REPORTED_ROWS, is_reported, row_hash
from alertd.service.trip_import.save_trip import save_trip
from alertd.service.trip_import.vanished_rows import MOST_ROWS, OF_USE, Targets, handle_vanished, may_return
from alertd.sources.files.trips import BadRow, TripsFile, ZoneOf, no_zone, read_trips_file
from alertd.store.store import Store

log = logging.getLogger(__name__)

MOST_IN_BODY: Final = 100  # keeps a body far below 64 kB

Unread = tuple[tuple[str, str], ...]  # (file and row, reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class TripsImport:
    """What a file becomes. zone_of: gives local times their zone. cancel: whether a row that is gone ends its trip."""

    path: Path
    targets: Targets
    zone_of: ZoneOf = no_zone
    cancel: bool = True


def import_trips_file(ask: TripsImport, store: Store, now_utc: datetime) -> tuple[Unread, tuple[str, ...]]:
    """Save the trips of a file; returns what could not be read, and the ignored columns.

    A trip whose row has become unreadable stays as in its last readable row. Raises StoreError.
    """
    path, targets = ask.path, ask.targets
    try:
        file = read_trips_file(path, ask.zone_of)
    except InputError as exc:
        log.error("%s", exc)
        _report_file(path, exc, store, targets, now_utc)
        return ((path.name, f"{exc}; trips named in it only are not planned"),), ()
    for trip in file.trips:
        stored = store.trip(trip.id)
        if stored is None or not stored.cancelled or may_return(store, trip.id, now_utc):
            save_trip(store, trip, now_utc, replace=True)
    handle_vanished(path.name, file, store, targets, now_utc, cancel=ask.cancel)
    _report_rows(path, file, store, targets, now_utc)
    return tuple((f"{path.name} {bad.label}", _why(bad, store)) for bad in file.bad), file.ignored


def _report_rows(path: Path, file: TripsFile, store: Store, targets: Targets, now_utc: datetime) -> None:
    new = [bad for bad in file.bad if not is_reported(store, bad)]
    if not new:
        if file.bad:
            log.warning("%s: %d rows still cannot be read; `alertd check` lists them", path.name, len(file.bad))
        return
    for bad in new:
        log.error("%s", bad.mistake)
    lines = [f"{path.name} {bad.label}: {_why(bad, store)}" for bad in new]
    text = "\n".join((
        f"TRIPS NOT READ: {len(new)} {'row' if len(new) == 1 else 'rows'} of {path.name}.",
        *lines[:MOST_ROWS],
        *([f"and {len(lines) - MOST_ROWS} more"] if lines[MOST_ROWS:] else []),
        f"The other {len(file.trips)} trips of the file are planned. `alertd check` lists every bad row. "
        f"{phrases.SIGNS}",
    ))  # fmt: skip
    rows = [{"row": bad.label, "trip_id": bad.trip_id, "problem": _problem(bad.mistake)} for bad in new[:MOST_IN_BODY]]
    key = ("trips_file", path.name, *sorted(bad.content for bad in new))
    notice = office_notice("fleet.trips_file", key, text, OF_USE, now_utc, file=path.name, rows=rows)
    store.record_notices([notice], targets, now_utc)
    for bad in new:  # after the notice: a crash here causes a second report, never a missing one
        REPORTED_ROWS.save(store, row_hash(bad), now_utc)


def _report_file(path: Path, mistake: InputError, store: Store, targets: Targets, now_utc: datetime) -> None:
    """Once a day per mistake: a folder that is unavailable at times is reported each day."""
    text = (
        f"TRIPS NOT READ: {mistake}. Trips that were read before stay planned; new or changed ones are not. "
        f"{phrases.SIGNS}"
    )
    key = ("trips_file", path.name, str(mistake), now_utc.date().isoformat())
    notice = office_notice("fleet.trips_file", key, text, OF_USE, now_utc, file=path.name, rows=[])
    store.record_notices([notice], targets, now_utc)


def _why(bad: BadRow, store: Store) -> str:
    known = store.trip(bad.trip_id) if bad.trip_id else None
    if known is not None and not known.cancelled:
        return f"{_problem(bad.mistake)}; {bad.trip_id} stays as its last good row was"
    who = f"{bad.trip_id} is" if bad.trip_id else "it is"
    return f"{_problem(bad.mistake)}; {who} NOT planned: its driver should be ready to chain"


def _problem(mistake: InputError) -> str:
    text = f"{mistake.problem}; {mistake.hint}"
    return f"{mistake.field}: {text}" if mistake.field else text

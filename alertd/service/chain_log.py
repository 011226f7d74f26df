"""Builds the chain log: drivers' reports with their places, and corrections stored as separate events."""

import asyncio
import json
import logging
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.errors import AlertdError, InputError
from alertd.forecast.observations import distances_m
from alertd.notices.reports.chain_log import (
    HANGING_FOR,
    ChainLogEntry,
    ChainReport,
    Correction,
    LoggedPlace,
    pair_reports,
    with_corrections,
    with_overlaps,
)
from alertd.notices.reports.chain_work import WorkBegun, begun_of
from alertd.plan.position.map_match import PositionReport
from alertd.planning.planner import Planner
from alertd.records.corrections import CORRECTIONS
from alertd.records.driver_reports import REPORTS
from alertd.records.event_stream import Recorded
from alertd.records.positions import load_positions as positions_of
from alertd.route.model import Route, zone_at
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.corrections import CorrectionRequest
from alertd.sources.requests.driver_reports import (
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    REMOVING_BEGUN,
    ReportRequest,
)
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

_KINDS: Final = (HANGING_BEGUN, CHAINS_ON, REMOVING_BEGUN, CHAINS_OFF)
MAX_LENGTH: Final = timedelta(days=4)  # a trip is over by then, so reports further apart are not a pair
_SEEN_WITHIN: Final = timedelta(minutes=10)  # a position this close in time gives the place of the report
_ON_ROAD_M: Final = 1_000.0


async def chain_log(
    planner: Planner, store: Store, since: datetime, until: datetime, driver: str = ""
) -> tuple[ChainLogEntry, ...]:
    """Entries that begin in [since, until), oldest first. An entry without a reported start counts by its end."""
    reports, corrections, trips, positions = await asyncio.to_thread(_read, store, since - MAX_LENGTH)
    entries: list[ChainLogEntry] = []
    for trip_id, mine in reports.items():
        trip = trips.get(trip_id)
        route = await _route(planner, trip)
        pairs = pair_reports([t for t in mine if not t.begun])
        work, alone = begun_of(pairs, [t for t in mine if t.begun])
        pairs = [*pairs, *((None, None, ()) for _ in alone)]
        entries += [
            _entry(trip_id, trip, route, positions[trip_id], planner, (pair, begun))
            for pair, begun in zip(pairs, [*work, *alone], strict=True)
        ]
    whole = with_overlaps(with_corrections(entries, corrections))
    wanted = [e for e in whole if since <= e.first < until and (not driver or e.driver == driver)]
    return tuple(sorted(wanted, key=lambda e: (e.first, e.id)))


def save_correction(store: Store, request: CorrectionRequest, now_utc: datetime) -> bool:
    """Save a correction; returns whether it is new. An identical correction is the same event. Raises InputError for an
    unknown entry or impossible times."""
    report = store.event(request.entry)
    if report is None or report.kind not in _KINDS:
        raise InputError("request", "entry", f'"{request.entry}" is no entry of the chain log', "name one from the log")
    times = {name: getattr(request, name) for name in ("hanging_from", "on", "removing_from", "off")}
    for name, text in times.items():
        at = datetime.fromisoformat(text) if text else None
        if at is not None and at > now_utc:
            raise InputError("request", name, f"{at.isoformat()} is in the future", "give the time when it happened")
    _check_order(_whole_entry(store, report, request, now_utc), times)
    return CORRECTIONS.save(store, request, now_utc, report.trip_id)


def _check_order(entry: ChainLogEntry, asked: Mapping[str, str | None]) -> None:
    """Raise InputError where the corrected times of an entry are not those of one hanging."""
    on, off = entry.start, entry.end
    if on is not None and off is not None and not on < off <= on + MAX_LENGTH:
        raise InputError(
            "request", "off", f"chains would come off at {off.isoformat()}, and be hung at {on.isoformat()}",
            "give times of one hanging, on before off",
        )  # fmt: skip
    for name, begun, done in (("hanging_from", entry.hanging, on), ("removing_from", entry.removing, off)):
        if begun is None or done is None or not (asked[name] or asked["on"] or asked["off"]):
            continue
        before = on if name == "removing_from" else None
        if not done - HANGING_FOR <= begun <= done or (before is not None and begun < before):
            raise InputError(
                "request", name, f"work that ends at {done.isoformat()} would begin at {begun.isoformat()}",
                f"give the begin of this work, at most {HANGING_FOR / timedelta(hours=1):.0f} h before its end",
            )  # fmt: skip


def _whole_entry(store: Store, report: StoredEvent, request: CorrectionRequest, now_utc: datetime) -> ChainLogEntry:
    """The entry that holds a report, with the corrections so far and a new one; places are left out."""
    reports = [_tap(e) for kind in _KINDS for e in REPORTS[kind].load(store, report.trip_id)]
    pairs = pair_reports([r for r in reports if not r.begun])
    work, alone = begun_of(pairs, [r for r in reports if r.begun])
    nowhere = LoggedPlace(words="", state="", zone="UTC")
    made = [_correction(e) for e in CORRECTIONS.load(store, report.trip_id)]
    new = Recorded(id="", trip_id=report.trip_id, at=now_utc, value=request)
    for (on, off, repeats), begun in zip([*pairs, *((None, None, ()) for _ in alone)], [*work, *alone], strict=True):
        taps = [t for t in (on, off, begun.hanging, begun.removing, *repeats, *begun.repeats) if t is not None]
        if report.id in {t.id for t in taps}:
            entry = ChainLogEntry(
                id=taps[0].id, taps=tuple(t.id for t in taps), trip_id=report.trip_id, driver="", on_place=nowhere,
                off_place=nowhere, reported_start=on.at if on else None, reported_end=off.at if off else None,
                reported_hanging=begun.hanging.at if begun.hanging else None,
                reported_removing=begun.removing.at if begun.removing else None,
            )  # fmt: skip
            (whole,) = with_corrections([entry], made)
            return replace(whole, corrections=(*whole.corrections, _correction(new)))
    raise InputError("request", "entry", f'"{request.entry}" is no entry of the chain log', "name one from the log")


def _read(
    store: Store, since: datetime
) -> tuple[
    dict[str, list[ChainReport]], list[Correction], dict[str, TripRequest], dict[str, tuple[PositionReport, ...]]
]:
    reports: dict[str, list[ChainReport]] = defaultdict(list)
    for kind in _KINDS:
        for event in REPORTS[kind].load_since(store, since):
            reports[event.trip_id].append(_tap(event))
    corrections = [_correction(e) for e in CORRECTIONS.load_since(store, since)]
    trips = {}
    for stored in store.trips(cancelled_too=True):
        if stored.id in reports:
            try:
                trips[stored.id] = parse_trip(json.loads(stored.body), f"trip {stored.id}")
            except InputError as exc:  # stored by another version with wider rules
                log.warning("%s", exc)
    return reports, corrections, trips, {trip_id: positions_of(store, trip_id) for trip_id in reports}


def _tap(event: Recorded[ReportRequest]) -> ChainReport:
    r = event.value
    return ChainReport(
        id=event.id,
        on=r.what in (HANGING_BEGUN, CHAINS_ON),
        at=r.happened_at,
        place=r.place,
        by=r.by,
        begun=r.what in (HANGING_BEGUN, REMOVING_BEGUN),
    )


def _correction(event: Recorded[CorrectionRequest]) -> Correction:
    c = event.value
    on, off, hanging, removing = (
        datetime.fromisoformat(t) if t else None for t in (c.on, c.off, c.hanging_from, c.removing_from)
    )
    return Correction(
        entry=c.entry,
        by=c.by,
        why=c.why,
        at=event.at,
        start=on,
        end=off,
        place=c.place,
        void=c.void,
        hanging=hanging,
        removing=removing,
    )


async def _route(planner: Planner, trip: TripRequest | None) -> Route | None:
    """The trip's route from its current file; None when the file is gone, so the log names places in words only."""
    if trip is None:
        return None
    try:
        return await planner.route(trip.route, f"trip {trip.id}")
    except AlertdError as exc:
        log.warning("chain log: %s", exc)
        return None


def _entry(
    trip_id: str,
    trip: TripRequest | None,
    route: Route | None,
    positions: Sequence[PositionReport],
    planner: Planner,
    of: tuple[tuple[ChainReport | None, ChainReport | None, tuple[ChainReport, ...]], WorkBegun],
) -> ChainLogEntry:
    (on, off, repeats), work = of
    repeats = (*repeats, *work.repeats)
    reports = [t for t in (on, off, work.hanging, work.removing, *repeats) if t is not None]
    at_on, at_off = (
        _place(t, route, positions, planner.settings.brief_zone) for t in (on or work.hanging, off or work.removing)
    )
    here = at_on or at_off
    assert here is not None  # noqa: S101 - a pair has at least one end
    return ChainLogEntry(
        id=reports[0].id,
        taps=tuple(t.id for t in reports),
        trip_id=trip_id,
        driver=trip.driver if trip else "",
        reported_start=on.at if on else None,
        reported_end=off.at if off else None,
        on_place=at_on or LoggedPlace(words="", state="", zone=here.zone),
        off_place=at_off or LoggedPlace(words="", state="", zone=here.zone),
        repeats=len(repeats),
        reported_hanging=work.hanging.at if work.hanging else None,
        reported_removing=work.removing.at if work.removing else None,
        by=tuple(dict.fromkeys(t.by for t in reports if t.by)),
    )


def _place(
    report: ChainReport | None, route: Route | None, positions: Sequence[PositionReport], zone: str
) -> LoggedPlace | None:
    """Place of a report: the route's stop that it names, otherwise the truck's position at about that time."""
    if report is None:
        return None
    if route is None:
        return LoggedPlace(words=report.place, state="", zone=zone)
    name = report.place.casefold()
    stop = next((s for s in route.stops if name and name in (s.stop.name.casefold(), s.stop.id.casefold())), None)
    if stop is not None:
        return LoggedPlace(
            words=report.place, state=_state(route, stop.distance_m), zone=zone_at(stop.stop.lat_deg, stop.stop.lon_deg)
        )
    near = [p for p in positions if abs(p.at - report.at) <= _SEEN_WITHIN]
    if near:
        p = min(near, key=lambda p: abs(p.at - report.at))
        far_m = distances_m(np.array([p.lat_deg]), np.array([p.lon_deg]), route.lat_deg, route.lon_deg)[0]
        if far_m.min() <= _ON_ROAD_M:
            at_m = float(route.distance_m[far_m.argmin()])
            return LoggedPlace(words=report.place, state=_state(route, at_m), zone=zone_at(p.lat_deg, p.lon_deg))
    # The start of the road: a place given only in words may be anywhere along it.
    return LoggedPlace(words=report.place, state="", zone=zone_at(float(route.lat_deg[0]), float(route.lon_deg[0])))


def _state(route: Route, at_m: float) -> str:
    return next((j.code for j in route.jurisdictions if j.start_m <= at_m <= j.end_m), "")

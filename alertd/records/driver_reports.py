"""Driver reports of a trip (read, chains on or off, arrived, road seen): stored once, loaded for later use."""

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from alertd.notices.checklists.loading import Loaded
from alertd.notices.triggers.scheduled import ChainStatus
from alertd.plan.chain_up.chains_on import CLOCKS_APART, LASTS, Report, TruckReport, chains_on
from alertd.plan.controls.road_seen import SEEN_COUNTS_FOR, RoadSeen, Sight
from alertd.plan.model.stretches import Advice
from alertd.records.event_stream import EventStream, Retain, digest_id, from_json
from alertd.records.positions import load_positions
from alertd.rules.rig import Tire
from alertd.sources.requests.driver_reports import (
    ARRIVED,
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    LOADED,
    READ,
    REMOVING_BEGUN,
    ROAD_SEEN,
    ReportRequest,
    parse_report,
)
from alertd.store.rows import StoredEvent

if TYPE_CHECKING:
    from alertd.store.store import Store

RECENT = LASTS
CHAIN_REPORTS: Final = (Report.HANGING_BEGUN, Report.CHAINS_ON, Report.REMOVING_BEGUN, Report.CHAINS_OFF)
LONGEST_TRIP = timedelta(days=14)
POSITION_WITHIN: Final = timedelta(minutes=15)  # [A] at most 15 miles at 60 mph; an older position is another road


def _report_stream(what: str) -> EventStream[ReportRequest]:
    return EventStream(
        kind=what,
        id_of=lambda report, trip_id, at: (
            digest_id(trip_id, READ, report.notice_id) if what == READ else digest_id(trip_id, what, report.stored())
        ),
        dump=ReportRequest.stored,
        parse=from_json(parse_report),
        retain=Retain.REPORTS,
    )


REPORTS: Final = {
    what: _report_stream(what)
    for what in (READ, LOADED, HANGING_BEGUN, CHAINS_ON, REMOVING_BEGUN, CHAINS_OFF, ARRIVED, ROAD_SEEN)
}
ARRIVALS_SEEN: Final = EventStream[None](
    kind=Report.ARRIVED_SEEN.value,
    id_of=lambda _, trip_id, at: digest_id(trip_id, Report.ARRIVED_SEEN),
    dump=lambda _: "{}",
    parse=lambda event: None,
    retain=Retain.REPORTS,
)


def save_report(store: "Store", trip_id: str, report: ReportRequest) -> bool:
    """Save a report of a known trip; returns whether it is new. An identical report is the same event."""
    return REPORTS[report.what].save(store, report, report.happened_at, trip_id)


def confirmed_notices(store: "Store", now_utc: datetime) -> frozenset[str]:
    """Ids of the notices confirmed as read within `RECENT`."""
    return frozenset(event.value.notice_id for event in REPORTS[READ].load_since(store, now_utc - RECENT))


def chains_on_by_trip(store: "Store", now_utc: datetime) -> Mapping[str, ChainStatus]:
    """Chain status by trip from recent reports. A trip without a report is absent."""
    taps: dict[str, list[TruckReport]] = defaultdict(list)
    for kind in (Report.CHAINS_ON, Report.CHAINS_OFF):
        for event in store.events_since(kind.value, now_utc - RECENT):
            taps[event.trip_id].append(TruckReport(at=event.at, what=kind))
    return {trip_id: _chained(reports, now_utc) for trip_id, reports in taps.items()}


def _chained(reports: Sequence[TruckReport], now_utc: datetime) -> ChainStatus:
    on = chains_on(reports, now_utc)
    return ChainStatus(on_at=None if on is None else on.since)


def truck_reports(store: "Store", trip_ids: Collection[str], now_utc: datetime) -> dict[str, list[TruckReport]]:
    """Recent chain and arrival reports of the given trips, by trip, for planning."""
    events: list[tuple[StoredEvent, Report]] = []
    for kind in Report:
        since = now_utc - (RECENT if kind in CHAIN_REPORTS else LONGEST_TRIP)
        events += [(e, kind) for e in store.events_since(kind.value, since) if e.trip_id in trip_ids]
    current = {e.id: store.plan_before(e.trip_id, e.at) for e, kind in events if kind in CHAIN_REPORTS}
    plan_ids = {plan_id for plan_id in current.values() if plan_id is not None}
    stretches = {p.id: json.loads(p.body)["plan"]["stretches"] for p in store.stored_plans.read(plan_ids)}
    found: dict[str, list[TruckReport]] = defaultdict(list)
    for event, kind in events:
        of_plan = stretches.get(current.get(event.id) or "", [])
        found[event.trip_id].append(_truck_report(event, kind, of_plan))
    return found


def _truck_report(event: StoredEvent, kind: Report, stretches: Sequence[Mapping[str, Any]]) -> TruckReport:
    """The report with its place [m], for chains on the tires, and for hanging begun its length.

    stretches: of the plan current at that time, from which all are taken.
    """
    if kind not in CHAIN_REPORTS:
        return TruckReport(at=event.at, what=kind)
    ahead = [s for s in stretches if datetime.fromisoformat(s["leave_at"]) > event.at]
    tires, takes_s = None, None
    if kind in (Report.CHAINS_ON, Report.HANGING_BEGUN) and ahead:
        # Of stretches with one place to hang chains, the driver hangs them for the strictest advice.
        here = [s for s in ahead if s["chain_up"]["distance_m"] == ahead[0]["chain_up"]["distance_m"]]
        hung_for = max(here, key=lambda s: Advice(s["advice"]).rank)
        tires = tuple(Tire(*t) for t in hung_for["hanging"]["tires"]) if kind is Report.CHAINS_ON else None
        takes_s = max(float(s["hang_s"]) for s in here) if kind is Report.HANGING_BEGUN else None
    name = str(json.loads(event.body).get("place", "")).casefold()
    stops = [s[which] for s in stretches for which in ("chain_up", "chain_off") if s[which]["stop_id"]]
    places = {stop["distance_m"] for stop in stops if name and stop["name"].casefold() == name}
    place_m = places.pop() if len(places) == 1 else None
    return TruckReport(at=event.at, what=kind, tires=tires, place_m=place_m, takes_s=takes_s)


def loaded_by_trip(store: "Store", now_utc: datetime) -> Mapping[str, Loaded]:
    """The newest recent report of the loading list by trip."""
    found = sorted(REPORTS[LOADED].load_since(store, now_utc - RECENT), key=lambda e: e.at)
    return {e.trip_id: Loaded(at=e.at, missing=tuple(e.value.missing)) for e in found}


def roads_seen(store: "Store", places: Mapping[str, tuple[float, float]], now_utc: datetime) -> tuple[RoadSeen, ...]:
    """What drivers of any trip saw of the road within SEEN_COUNTS_FOR, where the place is known.

    places: latitude and longitude by name in lower case. A report without a place known there gets the truck's
    position nearest in time, within POSITION_WITHIN.
    """
    out = []
    for event in REPORTS[ROAD_SEEN].load_since(store, now_utc - SEEN_COUNTS_FOR):
        report = event.value
        at = places.get(report.place.strip().casefold()) if report.place.strip() else None
        if at is None:
            nearest = min(load_positions(store, event.trip_id), key=lambda p: abs(p.at - event.at), default=None)
            if nearest is not None and abs(nearest.at - event.at) <= POSITION_WITHIN:
                at = (nearest.lat_deg, nearest.lon_deg)
        if at is not None and event.at <= now_utc + CLOCKS_APART:
            sight = Sight(report.sight)
            out.append(RoadSeen(sight=sight, at=event.at, lat_deg=at[0], lon_deg=at[1], where=report.place.strip()))
    return tuple(out)


def keep_arrival(store: "Store", trip_id: str, at: datetime) -> bool:
    """Record that positions showed the truck's arrival; returns whether it is new. It is final for the trip."""
    return ARRIVALS_SEEN.save(store, None, at, trip_id)


def load_reports(store: "Store", trip_id: str) -> tuple[ReportRequest, ...]:
    """All read, chain and arrival reports of one trip, oldest first."""
    events = [event for stream in REPORTS.values() for event in stream.load(store, trip_id)]
    return tuple(event.value for event in sorted(events, key=lambda e: (e.at, e.id)))

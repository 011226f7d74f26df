"""What a driver reports by one tap: saved once, and what applies by all taps so far."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from alertd.errors import InputError
from alertd.i18n import gettext_noop
from alertd.notices.checklists.items import ITEMS
from alertd.notices.checklists.loading import Loaded
from alertd.notices.triggers.scheduled import ChainStatus
from alertd.plan.chain_up.chains_on import CLOCKS_APART, Report, TruckReport, chains_on
from alertd.plan.chain_up.hanging import LASTS
from alertd.records.driver_reports import load_reports, save_report
from alertd.sources.requests.driver_reports import (
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
from alertd.store.store import Store

DONE: Final = {
    READ: gettext_noop("Got it: your dispatcher sees that you have read this."),
    LOADED: gettext_noop("Noted: your dispatcher sees what is on board."),
    HANGING_BEGUN: gettext_noop("Noted: you hang chains. Report them on when they are tight."),
    CHAINS_ON: gettext_noop("Noted: chains are on."),
    REMOVING_BEGUN: gettext_noop("Noted: you take chains off. Report them off when they are stowed."),
    CHAINS_OFF: gettext_noop("Noted: chains are off."),
    ROAD_SEEN: gettext_noop("Noted. Dispatch sees it, and where the place is known so do the trucks behind you."),
}
_NO_WORK: Final = (READ, LOADED, ROAD_SEEN)  # reports that say nothing of chains on the tires
ROADS: Final = {
    "bare": gettext_noop("Bare"),
    "wet": gettext_noop("Wet"),
    "snow": gettext_noop("Snow"),
    "ice": gettext_noop("Ice"),
}
FALLS: Final = {
    "snow": gettext_noop("Snow falls"),
    "rain": gettext_noop("Rain falls"),
    "freezing_rain": gettext_noop("Freezing rain"),
    "nothing": gettext_noop("Nothing falls"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedChains:
    """Reported chain state of a trip, since when work on chains goes on, and when each of its messages was read."""

    status: ChainStatus
    off_at: datetime | None
    hanging_at: datetime | None = None
    removing_at: datetime | None = None
    loaded: Loaded | None = None
    road_seen: ReportRequest | None = None
    falls_seen: ReportRequest | None = None
    read_at: dict[str, datetime]


def chains_of(reports: Sequence[ReportRequest], now_utc: datetime) -> ReportedChains:
    taps = [TruckReport(at=r.happened_at, what=Report(r.what)) for r in reports if r.what in (CHAINS_ON, CHAINS_OFF)]
    on = chains_on(taps, now_utc)
    work = [r for r in reports if r.what not in _NO_WORK and r.happened_at <= now_utc + CLOCKS_APART]
    newest_work = max(work, key=lambda r: r.happened_at, default=None)
    begun: dict[str, datetime] = {
        r.what: r.happened_at for r in work if r is newest_work and now_utc - r.happened_at <= LASTS
    }
    gone_through = [Loaded(at=r.happened_at, missing=tuple(r.missing)) for r in reports if r.what == LOADED]
    offs = [t.at for t in taps if t.what is Report.CHAINS_OFF and t.at <= now_utc + CLOCKS_APART]
    read = sorted((r.happened_at, r.notice_id) for r in reports if r.what == READ)
    return ReportedChains(
        status=ChainStatus(on_at=None if on is None else on.since),
        off_at=max(offs, default=None) if on is None else None,
        hanging_at=begun.get(HANGING_BEGUN),
        removing_at=begun.get(REMOVING_BEGUN),
        loaded=max(gone_through, key=lambda x: x.at, default=None),
        road_seen=max((r for r in reports if r.road), key=lambda r: r.happened_at, default=None),
        falls_seen=max((r for r in reports if r.falls), key=lambda r: r.happened_at, default=None),
        read_at={notice_id: at for at, notice_id in read if at <= now_utc + CLOCKS_APART},
    )


def save_tap(store: Store, trip_id: str, form: dict[str, str], now_utc: datetime) -> str:
    """Save what a button reports; the same tap again changes nothing. Raises InputError.

    `at` comes with a tap that waited for a network connection; a time in the future counts as now.
    """
    what = form.get("what", "")
    row: dict[str, Any] = {"what": what, "at": now_utc.isoformat()}
    if form.get("at"):
        row["at"] = form["at"]
    if what == READ:
        row["notice_id"] = form.get("notice", "")
    elif what == LOADED:
        row["missing"] = [] if form.get("all") else [item for item in ITEMS if not form.get(f"have_{item}")]
    elif what == ROAD_SEEN:
        row |= {name: form.get(name, "") for name in ("road", "falls")} | {"place": form.get("place", "")[:80]}
    elif form.get("place"):
        row["place"] = form["place"][:80]
    request = parse_report(row, "page")
    if request.happened_at > now_utc + CLOCKS_APART:
        request = request.model_copy(update={"at": now_utc.astimezone(UTC).isoformat()})
    if what == READ:
        notice = store.notice(request.notice_id)
        if notice is None or notice.trip_id != trip_id:
            raise InputError("page", "notice", "is not a message of this trip", "load the page again")
        save_report(store, trip_id, request)
        return what
    if what in (LOADED, ROAD_SEEN):
        save_report(store, trip_id, request)
        return what
    before = [
        r for r in load_reports(store, trip_id) if r.what not in _NO_WORK and r.happened_at <= request.happened_at
    ]
    if not before or before[-1].what != what:
        save_report(store, trip_id, request)
    return what

"""Morning brief slots, one per local date: recorded when due, settled as ran, ran late, or skipped.

A sent brief and its slot are stored in one transaction, so a brief is never sent twice. The due table records the
outcome of every date.
"""

import asyncio
import logging
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from alertd.local_time import local_to_utc
from alertd.notices.model import NoticeKind
from alertd.planning.planner import Planner
from alertd.service.cycle import BRIEF_GRACE, send_brief
from alertd.settings.model import Settings
from alertd.store.rows import Due, Slot
from alertd.store.schedule import REOPENED
from alertd.store.store import Store

log = logging.getLogger(__name__)

KIND = NoticeKind.BRIEF.value
ON_TIME = timedelta(seconds=60)
DAYS_BACK = 31  # a daemon that was down for longer does not list older briefs
LEASE_S = 60.0  # delay before the next attempt after a failure or crash
BEFORE_FIRST_START = "not wanted: the store was new"

TOO_LATE = "not sent within"

BriefEnd = Literal["ran", "ran late", "skipped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefOutcome:
    """Outcome of one date's brief; `notice_ids` are its new notices."""

    local_date: str
    end: BriefEnd
    why: str
    notice_ids: tuple[str, ...] = ()


async def send_due(
    planner: Planner, store: Store, now_utc: datetime, owner: str, *, may_skip: bool = True, reopens: bool = False
) -> tuple[BriefOutcome, ...]:
    """Settle every due brief: send it within its grace period, otherwise record it as skipped. Raises StoreError.

    A brief that fails to send stays due, and is claimed again when the lease ends. `may_skip`: False while the clock is
    in doubt; a brief past its grace period then stays due. `reopens`: the clock is confirmed, so settled briefs in the
    future were settled by a clock that was ahead, and become due again.
    """
    if reopens:
        for key in await asyncio.to_thread(store.due.reopen_future, KIND, now_utc, BRIEF_GRACE, f"skipped: {TOO_LATE}"):
            log.warning("brief of %s: due again; it was settled while the clock was ahead", key.rpartition("/")[2])
    await asyncio.to_thread(record_due, store, planner.settings, now_utc, may_skip=may_skip)
    claimed = await asyncio.to_thread(store.due.claim, now_utc, DAYS_BACK + 1, LEASE_S, owner, KIND)
    done = []
    for slot in claimed:
        settled = await _settle(planner, store, slot, now_utc, may_skip)
        if settled is None:
            continue
        why = f": {settled.why}" if settled.why else ""
        await asyncio.to_thread(store.due.settle, slot, settled.end + why)
        log.log(
            logging.ERROR if settled.end == "skipped" else logging.INFO,
            "brief of %s: %s%s",
            settled.local_date,
            settled.end,
            why,
        )
        done.append(settled)
    return tuple(done)


def record_due(store: Store, settings: Settings, now_utc: datetime, *, may_skip: bool = True) -> None:
    """Record the slots that came due since the last recorded one, including days on which the daemon did not run.

    A new store has missed nothing: the newest slot past its grace period is recorded as settled, as the starting point.
    """
    zone = ZoneInfo(settings.brief_zone)
    today = now_utc.astimezone(zone).date()
    missing: list[tuple[date, datetime]] = []
    known = False
    for day in (today - timedelta(days=n) for n in range(DAYS_BACK + 1)):
        known = store.due.get(KIND, _key(settings.fleet, day)) is not None
        if known:
            break
        due_at = local_to_utc(day, settings.brief_at, zone)
        if due_at <= now_utc:
            missing.append((day, due_at))
    if not known:
        in_time = [one for one in missing if now_utc - one[1] < BRIEF_GRACE]
        if may_skip:
            _count_from(store, settings.fleet, missing[len(in_time)])
        missing = in_time
    for day, due_at in reversed(missing):
        store.due.put(KIND, _key(settings.fleet, day), due_at)


def _count_from(store: Store, fleet: str, slot: tuple[date, datetime]) -> None:
    day, due_at = slot
    store.due.put(KIND, _key(fleet, day), due_at)
    for claimed in store.due.claim(due_at, DAYS_BACK, LEASE_S, "the start", KIND):
        if claimed.key == _key(fleet, day):
            store.due.settle(claimed, BEFORE_FIRST_START)


async def _settle(planner: Planner, store: Store, due: Due, now_utc: datetime, may_skip: bool) -> BriefOutcome | None:
    """The outcome of a brief; None when it stays due."""
    fleet, _, day = due.key.rpartition("/")
    settings, late = planner.settings, now_utc - due.due_at
    slot = Slot(kind=KIND, fleet=fleet, local_date=day)
    if await asyncio.to_thread(store.slot_filled, slot):  # sent, but the process ended before it recorded the outcome
        return BriefOutcome(local_date=day, end="ran", why="")
    if not may_skip and (fleet != settings.fleet or late >= BRIEF_GRACE):
        return None
    if fleet != settings.fleet:
        return BriefOutcome(local_date=day, end="skipped", why=f'the fleet is called "{settings.fleet}" by now')
    if late >= BRIEF_GRACE:
        why = f"{TOO_LATE} {BRIEF_GRACE // timedelta(hours=1)} hours of {settings.brief_at:%H:%M}"
        return BriefOutcome(local_date=day, end="skipped", why=why)
    earlier = await asyncio.to_thread(_skipped_before, store, fleet, date.fromisoformat(day))
    again = due.outcome if due.outcome.startswith(REOPENED) else ""
    new = await send_brief(planner, store, now_utc, slot, not_sent=earlier, again=again, may_ease=may_skip)
    if late <= ON_TIME:
        return BriefOutcome(local_date=day, end="ran", why="", notice_ids=new)
    return BriefOutcome(local_date=day, end="ran late", why=f"{late // timedelta(minutes=1)} min", notice_ids=new)


def _skipped_before(store: Store, fleet: str, day: date) -> tuple[tuple[str, str], ...]:
    """The dates (ISO) just before `day` whose briefs were skipped, with the reasons, for the next brief."""
    out: list[tuple[str, str]] = []
    for back in range(1, DAYS_BACK + 1):
        before = day - timedelta(days=back)
        slot = store.due.get(KIND, _key(fleet, before))
        if slot is None or not slot.outcome.startswith("skipped"):
            break
        out.insert(0, (before.isoformat(), slot.outcome.partition(": ")[2]))
    return tuple(out)


def _key(fleet: str, day: date) -> str:
    return f"{fleet}/{day.isoformat()}"

"""Composes the office's digest: what changed since the last one, one line a truck, and what to pass on to drivers."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.notices.formats.webhook_event import FORMAT
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy
from alertd.notices.text import phrases
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.serialize import canonical, to_plain

KEEPS: Final = timedelta(hours=24)  # older news is in the brief
USEFUL_FOR: Final = timedelta(hours=6)
_NEWS: Final = {
    NoticeKind.PLAN: "new",
    NoticeKind.WORSE: "WORSE",
    NoticeKind.CHANGED: "changed",
    NoticeKind.EASED: "eased",
    NoticeKind.UNREAD: "NOT CONFIRMED",
}


def pending_news(notices: Sequence[Notice], now_utc: datetime) -> tuple[Notice, ...]:
    """Return the notices to the office that no digest has had, and that no brief has made old, oldest first."""
    had = {id_ for n in notices if n.kind is NoticeKind.DIGEST for id_ in json.loads(n.body)["data"]["notice_ids"]}
    briefed_at = max((n.created_at for n in notices if n.kind is NoticeKind.BRIEF), default=now_utc - KEEPS)
    fresh = [n for n in notices if not n.sent_alone and n.id not in had and n.expires_at > now_utc]
    return tuple(
        sorted((n for n in fresh if n.passed_on or n.created_at > briefed_at), key=lambda n: (n.created_at, n.id))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestInput:
    """A fleet, its office's time zone, the plans by trip, and by trip when, who, and what to do first."""

    fleet: str
    zone: str
    plans: Mapping[str, Plan]
    lines: Mapping[str, str]


def digest_notice(of: DigestInput, notices: Sequence[Notice], now_utc: datetime, policy: Policy) -> Notice | None:
    """Return the digest that is due, None if nothing changed or the last one is too recent.

    notices: those to the office of the last day. A driver's message that would come too late with the next digest
    brings this one forward.
    """
    fleet, zone = of.fleet, of.zone
    fresh = pending_news(notices, now_utc)
    last_at = max((n.created_at for n in notices if n.kind is NoticeKind.DIGEST), default=None)
    too_soon = last_at is not None and now_utc - last_at < policy.digest_every
    calls = [n for n in fresh if n.passed_on]
    if not fresh or (too_soon and not any(_is_pressing(n, now_utc, policy) for n in calls)):
        return None
    since = "" if last_at is None else f" since {phrases.clock_time(last_at, zone)}"
    changed = _changed([n for n in fresh if not n.passed_on], of.plans, of.lines)
    trips_n = len({n.trip_id for n in fresh})
    text = "\n".join(
        [
            f"CHANGES{since}, as of {phrases.clock_time(now_utc, zone)}: {trips_n} truck{'s' if trips_n != 1 else ''}",
            *changed,
            *(f"  {line}" for n in calls for line in n.text.splitlines()),
            phrases.SIGNS,
        ]
    )
    ids = [n.id for n in fresh]
    id_ = notice_id(NoticeKind.DIGEST, Audience.DISPATCHER, fleet, *ids)
    data = {
        "notice_id": id_,
        "kind": NoticeKind.DIGEST.value,
        "authority": POSTED_SIGNS_DECIDE,
        "fleet": fleet,
        "trip_ids": sorted({n.trip_id for n in fresh}),
        "notice_ids": ids,
        "text": text,
    }
    body = {"type": "fleet.digest", "format": FORMAT, "timestamp": to_plain(now_utc), "data": data}
    return Notice(
        id=id_,
        kind=NoticeKind.DIGEST,
        audience=Audience.DISPATCHER,
        trip_id="",
        plan_id="",
        created_at=now_utc,
        expires_at=now_utc + USEFUL_FOR,
        text=text,
        body=canonical(body),
    )


def _is_pressing(notice: Notice, now_utc: datetime, policy: Policy) -> bool:
    """Whether the place of a driver's message is so near that it must be passed on now."""
    return notice.kind is NoticeKind.APPROACH and notice.expires_at - now_utc <= policy.approach


def _changed(news: Sequence[Notice], plans: Mapping[str, Plan], lines: Mapping[str, str]) -> list[str]:
    """Return a line a truck, the next action first; for a trip that is over, the first line of its last notice."""
    by_trip: dict[str, list[Notice]] = {}
    for notice in news:
        by_trip.setdefault(notice.trip_id, []).append(notice)

    def act_at(trip_id: str) -> tuple[bool, datetime]:
        plan = plans.get(trip_id)
        acts = [] if plan is None else [s.chain_up.arrive_at for s in plan.stretches]
        return not acts, min(acts, default=by_trip[trip_id][-1].created_at)

    out = []
    for trip_id in sorted(by_trip, key=lambda t: (*act_at(t), t)):
        kinds = dict.fromkeys(_NEWS.get(n.kind, n.kind.value) for n in by_trip[trip_id])
        line = lines.get(trip_id, by_trip[trip_id][-1].text.splitlines()[0])
        out.append(f"  {trip_id} ({', '.join(kinds)}): {line}")
    return out

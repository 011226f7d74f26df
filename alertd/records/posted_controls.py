"""Posted controls from all channels: which apply now, and when each was first and last seen.

Planning uses the events when a feed does not answer; scoring uses them later.
"""

import asyncio
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from alertd.errors import InputError, SourceError
from alertd.plan.controls.closures import BELIEVED_FOR
from alertd.plan.controls.placement import PASS_OFFSET_M, PASS_REACH_M, FeedNote, PostedConditions
from alertd.plan.posted import ControlLocation, PostedControl
from alertd.records.closures import IdConflict
from alertd.records.event_stream import Recorded
from alertd.records.posted_events import (
    CONFIRMATIONS,
    CONTROLS,
    ENDS,
    READS,
    ControlEnd,
    FeedRead,
    FirstSeen,
    control_digest,
    control_id,
    end_id,
)
from alertd.settings.reference_data import ReferenceData
from alertd.sources.http.client import HttpClient
from alertd.sources.requests.posted_controls import PostedRequest, to_control
from alertd.sources.road_feeds.config import Feed
from alertd.sources.road_feeds.fetch import FeedResult, fetch_feed

if TYPE_CHECKING:
    from alertd.store.store import Store

log = logging.getLogger(__name__)

MAX_KEPT: Final = 5_000  # newest controls considered
OPEN_FOR: Final = timedelta(hours=48)  # the last answer of a feed silent for longer is not used


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadFeeds:
    """The configured feeds and the HTTP client that fetches them."""

    client: HttpClient
    feeds: tuple[Feed, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedControl:
    """A recorded control that has not ended. feed: "" for a person's report; request: that report as sent."""

    key: str
    feed: str
    control: PostedControl
    first_seen: datetime
    request: PostedRequest | None = None


def known_places(reference: ReferenceData, jurisdiction: str) -> dict[str, ControlLocation]:
    """Places that a control of a jurisdiction may name, by lower-case name: zones of its rules by id and name, and
    summits of that land or of none stated, also without their bracket: "Rogers Pass" for "Rogers Pass (MT)". A summit
    takes precedence over an unplaced zone of the same name."""
    names = {
        name.casefold(): ControlLocation(
            words=s.name, near=(s.lat_deg, s.lon_deg), near_m=PASS_REACH_M, near_offset_m=PASS_OFFSET_M
        )
        for s in reference.summits
        if not s.lands or jurisdiction in s.lands
        for name in (s.name, s.name.partition(" (")[0])
    }
    rules = reference.rulesets.get(jurisdiction)
    for zone in rules.zones if rules is not None else ():
        for name in (zone.id, zone.name):
            if zone.placed or name.casefold() not in names:
                names[name.casefold()] = ControlLocation(words=zone.name, zone=zone.id)
    return names


async def collect_posted(
    feeds: RoadFeeds | None, reference: ReferenceData, store: "Store | None", now_utc: datetime, *, record: bool
) -> PostedConditions:
    """All controls posted now: freshly fetched feeds, and people's reports from the store.

    The last answer of a feed still counts when the feed does not answer. record: store what the feeds return.
    """
    request = feeds.feeds if feeds is not None else ()
    answers: list[FeedResult | SourceError] = []
    if feeds is not None:
        answers = list(await asyncio.gather(*(_ask(feeds.client, f, reference, now_utc) for f in request)))
    return await asyncio.to_thread(_gathered, request, answers, reference, store, now_utc, record)


async def _ask(client: HttpClient, feed: Feed, reference: ReferenceData, now_utc: datetime) -> FeedResult | SourceError:
    try:
        return await fetch_feed(client, feed, known_places(reference, feed.jurisdiction), now_utc)
    except SourceError as exc:
        return exc


def _gathered(
    feeds: Sequence[Feed],
    answers: Sequence[FeedResult | SourceError],
    reference: ReferenceData,
    store: "Store | None",
    now_utc: datetime,
    record: bool,
) -> PostedConditions:
    known = _open(store, reference) if store is not None else ()
    controls: list[PostedControl] = [k.control for k in known if not k.feed and not _has_ended(k.control, now_utc)]
    missing = []
    for feed, answer in zip(feeds, answers, strict=True):
        of_feed = [k for k in known if k.feed == feed.name]
        if isinstance(answer, SourceError):
            controls += [k.control for k in of_feed if now_utc - k.control.confirmed_at <= OPEN_FOR]
            missing.append(_missing(feed, f"not known ({answer.problem})"))
            continue
        if answer.old_because:
            missing.append(_missing(feed, f"may have changed ({answer.old_because})"))
            listed = {control_digest(feed.name, c) for c in answer.controls}
            controls += [
                k.control
                for k in of_feed
                if k.key.rpartition("_")[0] not in listed and now_utc - k.control.confirmed_at <= OPEN_FOR
            ]
        first = {k.key.rpartition("_")[0]: k for k in of_feed}
        if store is not None and record and not answer.old_because:
            _record(store, feed, answer, first, now_utc)
        controls += [
            _with_since(c, first.get(control_digest(feed.name, c)), answer.confirmed_at) for c in answer.controls
        ]
    return PostedConditions(controls=tuple(controls), missing=tuple(missing))


def _missing(feed: Feed, what: str) -> FeedNote:
    text = (
        f"Posted conditions of {feed.source} {what}: what was posted before may still be, and more; look at the signs"
    )
    return FeedNote(jurisdiction=feed.jurisdiction, text=text)


def _with_since(c: PostedControl, known: RecordedControl | None, confirmed_at: datetime) -> PostedControl:
    """The control; without a start time from its feed, it starts when it was first seen."""
    if c.since is not None:
        return c
    return replace(c, since=known.first_seen if known is not None else confirmed_at)


def _record(
    store: "Store", feed: Feed, answer: FeedResult, first: Mapping[str, RecordedControl], now_utc: datetime
) -> None:
    """Store a feed's answer: new controls, the time read, and controls no longer listed."""
    listed = {control_digest(feed.name, c): c for c in answer.controls}
    for digest, c in listed.items():
        if digest not in first:
            key = f"{digest}_{int(now_utc.timestamp())}"
            CONTROLS.save(store, FirstSeen(key=key, feed=feed.name, control=c), now_utc)
    READS.save(store, FeedRead(feed=feed.name, controls_n=len(listed)), answer.confirmed_at)
    for digest, k in first.items():
        if digest not in listed:
            _end(store, k, now_utc)


def _end(store: "Store", k: RecordedControl, now_utc: datetime) -> None:
    ENDS.save(store, ControlEnd(key=k.key, last_confirmed=k.control.confirmed_at.isoformat()), now_utc)


def save_posted(store: "Store", request: PostedRequest, control: PostedControl, now_utc: datetime) -> bool:
    """Save a person's report; returns whether it is new. An identical report confirms it. Raises IdConflict when its id
    is in use or was withdrawn."""
    key = f"hand_{request.id}"
    if store.event(end_id(key)) is not None:
        raise IdConflict(f"posted control {request.id} was taken back; give a new id")
    if CONTROLS.save(store, FirstSeen(key=key, feed="", control=control, request=request), now_utc):
        return True
    known = store.event(control_id(key))
    # As values, not as text: an older version did not store every field.
    if known is None or request not in [x.value.request for x in CONTROLS.decode([known])]:
        raise IdConflict(f"posted control {request.id} is there with another content; take it back and give a new id")
    CONFIRMATIONS.save(store, key, now_utc)
    return False


def withdraw_posted(store: "Store", id_: str, reference: ReferenceData, now_utc: datetime) -> bool:
    """Withdraw a person's report permanently; returns whether it existed."""
    if store.event(control_id(f"hand_{id_}")) is None:
        return False
    k = next((k for k in _open(store, reference) if k.key == f"hand_{id_}"), None)
    if k is not None:
        _end(store, k, now_utc)
    return True


def active_posted(store: "Store", reference: ReferenceData, now_utc: datetime) -> tuple[RecordedControl, ...]:
    """All recorded controls that have neither ended nor expired, from people and feeds, oldest first."""
    return tuple(k for k in _open(store, reference) if not _has_ended(k.control, now_utc))


def _has_ended(c: PostedControl, now_utc: datetime) -> bool:
    return c.until is not None and c.until + BELIEVED_FOR <= now_utc


def _open(store: "Store", reference: ReferenceData) -> tuple[RecordedControl, ...]:
    """Recorded controls that have not ended, with the time of their last confirmation, oldest first."""
    ended = {event.value.key for event in ENDS.load(store, newest_n=2 * MAX_KEPT)}
    reads = {event.value.feed: event.at for event in READS.load(store, newest_n=500)}
    confirmed = {event.value: event.at for event in CONFIRMATIONS.load(store, newest_n=MAX_KEPT)}
    out = []
    for event in CONTROLS.load(store, newest_n=MAX_KEPT):
        if event.value.key in ended:
            continue
        k = _by_current_rules(event, reference)
        last = reads.get(k.feed) if k.feed else confirmed.get(k.key)
        at = max(k.control.confirmed_at, last or k.control.confirmed_at)
        out.append(replace(k, control=replace(k.control, confirmed_at=at, since=k.control.since or k.first_seen)))
    return tuple(out)


def _by_current_rules(event: Recorded[FirstSeen], reference: ReferenceData) -> RecordedControl:
    """A recorded control. A person's report is placed by the current rules and names, which may place it better."""
    control, request = event.value.control, event.value.request
    if request is not None:
        names = known_places(reference, request.jurisdiction)
        try:
            control = to_control(request, reference.rulesets, names, control.confirmed_at, f"event {event.id}")
        except InputError as exc:  # the level or place no longer exists: the control as read then still counts
            log.warning("%s", exc)
            request = None
    return RecordedControl(
        key=event.value.key, feed=event.value.feed, control=control, first_seen=event.at, request=request
    )

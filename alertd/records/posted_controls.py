"""Posted controls from all channels: which apply now, and when each was first and last seen.

Stored as events without a trip. Planning uses them when a feed does not answer; scoring uses them later:

- posted_control: a control first seen, complete, `at` that time; from a feed, or from a person with the request as
  sent;
- posted_read: a feed answered, `at` the time until which its answer is valid; each of its open controls applied then;
- posted_confirmed: a person confirmed that a control still applies;
- posted_ended: a feed no longer lists it, or a person withdrew it; with the time of the last confirmation.
"""

import asyncio
import hashlib
import json
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from alertd.errors import InputError, SourceError
from alertd.plan.controls.closures import BELIEVED_FOR
from alertd.plan.controls.placement import PASS_OFFSET_M, PASS_REACH_M, FeedNote, PostedConditions
from alertd.plan.posted import ControlLocation, PostedControl
from alertd.plan.serialize import canonical
from alertd.records.closures import IdConflict
from alertd.settings.reference_data import ReferenceData
from alertd.sources.http.client import HttpClient
from alertd.sources.requests.posted_controls import PostedRequest, parse_posted, to_control
from alertd.sources.road_feeds.config import Feed
from alertd.sources.road_feeds.fetch import FeedResult, fetch_feed
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

CONTROL, READ, CONFIRMED, ENDED = "posted_control", "posted_read", "posted_confirmed", "posted_ended"
MAX_KEPT: Final = 5_000  # newest controls considered
OPEN_FOR: Final = timedelta(hours=48)  # the last answer of a feed silent for longer is not used
_PLAIN: Final = TypeAdapter(PostedControl)


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
    summits. A summit takes precedence over an unplaced zone of the same name."""
    names = {
        s.name.casefold(): ControlLocation(
            words=s.name, near=(s.lat_deg, s.lon_deg), near_m=PASS_REACH_M, near_offset_m=PASS_OFFSET_M
        )
        for s in reference.summits
    }
    rules = reference.rulesets.get(jurisdiction)
    for zone in rules.zones if rules is not None else ():
        for name in (zone.id, zone.name):
            if zone.placed or name.casefold() not in names:
                names[name.casefold()] = ControlLocation(words=zone.name, zone=zone.id)
    return names


async def collect_posted(
    feeds: RoadFeeds | None, reference: ReferenceData, store: Store | None, now_utc: datetime, *, record: bool
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
    store: Store | None,
    now_utc: datetime,
    record: bool,
) -> PostedConditions:
    known = _open(store, reference) if store is not None else ()
    controls: list[PostedControl] = [k.control for k in known if not k.feed and not _has_ended(k.control, now_utc)]
    missing = []
    for feed, said in zip(feeds, answers, strict=True):
        of_feed = [k for k in known if k.feed == feed.name]
        if isinstance(said, SourceError):
            controls += [k.control for k in of_feed if now_utc - k.control.confirmed_at <= OPEN_FOR]
            missing.append(_missing(feed, f"not known ({said.problem})"))
            continue
        if said.old_because:
            missing.append(_missing(feed, f"may have changed ({said.old_because})"))
            listed = {_digest(feed.name, c) for c in said.controls}
            controls += [
                k.control
                for k in of_feed
                if k.key.rpartition("_")[0] not in listed and now_utc - k.control.confirmed_at <= OPEN_FOR
            ]
        first = {k.key.rpartition("_")[0]: k for k in of_feed}
        if store is not None and record and not said.old_because:
            _record(store, feed, said, first, now_utc)
        controls += [_with_since(c, first.get(_digest(feed.name, c)), said.confirmed_at) for c in said.controls]
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


def _digest(feed: str, c: PostedControl) -> str:
    """Identity of a control's content; any change makes it a different control."""
    plain = _PLAIN.dump_python(c, mode="json")
    del plain["confirmed_at"]
    return hashlib.sha256(canonical([feed, plain]).encode()).hexdigest()[:24]


def _record(
    store: Store, feed: Feed, said: FeedResult, first: Mapping[str, RecordedControl], now_utc: datetime
) -> None:
    """Store a feed's answer: new controls, the time read, and controls no longer listed."""
    listed = {_digest(feed.name, c): c for c in said.controls}
    for digest, c in listed.items():
        if digest not in first:
            key = f"{digest}_{int(now_utc.timestamp())}"
            body = {"feed": feed.name, "control": _PLAIN.dump_python(c, mode="json")}
            _put(store, f"{CONTROL}_{key}", CONTROL, now_utc, body)
    read_at = int(said.confirmed_at.timestamp())
    _put(store, f"{READ}_{feed.name}_{read_at}", READ, said.confirmed_at, {"feed": feed.name, "controls": len(listed)})
    for digest, k in first.items():
        if digest not in listed:
            _end(store, k, now_utc)


def _end(store: Store, k: RecordedControl, now_utc: datetime) -> None:
    body = {"key": k.key, "last_confirmed": k.control.confirmed_at.isoformat()}
    _put(store, f"{ENDED}_{k.key}", ENDED, now_utc, body)


def _put(store: Store, id_: str, kind: str, at: datetime, body: dict[str, Any]) -> bool:
    return store.put_event(StoredEvent(id=id_, trip_id="", kind=kind, at=at, body=canonical(body)))


def save_posted(store: Store, request: PostedRequest, control: PostedControl, now_utc: datetime) -> bool:
    """Save a person's report; returns whether it is new. An identical report confirms it. Raises IdConflict when its id
    is in use or was withdrawn."""
    key = f"hand_{request.id}"
    body = {
        "feed": "",
        "control": _PLAIN.dump_python(control, mode="json"),
        "request": request.model_dump(mode="json", by_alias=True),
    }
    if store.event(f"{ENDED}_{key}") is not None:
        raise IdConflict(f"posted control {request.id} was taken back; give a new id")
    if _put(store, f"{CONTROL}_{key}", CONTROL, now_utc, body):
        return True
    known = store.event(f"{CONTROL}_{key}")
    if known is None or json.loads(known.body).get("request") != body["request"]:
        raise IdConflict(f"posted control {request.id} is there with another content; take it back and give a new id")
    _put(store, f"{CONFIRMED}_{key}_{int(now_utc.timestamp())}", CONFIRMED, now_utc, {"key": key})
    return False


def withdraw_posted(store: Store, id_: str, reference: ReferenceData, now_utc: datetime) -> bool:
    """Withdraw a person's report permanently; returns whether it existed."""
    if store.event(f"{CONTROL}_hand_{id_}") is None:
        return False
    k = next((k for k in _open(store, reference) if k.key == f"hand_{id_}"), None)
    if k is not None:
        _end(store, k, now_utc)
    return True


def active_posted(store: Store, reference: ReferenceData, now_utc: datetime) -> tuple[RecordedControl, ...]:
    """All recorded controls that have neither ended nor expired, from people and feeds, oldest first."""
    return tuple(k for k in _open(store, reference) if not _has_ended(k.control, now_utc))


def _has_ended(c: PostedControl, now_utc: datetime) -> bool:
    return c.until is not None and c.until + BELIEVED_FOR <= now_utc


def _open(store: Store, reference: ReferenceData) -> tuple[RecordedControl, ...]:
    """Recorded controls that have not ended, with the time of their last confirmation, oldest first."""
    ended = {json.loads(e.body)["key"] for e in store.events("", ENDED, 2 * MAX_KEPT)}
    reads: dict[str, datetime] = {}
    for event in store.events("", READ, 500):
        reads[json.loads(event.body)["feed"]] = event.at
    confirmed: dict[str, datetime] = {}
    for event in store.events("", CONFIRMED, MAX_KEPT):
        confirmed[json.loads(event.body)["key"]] = event.at
    out = []
    for event in store.events("", CONTROL, MAX_KEPT):
        key = event.id.removeprefix(f"{CONTROL}_")
        if key in ended:
            continue
        k = _parse_control(event, key, reference)
        if k is not None:
            last = reads.get(k.feed) if k.feed else confirmed.get(key)
            at = max(k.control.confirmed_at, last or k.control.confirmed_at)
            out.append(replace(k, control=replace(k.control, confirmed_at=at, since=k.control.since or k.first_seen)))
    return tuple(out)


def _parse_control(event: StoredEvent, key: str, reference: ReferenceData) -> RecordedControl | None:
    """The control of an event. An event in an unreadable form of another version is logged and skipped."""
    try:
        told = json.loads(event.body)
        control = _PLAIN.validate_json(json.dumps(told["control"]))
        request = parse_posted(told["request"], f"event {event.id}") if "request" in told else None
        if request is not None:  # by today's rules and names, which may place it better than those of then
            names = known_places(reference, request.jurisdiction)
            control = to_control(request, reference.rulesets, names, control.confirmed_at, f"event {event.id}")
    except InputError as exc:  # the level or place no longer exists: the control as read then still counts
        log.warning("%s", exc)
        request = None
    except (ValidationError, KeyError, TypeError, ValueError) as exc:
        log.error("posted control skipped: event %s: %s", event.id, type(exc).__name__)
        return None
    return RecordedControl(
        key=key, feed=str(told.get("feed", "")), control=control, first_seen=event.at, request=request
    )

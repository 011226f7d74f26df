"""Fetches feeds of posted conditions and converts their entries to posted controls."""

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from alertd.plan.posted import CLOSED, NOT_UNDERSTOOD, ControlLocation, PostedControl
from alertd.sources.http.answer import Answer, RequestOptions
from alertd.sources.http.client import HttpClient
from alertd.sources.road_feeds.config import IGNORED, Feed
from alertd.sources.road_feeds.formats import FORMATS
from alertd.sources.road_feeds.model import FeedContent, FeedRow


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedResult:
    """Result of one feed. confirmed_at: when it was published, or else fetched (UTC). left_out: entries not used.

    old_because: why this is not the newest content, "" if it is.
    """

    controls: tuple[PostedControl, ...]
    confirmed_at: datetime
    left_out: tuple[str, ...]
    old_because: str = ""


async def fetch_feed(
    client: HttpClient, feed: Feed, names: Mapping[str, ControlLocation], now_utc: datetime
) -> FeedResult:
    """Fetch a feed's controls. Raises SourceError when it does not respond, or not in the configured shape.

    names: locations that its entries may name, by lower-case name.
    """
    answer: Answer[FeedContent] = await client.get(
        feed.name,
        feed.url,
        read=lambda body: read_body(feed, body),
        content_types=FORMATS[feed.format].content_types,
        params=feed.key,
        options=RequestOptions(default_life_s=feed.poll_s, headers=feed.headers),
    )
    result = to_controls(feed, answer.value, names, min(answer.fetched_at, now_utc))  # fetched since `now` was read
    old_s = (now_utc - result.confirmed_at).total_seconds()
    if answer.stale:
        return replace(result, old_because=answer.not_refreshed)
    if old_s > feed.stale_s:
        return replace(result, old_because=f"published {result.confirmed_at:%d %H:%M} UTC, {old_s / 60:.0f} min ago")
    return result


def read_body(feed: Feed, body: bytes) -> FeedContent:
    """Parse a response, or a saved one, in the feed's format. Raises SourceChanged."""
    return FORMATS[feed.format].read(feed.name, body, feed.read, feed.zone)


def to_controls(
    feed: Feed, content: FeedContent, names: Mapping[str, ControlLocation], fetched_at: datetime
) -> FeedResult:
    """Convert the entries by the feed's own table of words."""
    published = content.published
    # A server clock ahead of ours must not make old entries look new.
    confirmed_at = fetched_at if published is None else min(published, fetched_at)
    controls: list[PostedControl] = []
    ignored = 0
    seen: Counter[str] = Counter()
    for row in content.rows:
        level = _level(feed, row)
        if level == IGNORED:
            ignored += 1
            continue
        id_ = row.id or hashlib.sha256(f"{row.text}\x1f{row.place}\x1f{row.wheres}".encode()).hexdigest()[:16]
        # Entries with the same id would hide one another.
        seen[id_] += 1
        id_ += f"#{seen[id_]}" if seen[id_] > 1 else ""
        wheres = row.wheres or (names.get(row.place.casefold(), ControlLocation()),)
        for n, where in enumerate(wheres):
            controls.append(
                PostedControl(
                    id=id_ if n == 0 else f"{id_}/{n + 1}",
                    jurisdiction=feed.jurisdiction,
                    level=level,
                    words=row.quote or "no words",
                    source=feed.source,
                    where=replace(where, words=row.place) if row.place else where,
                    since=_since(row, confirmed_at),
                    until=_until(row, confirmed_at),
                    confirmed_at=confirmed_at,
                    bearing_deg=row.bearing_deg,
                )
            )
    left_out = (*content.left_out, *((f"{ignored} that its words say to ignore",) if ignored else ()))
    return FeedResult(controls=tuple(controls), confirmed_at=confirmed_at, left_out=left_out)


def _level(feed: Feed, row: FeedRow) -> str:
    level = feed.level(row.text) if row.text else NOT_UNDERSTOOD
    if level == NOT_UNDERSTOOD and row.quote != row.text:
        level = feed.level(row.quote)
    return CLOSED if row.closed and level == NOT_UNDERSTOOD else level


def _since(row: FeedRow, confirmed_at: datetime) -> datetime | None:
    if row.stands_now and row.since is not None:
        return min(row.since, confirmed_at)
    return row.since


def _until(row: FeedRow, confirmed_at: datetime) -> datetime | None:
    """Return the end time; None if it precedes the start, or if the source overrides it."""
    if row.until is None or (row.since is not None and row.until <= row.since):
        return None
    if row.stands_now and row.until <= confirmed_at:
        return None
    return row.until

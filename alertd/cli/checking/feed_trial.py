"""Tries a feed's file on a saved answer of that feed."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from alertd.errors import ConfigError, InputError, SourceError
from alertd.plan.posted import NOT_UNDERSTOOD, ControlLocation, PostedControl
from alertd.plan.serialize import to_plain
from alertd.records.posted_controls import known_places
from alertd.settings.model import Settings
from alertd.settings.reference_data import load_reference_data
from alertd.sources.road_feeds.config import read_feed
from alertd.sources.road_feeds.fetch import FeedResult, read_body, to_controls

MAX_BODY_BYTES = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedCheck:
    result: FeedResult
    jurisdiction: str


def check_feed(settings: Settings, feed_file: Path, answer: Path, now_utc: datetime) -> FeedCheck:
    """Read a saved answer by a feed's file. Raises ConfigError for the file, InputError for the answer."""
    reference = load_reference_data(settings.places)
    feed = read_feed(feed_file, reference.rulesets)
    try:
        body = answer.read_bytes()
    except OSError as exc:
        raise InputError(
            str(answer), "", f"cannot be read ({exc.strerror})", "name a saved answer of the feed"
        ) from exc
    if len(body) > MAX_BODY_BYTES:
        raise InputError(str(answer), "", "is larger than 10 MB", "narrow what the feed is asked for")
    try:
        content = read_body(feed, body)
    except SourceError as exc:
        mend = "mend [read], or name another answer"
        raise ConfigError(str(feed_file), "", f"{answer.name}: {exc.problem}", mend) from exc
    return FeedCheck(
        result=to_controls(feed, content, known_places(reference, feed.jurisdiction), now_utc),
        jurisdiction=feed.jurisdiction,
    )


def feed_check_json(checked: FeedCheck) -> dict[str, Any]:
    return {"controls": [to_plain(c) for c in checked.result.controls], "left_out": list(checked.result.left_out)}


def show_feed_check(checked: FeedCheck) -> None:
    controls = checked.result.controls
    click.echo(
        f"{len(controls)} posted controls of {checked.jurisdiction}, good to {to_plain(checked.result.confirmed_at)}"
    )
    for c in controls:
        level = c.level if c.level != NOT_UNDERSTOOD else "NOT UNDERSTOOD, counts as be ready for the strictest level"
        until = to_plain(c.until) if c.until else "no end given"
        since = to_plain(c.since) if c.since else "not said, so since first seen"
        click.echo(f"  {c.id}: {level}")
        click.echo(f"      words  '{c.words}'")
        click.echo(f"      where  {_where(c)}")
        click.echo(f"      since  {since}, until {until}")
    for text in checked.result.left_out:
        click.echo(f"left out: {text}")


def _where(c: PostedControl) -> str:
    w: ControlLocation = c.where
    name = f"{w.words}: " if w.words else ""
    way = "" if c.bearing_deg is None else f", for travel towards {c.bearing_deg:.0f} degrees"
    if w.zone:
        place = f"zone {w.zone} of the rule file"
    elif w.between is not None:
        place = "from {:.4f}, {:.4f} to {:.4f}, {:.4f}".format(*w.between[0], *w.between[1])
    elif w.line:
        place = f"a line of {len(w.line)} points from {w.line[0][0]:.4f}, {w.line[0][1]:.4f}"
    elif w.outline:
        place = f"an outline of {len(w.outline)} corners"
    elif w.near is not None:
        place = f"about {w.near[0]:.4f}, {w.near[1]:.4f}"
    else:
        place = "NOT PLACED: every trip through the state is told and is to be ready"
    return f"{name}{place}{way}"

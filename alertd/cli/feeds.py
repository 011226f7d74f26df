"""A feed's mapping tried on a saved answer: what each entry is read as, so that a mistake shows before a trip does."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from alertd.errors import ConfigError, InputError, SourceError
from alertd.plan.posted import NOT_UNDERSTOOD, PostedControl, Where
from alertd.plan.record import to_plain
from alertd.service.ground import read_ground
from alertd.service.posted import names_of
from alertd.service.settings import Settings
from alertd.sources.feedfile import read_feed
from alertd.sources.feeds import FeedSaid, read_body, to_controls

LARGEST_BODY = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    said: FeedSaid
    jurisdiction: str


def try_feed(settings: Settings, feed_file: Path, answer: Path, now_utc: datetime) -> Tried:
    """Read a saved answer by a feed's file. Raises ConfigError for the file, InputError for the answer."""
    ground = read_ground(settings.places)
    feed = read_feed(feed_file, ground.rulesets)
    try:
        body = answer.read_bytes()
    except OSError as exc:
        raise InputError(
            str(answer), "", f"cannot be read ({exc.strerror})", "name a saved answer of the feed"
        ) from exc
    if len(body) > LARGEST_BODY:
        raise InputError(str(answer), "", "is larger than 10 MB", "narrow what the feed is asked for")
    try:
        content = read_body(feed, body)
    except SourceError as exc:
        mend = "mend [read], or name another answer"
        raise ConfigError(str(feed_file), "", f"{answer.name}: {exc.problem}", mend) from exc
    return Tried(
        said=to_controls(feed, content, names_of(ground, feed.jurisdiction), now_utc), jurisdiction=feed.jurisdiction
    )


def tried_json(tried: Tried) -> dict[str, Any]:
    return {"controls": [to_plain(c) for c in tried.said.controls], "left_out": list(tried.said.left_out)}


def show_tried(tried: Tried) -> None:
    controls = tried.said.controls
    click.echo(f"{len(controls)} posted controls of {tried.jurisdiction}, good to {to_plain(tried.said.confirmed_at)}")
    for c in controls:
        level = c.level if c.level != NOT_UNDERSTOOD else "NOT UNDERSTOOD, counts as be ready"
        until = to_plain(c.until) if c.until else "no end given"
        since = to_plain(c.since) if c.since else "not said, so since first seen"
        click.echo(f"  {c.id}: {level}")
        click.echo(f"      words  '{c.words}'")
        click.echo(f"      where  {_where(c)}")
        click.echo(f"      since  {since}, until {until}")
    for text in tried.said.left_out:
        click.echo(f"left out: {text}")


def _where(c: PostedControl) -> str:
    w: Where = c.where
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

"""What a format of road feeds must offer."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from alertd.sources.road_feeds.model import FeedContent

# (feed's name, body, JMESPath by key, zone of times without one). Raises SourceChanged for another shape.
ReadFeed: TypeAlias = Callable[[str, bytes, Mapping[str, str], str], FeedContent]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFormat:
    """read: from bytes to entries. mapped: whether the feed's file describes the entries in [read]."""

    read: ReadFeed
    content_types: tuple[str, ...]
    mapped: bool = False

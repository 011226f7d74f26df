"""Formats of road feeds, one entry each."""

from collections.abc import Mapping
from typing import Final

from alertd.sources.road_feeds.datex import read_datex
from alertd.sources.road_feeds.json_feed import read_feed_json
from alertd.sources.road_feeds.spec import FeedFormat

_JSON: Final = FeedFormat(
    read=read_feed_json, content_types=("json", "text/plain", "octet-stream", "javascript"), mapped=True
)
_DATEX: Final = FeedFormat(
    read=lambda name, body, _read, zone: read_datex(name, body, zone),
    content_types=("xml", "text/plain", "octet-stream"),
)
FORMATS: Final[Mapping[str, FeedFormat]] = {
    "json": _JSON,
    "geojson": _JSON,
    "datex2-v3": _DATEX,
}

"""Every reader of foreign bytes, by name: what it reads, which kept files it starts from, which errors are its own.

A reader may raise InputError or SourceError of one line. Anything else is a fault of alertd.
"""

import json
import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from alertd.errors import InputError, SourceError
from alertd.settings.read import read_settings
from alertd.sources.files.gpx_worker import inspect
from alertd.sources.files.laws.ruleset import read_ruleset, read_rulesets
from alertd.sources.files.rig import read_rig
from alertd.sources.files.trips import parse_trip, read_trips_file
from alertd.sources.http.errors import parse_json
from alertd.sources.providers.dwd.point_forecast import read_points
from alertd.sources.providers.eccc.alerts import read_page
from alertd.sources.providers.met_norway.parse import read_place
from alertd.sources.providers.metar.reports import read_metars
from alertd.sources.providers.nws.alerts import read_alerts
from alertd.sources.providers.nws.forecast import read_point
from alertd.sources.providers.nws.grid import read_grid
from alertd.sources.providers.nws.stations import read_observations, read_stations
from alertd.sources.providers.nws.zones import read_outline, read_point_zones
from alertd.sources.providers.open_meteo.forecast import read_elevations
from alertd.sources.providers.open_meteo.parse import read_places
from alertd.sources.providers.open_meteo.runs import read_run
from alertd.sources.requests.closures import parse_closure
from alertd.sources.requests.corrections import parse_correction
from alertd.sources.requests.driver_reports import parse_report
from alertd.sources.requests.positions import parse_position
from alertd.sources.requests.posted_controls import parse_posted
from alertd.sources.road_feeds.config import read_feed
from alertd.sources.road_feeds.fetch import read_body, to_controls
from alertd.sources.road_stations.datex_measured import read_datex_measured
from alertd.sources.road_stations.digitraffic import read_digitraffic
from alertd.sources.road_stations.madis_csv import read_madis_csv

ROOT: Final = Path(__file__).resolve().parents[2]
KEPT: Final = ROOT / "fixtures" / "fuzz"
START: Final = datetime(2027, 1, 14, tzinfo=UTC)
_FEEDS: Final = ROOT / "fixtures" / "feeds"
_RULES: Final = read_rulesets(ROOT / "config" / "rules")


MAX_LINE_CHARS: Final = 2500


class Fault(AssertionError):
    """A reader failed in another way than with one line of its own."""


@dataclass(frozen=True)
class Reader:
    """read: from bytes; files: patterns from the checkout's root, besides the kept files of `fixtures/fuzz/NAME`."""

    read: Callable[[bytes], Any]
    files: tuple[str, ...]

    def corpus(self, name: str) -> list[bytes]:
        found = [path for pattern in self.files for path in sorted(ROOT.glob(pattern))]
        return [path.read_bytes() for path in (*found, *sorted((KEPT / name).glob("*")))]


def _json(*readers: Callable[[Any], Any]) -> Callable[[bytes], None]:
    """All readers of one body; each has its say, also where another refuses it."""

    def read(data: bytes) -> None:
        value = parse_json("body", data)
        for reader in readers:
            _own_errors_only(reader, value)

    return read


def _own_errors_only(reader: Callable[[Any], Any], value: Any) -> None:
    try:
        reader(value)
    except (InputError, SourceError) as exc:
        if "\n" in str(exc) or len(str(exc)) > MAX_LINE_CHARS:
            raise Fault(f"not one short line: {len(str(exc))} characters, {str(exc)[:200]!r}") from exc


def _file(read: Callable[[Path], Any], name: str, beside: str = "") -> Callable[[bytes], None]:
    """A reader of a file: the bytes go to a file of this name, in the folder of the others that it names."""

    def of_bytes(data: bytes) -> None:
        with tempfile.TemporaryDirectory() as folder:
            where = Path(folder)
            if beside:
                for path in (ROOT / beside).iterdir():
                    (where / path.name).symlink_to(path)
            (where / name).unlink(missing_ok=True)
            (where / name).write_bytes(data)
            read(where / name)

    return of_bytes


def _feed(file: str) -> Callable[[bytes], None]:
    feed = read_feed(_FEEDS / file, _RULES)

    def read(data: bytes) -> None:
        to_controls(feed, read_body(feed, data), {}, START)

    return read


def _digitraffic(data: bytes) -> None:
    both = parse_json("body", data)
    places, values = (both.get(k) for k in ("places", "values")) if isinstance(both, Mapping) else (both, both)
    read_digitraffic("body", "", places, values)


def _ruleset(data: bytes) -> None:
    """A file of rules carries the name of its jurisdiction."""
    named = re.search(rb'^jurisdiction = "([A-Za-z-]{2,8})"', data, re.MULTILINE)
    _file(read_ruleset, f"{named[1].decode().lower() if named else 'us-xx'}.toml")(data)


def _http(data: bytes) -> None:
    from http_requests import answers_of

    answers_of(data)


READERS: Final[dict[str, Reader]] = {
    "gpx": Reader(lambda data: json.dumps(inspect(data)), ()),
    "open-meteo": Reader(
        _json(
            read_places,
            lambda b: read_places(b, want_local_time=True),
            lambda b: read_elevations(b, 2),
            lambda b: read_run(b, "gfs_seamless"),
        ),
        ("fixtures/forecast/open_meteo_two_places.json",),
    ),
    "nws": Reader(
        _json(
            lambda b: read_grid(b, start=START, hours=12, now_utc=START),
            read_alerts,
            read_observations,
            read_stations,
            read_point,
            read_point_zones,
            lambda b: read_outline(b, "MTZ001"),
        ),
        ("fixtures/forecast/nws_*.json",),
    ),
    "met-norway": Reader(_json(read_place), ("fixtures/forecast/met_norway_complete.json",)),
    "metar": Reader(_json(read_metars), ("fixtures/forecast/metar.json",)),
    "dwd": Reader(_json(read_points), ()),
    "eccc": Reader(_json(read_page), ()),
    "feed-json": Reader(_feed("geo.toml"), ("fixtures/feeds/*.geojson", "fixtures/feeds/*.json")),
    "datex": Reader(_feed("datex.toml"), ("fixtures/feeds/conditions.xml",)),
    "datex-measured": Reader(lambda data: read_datex_measured("body", "", data, data), ()),
    "digitraffic": Reader(_digitraffic, ()),
    "madis": Reader(lambda data: read_madis_csv("body", "", data), ()),
    "trips-csv": Reader(_file(read_trips_file, "trips.csv"), ("fixtures/demo/trips.csv",)),
    "trips-json": Reader(_file(read_trips_file, "trips.json"), ()),
    "requests": Reader(
        _json(
            *(
                lambda b, parse=parse: parse(b, "request")
                for parse in (parse_trip, parse_position, parse_report, parse_closure, parse_posted, parse_correction)
            )
        ),
        (),
    ),
    "rig-toml": Reader(_file(read_rig, "rig.toml"), ("config/rigs/tractor-6x*.toml", "fixtures/rigs_bad/*.toml")),
    "rules-toml": Reader(_ruleset, ("config/rules/us-id.toml", "fixtures/rules_bad/*.toml")),
    "feed-toml": Reader(_file(lambda path: read_feed(path, _RULES), "feed.toml"), ("config/feeds/*.toml",)),
    "settings-toml": Reader(_file(read_settings, "alertd.toml", "fixtures/demo"), ("fixtures/demo/alertd.toml",)),
    "http": Reader(_http, ()),
}


def check(name: str, data: bytes) -> None:
    """Read the bytes. Raises Fault, which names the reader and the cause, for anything but an error of its own."""
    try:
        _own_errors_only(READERS[name].read, data)
    except Fault:
        raise
    except Exception as exc:
        raise Fault(f"{name}: {type(exc).__name__}: {str(exc)[:300]}") from exc

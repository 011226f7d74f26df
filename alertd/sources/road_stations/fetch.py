"""Services of road weather stations: their files, and their reports.

One TOML file per service in the folder `places.road_stations`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.forecast.road_observations import RoadReport
from alertd.sources.files.toml import FieldError, read_toml
from alertd.sources.http.answer import RequestOptions
from alertd.sources.http.client import HttpClient
from alertd.sources.http.errors import parse_json
from alertd.sources.road_feeds.keys import FeedKey, KeyedFile, feed_key
from alertd.sources.road_stations.datex_measured import read_datex_measured
from alertd.sources.road_stations.digitraffic import read_digitraffic
from alertd.sources.road_stations.madis_csv import read_madis_csv

SITES_LIFE_S: Final = 86_400.0
_TYPES: Final = {
    "digitraffic": ("json",),
    "madis-csv": ("csv", "text/plain", "octet-stream"),
    "datex2-measured": ("xml", "text/plain", "octet-stream", "gzip"),
}
_Words = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]


class RoadStationFile(KeyedFile):
    """Contents of a service's file. sites_url: of the places of its stations, where its reports do not give them."""

    name: str = Field(min_length=1, max_length=40, pattern=r"^[a-z0-9-]+$", examples=["my-stations"])
    use: bool = True
    source: _Words = Field(examples=["the state's road weather stations"])
    licence: _Words = Field(examples=["CC BY 4.0"])
    format: Literal["digitraffic", "madis-csv", "datex2-measured"]
    url: str = Field(pattern=r"^https?://[^\s]+$", examples=["https://roads.example/stations.csv"])
    sites_url: str = Field("", pattern=r"^(https?://[^\s]+)?$")
    poll_min: float = Field(10.0, ge=1, le=360)

    @model_validator(mode="after")
    def _has_sites(self) -> "RoadStationFile":
        if self.format == "digitraffic" and not self.sites_url:
            raise FieldError("sites_url", "missing", "write the address of the list of stations")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadStationService:
    """A service of road weather stations; see `RoadStationFile`."""

    name: str
    use: bool
    source: str
    licence: str
    format: str
    url: str
    sites_url: str
    poll_s: float
    query: Mapping[str, str] | None = None
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)


def read_service(path: Path) -> RoadStationService:
    """Read one service's file. Raises ConfigError."""
    content = read_toml(path, RoadStationFile)
    key = feed_key(path, content) if content.use else FeedKey()
    return RoadStationService(
        name=content.name, use=content.use, source=content.source, licence=content.licence, format=content.format,
        url=content.url, sites_url=content.sites_url, poll_s=content.poll_min * 60.0, query=key.query,
        headers=key.headers,
    )  # fmt: skip


def read_services(folder: Path) -> tuple[RoadStationService, ...]:
    """The services of a folder that are in use, by file name. Raises ConfigError, also for two of one name."""
    services = [read_service(path) for path in sorted(folder.glob("*.toml"))]
    names = [s.name for s in services]
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(str(folder), "name", f'"{name}" names two services', "give each a name of its own")
    return tuple(s for s in services if s.use)


async def fetch_reports(client: HttpClient, service: RoadStationService) -> tuple[RoadReport, ...]:
    """All reports of a service. Raises SourceError when it does not respond, or not in its format.

    A stale answer counts too: its reports carry their own times.
    """
    sites = await _body(client, service, service.sites_url, SITES_LIFE_S) if service.sites_url else b""
    answer = await client.get(
        service.name, service.url, read=lambda body: read_reports(service, sites, body),
        content_types=_TYPES[service.format], params=service.query,
        options=RequestOptions(default_life_s=service.poll_s, headers=service.headers),
    )  # fmt: skip
    return answer.value


def read_reports(service: RoadStationService, sites: bytes, body: bytes) -> tuple[RoadReport, ...]:
    """The reports of a response, or of a saved one. Raises SourceChanged."""
    name, source, licence = service.name, service.source, service.licence
    if service.format == "digitraffic":
        return read_digitraffic(source, licence, parse_json(name, sites), parse_json(name, body))
    if service.format == "madis-csv":
        return read_madis_csv(source, licence, body)
    return read_datex_measured(source, licence, sites, body)


async def _body(client: HttpClient, service: RoadStationService, url: str, life_s: float) -> bytes:
    answer = await client.get(
        service.name, url, read=bytes, content_types=_TYPES[service.format], params=service.query,
        options=RequestOptions(default_life_s=life_s, headers=service.headers),
    )  # fmt: skip
    return answer.value

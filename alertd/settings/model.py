"""The operator's settings as values, in SI units and with whole paths."""

from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from typing import Any, Literal

from alertd.delivery.address_policy import Network
from alertd.delivery.channel_spec import ChannelConfig
from alertd.notices.model import Audience
from alertd.notices.policy import Policy
from alertd.notices.reports.chain_pay import ChainPay
from alertd.plan.params import PlanParams
from alertd.settings.forecast import ForecastSettings
from alertd.settings.languages import Languages
from alertd.settings.recording import RecordSettings
from alertd.settings.watch import WatchSettings
from alertd.sources.openstreetmap.overpass import OVERPASS_URL
from alertd.store.url import StoreLocation


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpLimits:
    """requests_per_min: of one token, reads and changes each. failures_per_min: wrong tokens from one address."""

    requests_per_min: int = 60
    failures_per_min: int = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacePaths:
    """What an operator names. zones, heights and roadside are written by `alertd gather` and may be absent."""

    boundaries: tuple[Path, ...]
    crossings: Path | None
    summits: Path | None
    limits: Path | None
    stops: tuple[Path, ...]
    bridges: Path | None
    tunnels: Path | None
    truck_speeds: Path | None
    rules: Path
    rigs: Path
    routes: Path
    road: Path | None
    zones: Path | None = None
    heights: Path | None = None
    roadside: Path | None = None
    chain_areas: Path | None = None
    towns: Path | None = None
    practice: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepDays:
    """Days that the store keeps each kind of record: `plans` without a notice, `trips` with their notices.

    every_plan: days until plans are thinned on which nothing rests: in six hours of a trip, one plan stays.
    """

    positions: int
    plans: int
    trips: int
    reports: int
    every_plan: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything an operator sets. `targets` says which channels each audience is told on.

    archive: where to keep what plans are made from, None to keep nothing. road_stations: the folder of services of
    road weather stations. feeds: the folder of feeds of posted
    conditions, None for none. takeover_s: after so long without a sign of life from the leading daemon of the store,
    another one leads. processes: that plan, 0 for one a core where there are many trips. workers: `alertd work`
    processes plan, on a PostgreSQL store.
    """

    where: Path
    fleet: str
    contact: str
    noncommercial: bool
    places: PlacePaths
    forecast: ForecastSettings
    plan: PlanParams
    store: StoreLocation
    takeover_s: float
    keep: KeepDays
    cache: Path
    archive: Path | None
    archive_days: int
    trips: Path | None
    plan_every_min: int
    look_ahead_h: float
    brief_at: time
    brief_zone: str
    http_host: str
    http_port: int
    http_token: str
    channels: tuple[ChannelConfig[Any], ...]
    targets: dict[Audience, tuple[str, ...]]
    cancel_vanished_trips: bool = True
    processes: int = 0
    workers: bool = False
    notices: Policy = field(default_factory=Policy)
    languages: Languages = field(default_factory=Languages)
    chain_pay: ChainPay = field(default_factory=ChainPay)
    feeds: Path | None = None
    road_stations: Path | None = None
    log: Literal["text", "json"] = "text"
    http_limits: HttpLimits = field(default_factory=HttpLimits)
    http_names: tuple[str, ...] = ()
    http_proxies: tuple[Network, ...] = ()
    environment_proxy: bool = False
    public_url: str = ""
    links_key_file: Path | None = None
    heartbeat_url: str = ""
    heartbeat_allow_networks: tuple[Network, ...] = ()
    overpass_url: str = OVERPASS_URL
    watch: WatchSettings = field(default_factory=WatchSettings)
    record: RecordSettings = field(default_factory=RecordSettings)

    @property
    def links_key(self) -> Path:
        """The file of the key that links are signed with: beside the store unless named."""
        beside = self.store if isinstance(self.store, Path) else self.cache
        return self.links_key_file or beside.parent / "alertd-links.key"

    @property
    def channel_names(self) -> tuple[str, ...]:
        """The names of all channels."""
        return tuple(channel.name for channel in self.channels)

    @property
    def sends_pages(self) -> bool:
        """Whether a channel sends HTML and pictures."""
        return any(channel.spec.with_pages for channel in self.channels)

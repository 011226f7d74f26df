"""The operator's settings file as values; the reader's units, relative paths and file names end here."""

from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator

from alertd.delivery.addresses import read_network
from alertd.delivery.webhook import Endpoint
from alertd.errors import ConfigError
from alertd.notices.notice import Audience
from alertd.notices.policy import Policy
from alertd.plan.params import PlanParams
from alertd.service.languages import Languages
from alertd.service.noticesfile import NoticesFile
from alertd.sources.http import is_loopback
from alertd.sources.roadfile import RoadSettings, read_road
from alertd.sources.tomlfile import FileModel, read_toml
from alertd.units import to_mps


class OperatorFile(FileModel):
    fleet: str = Field(min_length=1, examples=["Example fleet"])
    contact: str = ""
    noncommercial_use: bool = False


class PlacesFile(FileModel):
    boundaries: list[str] = Field(min_length=1, examples=[["boundaries/us_states.topo.json"]])
    crossings: str = ""
    summits: str = ""
    limits: str = ""
    stops: list[str] = Field(default_factory=list)
    bridges: str = ""
    rules: str = Field("rules", examples=["rules"])
    rigs: str = Field("rigs", examples=["rigs"])
    routes: str = Field("routes", examples=["routes"])


class ForecastFile(FileModel):
    sources: list[Literal["nws", "open-meteo"]] = Field(min_length=1, examples=[["nws"]])
    members: int = Field(31, ge=5, le=200)
    seed: int = Field(1, ge=0)
    stale_h: float = Field(6.0, gt=0, le=48)
    nws_url: str = "https://api.weather.gov"
    alerts: bool = True
    open_meteo_url: str = "https://api.open-meteo.com"
    open_meteo_key_file: str = ""
    road: str = Field("", examples=["road.toml"])


class PlanFile(FileModel):
    chain_probability: float = Field(0.5, gt=0.0, lt=1.0)
    ready_probability: float = Field(0.15, gt=0.0, lt=1.0)
    hold_probability: float = Field(0.3, gt=0.0, lt=1.0)
    cruise_mph: float = Field(62.0, ge=30, le=80)
    chained_mph: float = Field(25.0, gt=0, le=30)  # nobody may set more than the trade's ceiling of 30
    chained_bare_mph: float = Field(20.0, gt=0, le=20)
    minutes_per_chain: float = Field(10.0, ge=0, le=60)
    minutes_hang_at_least: float = Field(30.0, ge=0, le=240)
    minutes_remove: float = Field(20.0, ge=0, le=240)
    stop_min_spaces: int = Field(3, ge=1, le=100)
    compare_departures_h: float = Field(36.0, ge=0, le=48)

    def to_core(self, stale_h: float) -> PlanParams:
        return PlanParams(**self.chosen(stale_h))

    def chosen(self, stale_h: float) -> dict[str, Any]:
        """The parameters of a plan that an operator sets, by their names in PlanParams."""
        return dict(
            chain_probability=self.chain_probability,
            ready_probability=self.ready_probability,
            hold_probability=self.hold_probability,
            cruise_mps=to_mps(self.cruise_mph),
            chained_mps=to_mps(self.chained_mph),
            chained_bare_mps=to_mps(self.chained_bare_mph),
            hang_s_per_chain=self.minutes_per_chain * 60.0,
            hang_min_s=self.minutes_hang_at_least * 60.0,
            remove_s=self.minutes_remove * 60.0,
            stop_min_spaces=self.stop_min_spaces,
            compare_h=self.compare_departures_h,
            stale_forecast_h=stale_h,
        )


class DaemonFile(FileModel):
    store: str = Field(examples=["../var/alertd.db"])
    cache: str = Field(examples=["../var/http"])
    archive: str | None = Field(None, examples=["../var/archive"])
    archive_days: int = Field(14, ge=1, le=3660)
    trips: str = ""
    plan_every_min: int = Field(30, ge=1, le=360)
    look_ahead_h: float = Field(36.0, gt=0, le=96)
    brief_at: str = Field("04:30", examples=["04:30"])
    brief_zone: str = Field("America/Denver", examples=["America/Denver"])
    http_host: str = "127.0.0.1"
    http_port: int = Field(8631, ge=0, le=65535)
    http_token_file: str = ""

    @field_validator("brief_at")
    @classmethod
    def _is_clock(cls, value: str) -> str:
        try:
            parsed = time.fromisoformat(value)
        except ValueError:
            parsed = None
        if parsed is None or parsed.tzinfo is not None:
            raise ValueError(f'"{value}" is no local time of day; write e.g. "04:30"')
        return value

    @field_validator("brief_zone")
    @classmethod
    def _is_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError):
            raise ValueError(f'"{value}" is no time zone; write an IANA name, e.g. "America/Denver"') from None
        return value


class WebhookFile(FileModel):
    name: str = Field(min_length=1, pattern=r"^[A-Za-z0-9_-]+$", examples=["tms"])
    url: str = Field(examples=["https://fleet.example/alertd"])
    secret_file: str = Field(examples=["secrets/tms.txt"])
    audiences: list[Literal["driver", "dispatcher", "fleet"]] = Field(min_length=1, examples=[["fleet"]])
    allow_networks: list[str] = Field(default_factory=list)


class FolderFile(FileModel):
    name: str = Field(min_length=1, pattern=r"^[A-Za-z0-9_-]+$", examples=["spool"])
    path: str = Field(examples=["../var/spool"])
    audiences: list[Literal["driver", "dispatcher", "fleet"]] = Field(min_length=1, examples=[["driver"]])


class SettingsFile(FileModel):
    operator: OperatorFile
    places: PlacesFile
    forecast: ForecastFile
    plan: PlanFile = PlanFile()
    notices: NoticesFile = NoticesFile()
    daemon: DaemonFile
    webhook: list[WebhookFile] = Field(default_factory=list)
    folder: list[FolderFile] = Field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    boundaries: tuple[Path, ...]
    crossings: Path | None
    summits: Path | None
    limits: Path | None
    stops: tuple[Path, ...]
    bridges: Path | None
    rules: Path
    rigs: Path
    routes: Path
    road: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastSettings:
    sources: tuple[str, ...]
    members: int
    seed: int
    stale_h: float
    nws_url: str
    alerts: bool
    open_meteo_url: str
    open_meteo_key: str | None
    road: RoadSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    name: str
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything an operator sets. `targets` says which channels each audience is told on.

    archive: where to keep what plans are made from, None to keep nothing.
    """

    where: Path
    fleet: str
    contact: str
    noncommercial: bool
    places: Places
    forecast: ForecastSettings
    plan: PlanParams
    store: Path
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
    endpoints: tuple[Endpoint, ...]
    folders: tuple[Folder, ...]
    targets: dict[Audience, tuple[str, ...]]
    notices: Policy = field(default_factory=Policy)
    languages: Languages = field(default_factory=Languages)


def read_settings(path: Path) -> Settings:
    """The settings file with the secrets it names. Raises ConfigError, one line a mistake."""
    content = read_toml(path, SettingsFile)
    base = path.parent
    places, store = _places(base, content), base / content.daemon.store
    named = content.daemon.archive
    archive = store.parent / "archive" if named is None else base / named if named else None
    channels: list[WebhookFile | FolderFile] = [*content.webhook, *content.folder]
    names = [c.name for c in channels]
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(str(path), "name", f'"{name}" names two channels', "give each channel a name of its own")
    token = _secret(path, base, "daemon.http_token_file", content.daemon.http_token_file)
    if not token and not is_loopback(content.daemon.http_host):
        raise ConfigError(
            str(path),
            "daemon.http_host",
            f"{content.daemon.http_host} can be reached from other machines and no token is set",
            "name a file with a long random token in http_token_file, or use 127.0.0.1",
        )
    return Settings(
        where=path,
        fleet=content.operator.fleet,
        contact=content.operator.contact,
        noncommercial=content.operator.noncommercial_use,
        places=places,
        forecast=ForecastSettings(
            sources=tuple(content.forecast.sources),
            members=content.forecast.members,
            seed=content.forecast.seed,
            stale_h=content.forecast.stale_h,
            nws_url=content.forecast.nws_url,
            alerts=content.forecast.alerts,
            open_meteo_url=content.forecast.open_meteo_url,
            open_meteo_key=_secret(path, base, "forecast.open_meteo_key_file", content.forecast.open_meteo_key_file)
            or None,
            road=read_road(places.road) if places.road else RoadSettings(),
        ),
        plan=content.plan.to_core(content.forecast.stale_h),
        store=store,
        cache=base / content.daemon.cache,
        archive=archive,
        archive_days=content.daemon.archive_days,
        trips=base / content.daemon.trips if content.daemon.trips else None,
        plan_every_min=content.daemon.plan_every_min,
        look_ahead_h=content.daemon.look_ahead_h,
        brief_at=time.fromisoformat(content.daemon.brief_at),
        brief_zone=content.daemon.brief_zone,
        http_host=content.daemon.http_host,
        http_port=content.daemon.http_port,
        http_token=token,
        endpoints=tuple(_endpoint(path, base, i, w) for i, w in enumerate(content.webhook, start=1)),
        folders=tuple(Folder(name=f.name, path=base / f.path) for f in content.folder),
        notices=content.notices.to_core(),
        languages=content.notices.languages(),
        targets={audience: tuple(c.name for c in channels if audience.value in c.audiences) for audience in Audience},
    )


def _places(base: Path, content: SettingsFile) -> Places:
    places, road = content.places, content.forecast.road
    return Places(
        boundaries=tuple(base / p for p in places.boundaries),
        crossings=base / places.crossings if places.crossings else None,
        summits=base / places.summits if places.summits else None,
        limits=base / places.limits if places.limits else None,
        stops=tuple(base / p for p in places.stops),
        bridges=base / places.bridges if places.bridges else None,
        rules=base / places.rules,
        rigs=base / places.rigs,
        routes=base / places.routes,
        road=base / road if road else None,
    )


def _endpoint(path: Path, base: Path, number: int, webhook: WebhookFile) -> Endpoint:
    field = f"webhook[{number}]"
    try:
        networks = tuple(read_network(text) for text in webhook.allow_networks)
    except ValueError as exc:
        raise ConfigError(str(path), f"{field}.allow_networks", str(exc), 'write e.g. ["10.0.0.0/8"]') from exc
    secrets = tuple(_secret(path, base, f"{field}.secret_file", webhook.secret_file).split())
    return Endpoint(name=webhook.name, url=webhook.url, secrets=secrets, allow_networks=networks)


def _secret(path: Path, base: Path, field: str, name: str) -> str:
    """Contents of a secret's file; secrets never stand in the settings file itself."""
    if not name:
        return ""
    try:
        return (base / name).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(str(path), field, f"{name} cannot be read", "make that file, readable by the daemon") from exc

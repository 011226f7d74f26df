"""The operator's settings file as values; the reader's units, relative paths and file names end here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import time, timedelta
from functools import partial
from pathlib import Path
from typing import Final, Literal

from alertd.delivery.addresses import Network, read_network
from alertd.delivery.envelope import source_of
from alertd.delivery.mail import Mailbox
from alertd.delivery.signature import read_secret
from alertd.delivery.webhook import Endpoint
from alertd.errors import ConfigError, StoreError
from alertd.notices.notice import Audience
from alertd.notices.policy import Policy
from alertd.plan.params import PlanParams
from alertd.service.credentials import secret_path
from alertd.service.languages import Languages
from alertd.service.pace import HttpLimits
from alertd.service.settingsfile import DaemonFile, FolderFile, ForecastFile, SettingsFile, WebhookFile
from alertd.service.ways import ConsoleFile, Gateway, GatewayFile, MailFile
from alertd.sources.roadfile import RoadSettings, read_road
from alertd.sources.tomlfile import read_toml
from alertd.store.place import Place, Server, read_place

LEAST_TOKEN_N: Final = 32  # characters: 128 bits at least where they are random hex digits


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """What an operator names. zones and heights are written by `alertd gather` and may not be there yet."""

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
    zones: Path | None = None
    heights: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastSettings:
    sources: tuple[str, ...]
    members: int
    seed: int
    stale_h: float
    nws_url: str
    alerts: bool
    observations: bool
    metar_url: str
    station_correction: bool
    open_meteo_url: str
    open_meteo_key: str | None
    road: RoadSettings
    weights: Mapping[str, float] = field(default_factory=dict)
    open_meteo_ensemble_url: str = ForecastFile.model_fields["open_meteo_ensemble_url"].default
    open_meteo_ensemble_model: str = ""
    open_meteo_elevation_url: str = ""
    met_norway_url: str = ForecastFile.model_fields["met_norway_url"].default
    alerts_area: tuple[str, ...] = ()
    geomet_url: str = "https://api.weather.gc.ca"
    geomet_collection: str = "weather-alerts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    name: str
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepDays:
    """Days that the store keeps each kind of record: `plans` of which nothing was said, `trips` with what was."""

    positions: int
    plans: int
    trips: int
    reports: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything an operator sets. `targets` says which channels each audience is told on.

    archive: where to keep what plans are made from, None to keep nothing. feeds: the folder of feeds of posted
    conditions, None for none. takeover_s: after so long without a sign of life from the leading daemon of the store,
    another one leads.
    """

    where: Path
    fleet: str
    contact: str
    noncommercial: bool
    places: Places
    forecast: ForecastSettings
    plan: PlanParams
    store: Place
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
    endpoints: tuple[Endpoint, ...]
    folders: tuple[Folder, ...]
    targets: dict[Audience, tuple[str, ...]]
    notices: Policy = field(default_factory=Policy)
    languages: Languages = field(default_factory=Languages)
    feeds: Path | None = None
    mailboxes: tuple[Mailbox, ...] = ()
    gateways: tuple[Gateway, ...] = ()
    consoles: tuple[str, ...] = ()
    log: Literal["text", "json"] = "text"
    http_limits: HttpLimits = field(default_factory=HttpLimits)
    http_names: tuple[str, ...] = ()
    public_url: str = ""
    links_key_file: Path | None = None
    heartbeat_url: str = ""
    heartbeat_allow_networks: tuple[Network, ...] = ()

    @property
    def links_key(self) -> Path:
        """The file of the key that links are signed with: beside the store unless named."""
        beside = self.store if isinstance(self.store, Path) else self.cache
        return self.links_key_file or beside.parent / "alertd-links.key"

    @property
    def ways_out(self) -> tuple[str, ...]:
        """The names of all channels."""
        named: tuple[Endpoint | Folder | Mailbox | Gateway, ...] = (
            *self.endpoints,
            *self.folders,
            *self.mailboxes,
            *self.gateways,
        )
        return (*(way.name for way in named), *self.consoles)


def read_settings(path: Path) -> Settings:
    """The settings file with the secrets it names. Raises ConfigError, one line a mistake."""
    content = read_toml(path, SettingsFile)
    base = path.parent
    places, store = _places(base, content), _store(path, base, content.daemon)
    named, cache = content.daemon.archive, base / content.daemon.cache
    beside = store.parent if isinstance(store, Path) else cache.parent
    archive = beside / "archive" if named is None else base / named if named else None
    channels: list[WebhookFile | FolderFile | MailFile | GatewayFile | ConsoleFile] = [
        *content.webhook,
        *content.folder,
        *content.mail,
        *content.gateway,
        *content.console,
    ]
    names = [c.name for c in channels]
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(str(path), "name", f'"{name}" names two channels', "give each channel a name of its own")
    token = _secret(path, base, "daemon.http_token_file", content.daemon.http_token_file, least_n=LEAST_TOKEN_N)
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
            observations=content.forecast.observations,
            metar_url=content.forecast.metar_url,
            station_correction=content.forecast.station_correction,
            open_meteo_url=content.forecast.open_meteo_url,
            open_meteo_key=_secret(path, base, "forecast.open_meteo_key_file", content.forecast.open_meteo_key_file)
            or None,
            road=read_road(places.road) if places.road else RoadSettings(),
            weights=_weights(path, content.forecast),
            open_meteo_ensemble_url=content.forecast.open_meteo_ensemble_url,
            open_meteo_ensemble_model=content.forecast.open_meteo_ensemble_model,
            open_meteo_elevation_url=content.forecast.open_meteo_elevation_url,
            met_norway_url=content.forecast.met_norway_url,
            alerts_area=tuple(content.forecast.alerts_area),
            geomet_url=content.forecast.geomet_url,
            geomet_collection=content.forecast.geomet_collection,
        ),
        plan=content.plan.to_core(content.forecast.stale_h),
        store=store,
        takeover_s=content.daemon.takeover_s,
        keep=KeepDays(**content.daemon.keep_days.model_dump()),
        cache=cache,
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
        http_limits=content.daemon.http_limits.to_core(),
        http_names=tuple(content.daemon.http_names),
        endpoints=tuple(
            _endpoint(path, base, i, w, source_of(content.operator.fleet))
            for i, w in enumerate(content.webhook, start=1)
        ),
        folders=tuple(Folder(name=f.name, path=base / f.path) for f in content.folder),
        notices=replace(content.notices.to_core(), planned_every=timedelta(minutes=content.daemon.plan_every_min)),
        languages=content.notices.languages(),
        targets={audience: tuple(c.name for c in channels if audience.value in c.audiences) for audience in Audience},
        feeds=base / content.places.feeds if content.places.feeds else None,
        mailboxes=tuple(
            m.to_core(f"mail[{i}]", partial(_secret, path, base)) for i, m in enumerate(content.mail, start=1)
        ),
        gateways=tuple(
            g.to_core(str(path), f"gateway[{i}]", partial(_secret, path, base))
            for i, g in enumerate(content.gateway, start=1)
        ),
        consoles=tuple(c.name for c in content.console),
        log=content.daemon.log,
        public_url=content.daemon.public_url.rstrip("/"),
        links_key_file=base / content.daemon.links_key_file if content.daemon.links_key_file else None,
        heartbeat_url=content.daemon.heartbeat_url,
        heartbeat_allow_networks=_networks(
            path, "daemon.heartbeat_allow_networks", content.daemon.heartbeat_allow_networks
        ),
    )


def _weights(path: Path, forecast: ForecastFile) -> dict[str, float]:
    for name in forecast.weights:
        if name not in forecast.sources:
            raise ConfigError(
                str(path), "forecast.weights", f'"{name}" is not among the sources', "add it there, or drop its weight"
            )
    return {str(name): weight for name, weight in forecast.weights.items()}


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
        zones=base / places.zones if places.zones else None,
        heights=base / places.heights if places.heights else None,
    )


def _store(path: Path, base: Path, daemon: DaemonFile) -> Place:
    try:
        place = read_place(daemon.store, base)
    except StoreError as exc:
        problem, _, mend = str(exc).partition("; ")
        raise ConfigError(str(path), "daemon.store", problem, mend) from exc
    password = _secret(path, base, "daemon.store_password_file", daemon.store_password_file)
    return place.with_password(password) if password and isinstance(place, Server) else place


def _networks(path: Path, field: str, texts: Sequence[str]) -> tuple[Network, ...]:
    try:
        return tuple(read_network(text) for text in texts)
    except ValueError as exc:
        raise ConfigError(str(path), field, str(exc), 'write e.g. ["10.0.0.0/8"]') from exc


def _endpoint(path: Path, base: Path, number: int, webhook: WebhookFile, source: str) -> Endpoint:
    field = f"webhook[{number}]"
    networks = _networks(path, f"{field}.allow_networks", webhook.allow_networks)
    secrets = tuple(_secret(path, base, f"{field}.secret_file", webhook.secret_file).split())
    for secret in secrets:
        read_secret(secret, where=str(path), field=f"{field}.secret_file: {webhook.secret_file}")
    return Endpoint(
        name=webhook.name,
        url=webhook.url,
        secrets=secrets,
        allow_networks=networks,
        source=source if webhook.envelope == "cloudevents" else "",
        token=_secret(path, base, f"{field}.token_file", webhook.token_file),
    )


def _secret(path: Path, base: Path, field: str, name: str, *, least_n: int = 1) -> str:
    """Contents of a secret's file; secrets never stand in the settings file itself.

    least_n: characters it must have. Only what opens this daemon has a minimum of ours; passwords and tokens of other
    servers are as their operators made them, but never empty: an empty file would silently mean "none".
    """
    if not name:
        return ""
    try:
        place = secret_path(base, name)
    except ValueError as exc:
        raise ConfigError(str(path), field, str(exc), "name a file, or let the unit's LoadCredential hand it") from exc
    try:
        secret = place.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(str(path), field, f"{name} cannot be read", "make that file, readable by the daemon") from exc
    if not secret:
        raise ConfigError(str(path), field, f"{name} is empty", "write the secret into it, or leave the key out")
    if len(secret) < least_n:
        mend = f"write {least_n} or more random characters into it, e.g. by `openssl rand -base64 33`"
        raise ConfigError(str(path), field, f"{name} holds {len(secret)} characters, too few to be safe", mend)
    return secret

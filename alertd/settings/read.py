"""Reads the operator's settings file; the reader's units, relative paths and file names end here."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import time, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from alertd.delivery.address_policy import Network, parse_network
from alertd.errors import ConfigError, StoreError
from alertd.settings.channels import channels_by_audience, read_channels
from alertd.settings.extensions import check_extensions
from alertd.settings.file_model import CommonSettingsFile, DaemonFile, SettingsFile
from alertd.settings.forecast import forecast_settings
from alertd.settings.model import KeepDays, PlacePaths, Settings
from alertd.settings.secrets import LEAST_TOKEN_N, read_secret_file
from alertd.settings.watch import watch_settings
from alertd.sources.files.road import RoadSettings, read_road
from alertd.sources.files.toml import parse_table, read_table
from alertd.store.url import PostgresUrl, StoreLocation, parse_store_url

log = logging.getLogger(__name__)


def read_settings(path: Path) -> Settings:
    """The settings file with the secrets it names. Raises ConfigError, one line a mistake."""
    return settings_from(path, read_table(path))


def settings_from(path: Path, table: Mapping[str, Any]) -> Settings:
    """The settings of a file that is read already. Raises ConfigError."""
    check_extensions()
    content = parse_table(table, SettingsFile, str(path))
    if content.forecast.station_correction is not None:
        log.warning("%s: forecast.station_correction is no longer used; remove it", path)
    base = path.parent
    places, store = _places(base, content), _store(path, base, content.daemon)
    if content.daemon.workers and isinstance(store, Path):
        raise ConfigError(
            str(path), "daemon.workers", "needs a PostgreSQL store", "set daemon.store, or daemon.processes instead"
        )
    named, cache = content.daemon.archive, base / content.daemon.cache
    beside = store.parent if isinstance(store, Path) else cache.parent
    archive = beside / "archive" if named is None else base / named if named else None
    secret_of = partial(read_secret_file, path)
    channels = read_channels(content, path, content.operator.fleet, secret_of)
    token = read_secret_file(path, "daemon.http_token_file", content.daemon.http_token_file, least_n=LEAST_TOKEN_N)
    return Settings(
        where=path,
        fleet=content.operator.fleet,
        contact=content.operator.contact,
        noncommercial=content.operator.noncommercial_use,
        places=places,
        forecast=forecast_settings(
            content.forecast, str(path), read_road(places.road) if places.road else RoadSettings(), secret_of
        ),
        plan=content.plan.to_core(content.forecast.stale_h),
        store=store,
        takeover_s=content.daemon.takeover_s,
        keep=KeepDays(**content.daemon.keep_days.model_dump()),
        cache=cache,
        archive=archive,
        archive_days=content.daemon.archive_days,
        trips=base / content.daemon.trips if content.daemon.trips else None,
        cancel_vanished_trips=content.daemon.vanished_trips == "cancel",
        plan_every_min=content.daemon.plan_every_min,
        processes=content.daemon.processes,
        workers=content.daemon.workers,
        look_ahead_h=content.daemon.look_ahead_h,
        brief_at=time.fromisoformat(content.daemon.brief_at),
        brief_zone=content.daemon.brief_zone,
        http_host=content.daemon.http_host,
        http_port=content.daemon.http_port,
        http_token=token,
        http_limits=content.daemon.http_limits.to_core(),
        http_names=tuple(content.daemon.http_names),
        http_proxies=_networks(path, "daemon.http_proxies", content.daemon.http_proxies),
        environment_proxy=content.daemon.environment_proxy,
        channels=channels,
        notices=replace(content.notices.to_core(), planned_every=timedelta(minutes=content.daemon.plan_every_min)),
        languages=content.notices.languages(),
        chain_pay=content.chain_log.to_core(),
        targets=channels_by_audience(channels),
        feeds=base / content.places.feeds if content.places.feeds else None,
        road_stations=base / content.places.road_stations if content.places.road_stations else None,
        log=content.daemon.log,
        public_url=content.daemon.public_url.rstrip("/"),
        links_key_file=base / content.daemon.links_key_file if content.daemon.links_key_file else None,
        heartbeat_url=content.daemon.heartbeat_url,
        overpass_url=content.places.overpass_url,
        watch=watch_settings(path, content.watch, secret_of),
        record=content.record.to_core(base),
        heartbeat_allow_networks=_networks(
            path, "daemon.heartbeat_allow_networks", content.daemon.heartbeat_allow_networks
        ),
    )


def _places(base: Path, content: CommonSettingsFile) -> PlacePaths:
    places, road = content.places, content.forecast.road
    return PlacePaths(
        boundaries=tuple(base / p for p in places.boundaries),
        crossings=base / places.crossings if places.crossings else None,
        summits=base / places.summits if places.summits else None,
        limits=base / places.limits if places.limits else None,
        stops=tuple(base / p for p in places.stops),
        bridges=base / places.bridges if places.bridges else None,
        tunnels=base / places.tunnels if places.tunnels else None,
        truck_speeds=base / places.truck_speeds if places.truck_speeds else None,
        rules=base / places.rules,
        rigs=base / places.rigs,
        routes=base / places.routes,
        road=base / road if road else None,
        zones=base / places.zones if places.zones else None,
        heights=base / places.heights if places.heights else None,
        roadside=base / places.roadside if places.roadside else None,
        chain_areas=base / places.chain_areas if places.chain_areas else None,
        towns=base / places.towns if places.towns else None,
        practice=base / places.practice if places.practice else None,
    )


def _store(path: Path, base: Path, daemon: DaemonFile) -> StoreLocation:
    try:
        place = parse_store_url(daemon.store, base)
    except StoreError as exc:
        problem, _, mend = str(exc).partition("; ")
        raise ConfigError(str(path), "daemon.store", problem, mend) from exc
    password = read_secret_file(path, "daemon.store_password_file", daemon.store_password_file)
    return place.with_password(password) if password and isinstance(place, PostgresUrl) else place


def _networks(path: Path, field: str, texts: Sequence[str]) -> tuple[Network, ...]:
    try:
        return tuple(parse_network(text) for text in texts)
    except ValueError as exc:
        raise ConfigError(str(path), field, str(exc), 'write e.g. ["10.0.0.0/8"]') from exc

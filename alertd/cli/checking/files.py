"""Reads every configured file and gathers the mistakes file by file, so that one run shows them all."""

import asyncio
import os
from collections.abc import Collection, Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path

from alertd.cli.checking.finding import ELSEWHERE, Finding, counted, read_each
from alertd.cli.checking.law import fact_findings, practice_findings
from alertd.cli.checking.trips import route_findings, trip_findings
from alertd.daemon.channels import open_channels
from alertd.daemon.daemon import heartbeat_of
from alertd.errors import AlertdError, ConfigError
from alertd.planning.gather import findings
from alertd.planning.gather_places import place_findings
from alertd.planning.planned_lands import PlannedLands, planned_lands
from alertd.planning.recordings.recorder import passes_named
from alertd.rules.cases import wrong_cases
from alertd.settings.contact import is_contact
from alertd.settings.extensions import CHANNELS
from alertd.settings.model import PlacePaths, Settings
from alertd.settings.partial import read_partial_settings
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.laws.rule_cases import cases_beside, read_cases
from alertd.sources.files.laws.ruleset import read_ruleset, read_rulesets, rule_files
from alertd.sources.files.places import read_bridges, read_crossings, read_named_summits, read_stops, read_tunnels
from alertd.sources.files.rig import read_rig
from alertd.sources.files.speed_limits import read_limits, read_truck_speeds
from alertd.sources.files.towns import read_towns
from alertd.sources.road_feeds.config import read_feed, read_feeds
from alertd.sources.road_stations.fetch import read_service
from alertd.web.exposure import exposed_by


def check_all(path: Path, today: date) -> list[Finding]:
    """One finding or more for every file that the settings name, also where some keys of the settings are wrong."""
    settings, mistakes = read_partial_settings(path)
    out = [Finding(file=str(path), level="wrong", text=str(exc), kind="settings") for exc in mistakes]
    if settings is None:
        return out
    if not mistakes:
        text = f"{path}: settings of {settings.fleet}"
        out.append(Finding(file=str(path), level="ok", text=text, kind="settings"))
    out += _settings_findings(settings)
    out += _channel_findings(settings)
    places = settings.places
    out += read_each(
        "outline", places.boundaries, lambda p: f"{len(read_boundaries(p).lands)} states, provinces and countries"
    )
    out += read_each("crossing", [places.crossings], lambda p: counted(len(read_crossings(p)), "border crossing"))
    out += read_each("summit", [places.summits], lambda p: counted(len(read_named_summits(p)), "named summit"))
    out += read_each("speed limit", [places.limits], lambda p: counted(len(read_limits(p)), "posted speed limit"))
    out += read_each("stop", places.stops, lambda p: counted(len(read_stops(p)), "stop"))
    out += read_each(
        "chain-up area", [places.chain_areas], lambda p: counted(len(read_stops(p)), "published chain-up area")
    )
    out += read_each("town", [places.towns], lambda p: counted(len(read_towns(p).towns), "town"))
    out += read_each("bridge", [places.bridges], lambda p: counted(len(read_bridges(p)), "bridge"))
    out += read_each("tunnel", [places.tunnels], lambda p: counted(len(read_tunnels(p)), "tunnel"))
    out += read_each(
        "truck speed", [places.truck_speeds], lambda p: f"{len(read_truck_speeds(p))} speeds of trucks by law"
    )
    out += read_each("rig", sorted(places.rigs.glob("*.toml")), lambda p: f"rig {read_rig(p).name}")
    out += route_findings(places)
    out += trip_findings(settings)
    files = rule_files(places.rules) if places.rules.is_dir() else []
    out += read_each("rule", files, lambda p: f"rules of {read_ruleset(p).name}")
    if not files:
        out.append(
            Finding(file=str(places.rules), level="wrong", text=f"{places.rules}: no rule files; add one a state")
        )
    planned = planned_lands(settings)
    crossed = {code for trip in planned for code in trip.lands}
    out += [f for p in files for f in (*_rule_findings(p, today, crossed), *_deck_findings(p))]
    out += _law_findings(settings, planned)
    out += _outline_findings(places)
    out += _gathered_findings(settings, today)
    out += _feed_findings(settings)
    out += _record_findings(settings)
    if settings.road_stations is not None:
        out += read_each("road station", sorted(settings.road_stations.glob("*.toml")), _service_line)
    return out


def _record_findings(settings: Settings) -> list[Finding]:
    """Passes to record that the summits file does not have; nothing where none is recorded."""
    where, file = str(settings.where), settings.places.summits
    try:
        passes_named(settings.record.passes, read_named_summits(file) if file else (), where, "record.passes")
    except ConfigError as exc:
        return [Finding(file=where, level="wrong", text=str(exc))] if exc.where == where else []
    if settings.record.passes and not settings.forecast.observations:
        text = f"{where}: record.passes records no station reports while forecast.observations is off"
        return [Finding(file=where, level="look", text=text)]
    return []


def _service_line(path: Path) -> str:
    service = read_service(path)
    return f"road stations {service.name}, {'in use' if service.use else 'NOT in use'}"


def _feed_findings(settings: Settings) -> list[Finding]:
    """Feeds of posted conditions, against the rules whose levels they name; none where the rules are wrong."""
    if settings.feeds is None:
        return []
    if not settings.feeds.is_dir():
        text = f"places.feeds: there is no folder {settings.feeds}; make it, or leave the key out"
        return [Finding(file=str(settings.where), level="look", text=f"{settings.where}: {text}")]
    try:
        rulesets = read_rulesets(settings.places.rules)
    except AlertdError:
        return []

    def one(path: Path) -> str:
        feed = read_feed(path, rulesets)
        return f"feed {feed.name} of {feed.jurisdiction}, {'in use' if feed.use else 'NOT in use'}"

    out = read_each("feed", sorted(settings.feeds.glob("*.toml")), one)
    try:
        read_feeds(settings.feeds, rulesets)
    except AlertdError as exc:
        if not any(f.level == "wrong" for f in out):
            out.append(Finding(file=str(settings.feeds), level="wrong", text=str(exc)))
    return out


def _channel_findings(settings: Settings) -> list[Finding]:
    """Addresses and secrets, read as the daemon reads them at its start; nothing is sent."""

    async def opened() -> None:
        async with open_channels(settings), heartbeat_of(settings):
            pass

    try:
        asyncio.run(opened())
    except AlertdError as exc:
        return [Finding(file=str(settings.where), level="wrong", text=f"{settings.where}: {exc}")]
    return []


def _settings_findings(settings: Settings) -> list[Finding]:
    where = str(settings.where)
    looks = []
    if not settings.contact:
        looks.append("operator.contact is empty; weather services refuse or block programs that name no contact")
    elif not is_contact(settings.contact):
        looks.append(f'operator.contact "{settings.contact}" is neither an email address nor a page; write one of them')
    if not settings.channel_names:
        *others, last = (f"[[{spec.section}]]" for spec in CHANNELS)
        looks.append(f"no {', '.join(others)} or {last}: notices would reach nobody")
    key, store = exposed_by(settings), settings.store
    if key and not settings.http_token and isinstance(store, Path) and not store.exists():
        command = "alertd token new --name office --scopes admin"
        looks.append(f"{key} needs a token before the first start; make one by `{command}`")
    if not settings.places.stops:
        looks.append("places.stops is empty: plans can name no place to chain up; add a GeoJSON file of stops")
    for key, folder in (("rigs", settings.places.rigs), ("routes", settings.places.routes)):
        if not folder.is_dir():
            looks.append(f"places.{key}: there is no folder {folder}; make it, or trips can name no {key}")
    return [Finding(file=where, level="look", text=f"{where}: {text}") for text in looks]


def _gathered_findings(settings: Settings, today: date) -> list[Finding]:
    try:
        now = datetime.combine(today, time.max, UTC)
        found = (*findings(settings, now), *place_findings(settings, now))
    except AlertdError as exc:
        return [Finding(file=str(settings.where), level="wrong", text=str(exc))]
    return [Finding(file=str(path), level="look", text=f"{_short(path)}: {text}") for path, text in found]


def _short(path: Path) -> Path:
    """Without `folder/..`, where that is the same file: a folder may be a link."""
    short = Path(os.path.normpath(path))
    return short if short.resolve() == path.resolve() else path


def _outline_findings(places: PlacePaths) -> list[Finding]:
    """Rule files that no route can use, because no outline has their jurisdiction."""
    try:
        outlined = {land.code for land in read_boundaries(*places.boundaries).lands}
        codes = sorted(read_rulesets(places.rules).keys() - outlined)
    except AlertdError:  # reported with the file
        return []
    if not codes:
        return []
    text = (
        f"{places.rules}: rules of {', '.join(codes)} apply to no route, because no outline has these codes; add "
        '"boundaries/countries.topo.json" to places.boundaries'
    )
    return [Finding(file=str(places.rules), level="look", text=text)]


def _rule_findings(path: Path, today: date, crossed: Collection[str]) -> list[Finding]:
    """What a person must read in a rule file. crossed: codes of the lands on planned routes; none where not known."""
    try:
        rules = read_ruleset(path)
    except AlertdError:
        return []
    where, out = str(path), []
    if aged := rules.freshness(today):
        text = f"{path}: the text: {' and '.join(aged)}: read the live text, then move the dates"
        elsewhere = bool(crossed) and rules.jurisdiction not in crossed
        out.append(Finding(file=where, level="look", text=text, kind=ELSEWHERE if elsewhere else ""))
    if rules.unplaced_zones:
        names = ", ".join(f"{z.id} ({z.road})" for z in rules.unplaced_zones)
        text = f"{path}: zones without points are placed on no route, only named in words: {names}"
        out.append(Finding(file=where, level="look", text=text, kind="unplaced zones"))
    return out


def _law_findings(settings: Settings, planned: Sequence[PlannedLands]) -> list[Finding]:
    """Facts that the rigs do not state, and company practice against the law."""
    where = str(settings.places.rigs)
    out = [Finding(file=where, level="look", text=f"{where}: {line}") for line in fact_findings(settings, planned)]
    path = str(settings.places.practice)
    try:
        found = practice_findings(settings)
    except AlertdError as exc:
        return [*out, Finding(file=path, level="wrong", text=str(exc))]
    return out + [Finding(file=path, level="wrong" if wrong else "ok", text=f"{path}: {line}") for wrong, line in found]


def _deck_findings(path: Path) -> list[Finding]:
    """The deck of cases beside a rule file, run against it; nothing where there is no deck or the rules are wrong."""
    deck = cases_beside(path)
    if not deck.exists():
        return []
    try:
        rules = read_ruleset(path)
    except AlertdError:
        return []
    try:
        cases = read_cases(deck)
        wrong = wrong_cases(rules, cases)
    except AlertdError as exc:
        return [Finding(file=str(deck), level="wrong", text=str(exc))]
    if not wrong:
        text = f"{deck}: {len(cases)} cases right"
        return [Finding(file=str(deck), level="ok", text=text, kind="case")]
    return [
        Finding(file=str(deck), level="wrong", text=f"{deck}: {line}; correct the rule or the case") for line in wrong
    ]

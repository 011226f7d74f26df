"""Reads every configured file and gathers the mistakes file by file, so that one run shows them all."""

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Literal

import click

from alertd.cli.check_law import fact_findings, practice_findings
from alertd.clock import Clock, system_clock
from alertd.daemon.daemon import heartbeat_of, open_channels
from alertd.errors import AlertdError, ConfigError, InputError, SourceError
from alertd.plan.posted import NOT_UNDERSTOOD, ControlLocation, PostedControl
from alertd.plan.serialize import to_plain
from alertd.planning.gather import findings
from alertd.planning.gather_places import place_findings
from alertd.planning.planner import create_planner
from alertd.planning.recordings.recorder import passes_named
from alertd.planning.sentinel import ask_all, known_place
from alertd.records.posted_controls import known_places
from alertd.rules.cases import wrong_cases
from alertd.settings.extensions import CHANNELS
from alertd.settings.model import PlacePaths, Settings
from alertd.settings.read import read_settings
from alertd.settings.reference_data import load_reference_data
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.gpx import read_gpx
from alertd.sources.files.laws.rule_cases import cases_beside, read_cases
from alertd.sources.files.laws.ruleset import read_ruleset, read_rulesets, rule_files
from alertd.sources.files.places import read_bridges, read_crossings, read_named_summits, read_stops, read_tunnels
from alertd.sources.files.rig import read_rig
from alertd.sources.files.speed_limits import read_limits, read_truck_speeds
from alertd.sources.files.towns import read_towns
from alertd.sources.files.trips import read_trips_file
from alertd.sources.road_feeds.config import read_feed, read_feeds
from alertd.sources.road_feeds.fetch import FeedResult, read_body, to_controls
from alertd.sources.road_stations.fetch import read_service
from alertd.web.exposure import exposed_by


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """`level`: "ok" read, "look" a person should look, "wrong" must be mended."""

    file: str
    level: Literal["ok", "look", "wrong"]
    text: str


def check_all(path: Path, today: date) -> list[Finding]:
    """One finding or more for every file that the settings name."""
    out: list[Finding] = []
    try:
        settings = read_settings(path)
    except AlertdError as exc:
        return [Finding(file=str(path), level="wrong", text=str(exc))]
    out.append(Finding(file=str(path), level="ok", text=f"{path}: settings of {settings.fleet}"))
    out += _settings_findings(settings)
    out += _channel_findings(settings)
    places = settings.places
    _each(out, places.boundaries, lambda p: f"{len(read_boundaries(p).lands)} states, provinces and countries")
    _each(out, [places.crossings], lambda p: f"{len(read_crossings(p))} border crossings")
    _each(out, [places.summits], lambda p: f"{len(read_named_summits(p))} named summits")
    _each(out, [places.limits], lambda p: f"{len(read_limits(p))} posted speed limits")
    _each(out, places.stops, lambda p: f"{len(read_stops(p))} stops")
    _each(out, [places.chain_areas], lambda p: f"{len(read_stops(p))} published chain-up areas")
    _each(out, [places.towns], lambda p: f"{len(read_towns(p).towns)} towns")
    _each(out, [places.bridges], lambda p: f"{len(read_bridges(p))} bridges")
    _each(out, [places.tunnels], lambda p: f"{len(read_tunnels(p))} tunnels")
    _each(out, [places.truck_speeds], lambda p: f"{len(read_truck_speeds(p))} speeds of trucks by law")
    _each(out, sorted(places.rigs.glob("*.toml")), lambda p: f"rig {read_rig(p).name}")
    _each(out, sorted(places.routes.glob("*.gpx")), lambda p: f"{read_gpx(p).lat_deg.size} points")
    out += _trip_findings(settings.trips)
    files = rule_files(places.rules) if places.rules.is_dir() else []
    _each(out, files, lambda p: f"rules of {read_ruleset(p).name}")
    if not files:
        out.append(
            Finding(file=str(places.rules), level="wrong", text=f"{places.rules}: no rule files; add one a state")
        )
    out += [f for p in files for f in (*_rule_findings(p, today), *_deck_findings(p))]
    out += _law_findings(settings)
    out += _outline_findings(places)
    out += _gathered_findings(settings, today)
    out += _feed_findings(settings)
    out += _record_findings(settings)
    if settings.road_stations is not None:
        _each(out, sorted(settings.road_stations.glob("*.toml")), _service_line)
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


def _trip_findings(path: Path | None) -> list[Finding]:
    """The trips file, with a finding for every row that is no trip."""
    if path is None:
        return []
    try:
        file = read_trips_file(path)
    except AlertdError as exc:
        return [Finding(file=str(path), level="wrong", text=str(exc))]
    out = [Finding(file=str(path), level="ok", text=f"{path}: {len(file.trips)} trips")]
    if file.ignored:
        text = f"{path}: columns that are not known are ignored: {file.ignored_words}"
        out.append(Finding(file=str(path), level="look", text=text))
    return out + [Finding(file=str(path), level="wrong", text=str(bad.mistake)) for bad in file.bad]


def _feed_findings(settings: Settings) -> list[Finding]:
    """Feeds of posted conditions, against the rules whose levels they name; none where the rules are wrong."""
    if settings.feeds is None:
        return []
    if not settings.feeds.is_dir():
        text = f"places.feeds: there is no folder {settings.feeds}; make it, or leave the key out"
        return [Finding(file=str(settings.where), level="look", text=f"{settings.where}: {text}")]
    out: list[Finding] = []
    try:
        rulesets = read_rulesets(settings.places.rules)
    except AlertdError:
        return []

    def one(path: Path) -> str:
        feed = read_feed(path, rulesets)
        return f"feed {feed.name} of {feed.jurisdiction}, {'in use' if feed.use else 'NOT in use'}"

    _each(out, sorted(settings.feeds.glob("*.toml")), one)
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


def _each(out: list[Finding], paths: Iterable[Path | None], read: Callable[[Path], str]) -> None:
    for path in paths:
        if path is None:
            continue
        try:
            out.append(Finding(file=str(path), level="ok", text=f"{path}: {read(path)}"))
        except AlertdError as exc:
            out.append(Finding(file=str(path), level="wrong", text=str(exc)))


def _settings_findings(settings: Settings) -> list[Finding]:
    where = str(settings.where)
    looks = []
    if not settings.contact:
        looks.append("operator.contact is empty; weather services refuse or block programs that name no contact")
    if not settings.channel_names:
        *others, last = (f"[[{spec.section}]]" for spec in CHANNELS)
        looks.append(f"no {', '.join(others)} or {last}: notices would reach nobody")
    key, store = exposed_by(settings), settings.store
    if key and not settings.http_token and isinstance(store, Path) and not store.exists():
        looks.append(f"{key} needs a token before the first start; make one by `alertd token new`")
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
    return [Finding(file=str(path), level="look", text=f"{path}: {text}") for path, text in found]


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


def _rule_findings(path: Path, today: date) -> list[Finding]:
    try:
        rules = read_ruleset(path)
    except AlertdError:
        return []
    looks = []
    if aged := rules.freshness(today):
        looks.append(f"the text: {' and '.join(aged)}: read the live text, then move the dates")
    if rules.unplaced_zones:
        names = ", ".join(f"{z.id} ({z.road})" for z in rules.unplaced_zones)
        looks.append(f"zones without points are placed on no route, only named in words: {names}")
    return [Finding(file=str(path), level="look", text=f"{path}: {text}") for text in looks]


def _law_findings(settings: Settings) -> list[Finding]:
    """Facts that the rigs do not state, and company practice against the law."""
    where = str(settings.places.rigs)
    out = [Finding(file=where, level="look", text=f"{where}: {line}") for line in fact_findings(settings)]
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
        return [Finding(file=str(deck), level="ok", text=f"{deck}: {len(cases)} cases right")]
    return [
        Finding(file=str(deck), level="wrong", text=f"{deck}: {line}; correct the rule or the case") for line in wrong
    ]


async def check_sources(settings: Settings, clock: Clock = system_clock) -> list[Finding]:
    """What each source gives at one place of the first route. Raises ConfigError for a mistake in the settings."""
    async with create_planner(settings, clock) as planner:
        place = await known_place(planner)
        if place is None:
            text = f"{settings.places.routes}: no route to take a place from; add a GPX file"
            return [Finding(file=str(settings.places.routes), level="wrong", text=text)]
        found = await ask_all(planner, place, clock())
    return [Finding(file=f.source, level=f.level, text=f"{f.source}: {f.text}") for f in found]


MAX_BODY_BYTES = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedCheck:
    result: FeedResult
    jurisdiction: str


def check_feed(settings: Settings, feed_file: Path, answer: Path, now_utc: datetime) -> FeedCheck:
    """Read a saved answer by a feed's file. Raises ConfigError for the file, InputError for the answer."""
    reference = load_reference_data(settings.places)
    feed = read_feed(feed_file, reference.rulesets)
    try:
        body = answer.read_bytes()
    except OSError as exc:
        raise InputError(
            str(answer), "", f"cannot be read ({exc.strerror})", "name a saved answer of the feed"
        ) from exc
    if len(body) > MAX_BODY_BYTES:
        raise InputError(str(answer), "", "is larger than 10 MB", "narrow what the feed is asked for")
    try:
        content = read_body(feed, body)
    except SourceError as exc:
        mend = "mend [read], or name another answer"
        raise ConfigError(str(feed_file), "", f"{answer.name}: {exc.problem}", mend) from exc
    return FeedCheck(
        result=to_controls(feed, content, known_places(reference, feed.jurisdiction), now_utc),
        jurisdiction=feed.jurisdiction,
    )


def feed_check_json(checked: FeedCheck) -> dict[str, Any]:
    return {"controls": [to_plain(c) for c in checked.result.controls], "left_out": list(checked.result.left_out)}


def show_feed_check(checked: FeedCheck) -> None:
    controls = checked.result.controls
    click.echo(
        f"{len(controls)} posted controls of {checked.jurisdiction}, good to {to_plain(checked.result.confirmed_at)}"
    )
    for c in controls:
        level = c.level if c.level != NOT_UNDERSTOOD else "NOT UNDERSTOOD, counts as be ready for the strictest level"
        until = to_plain(c.until) if c.until else "no end given"
        since = to_plain(c.since) if c.since else "not said, so since first seen"
        click.echo(f"  {c.id}: {level}")
        click.echo(f"      words  '{c.words}'")
        click.echo(f"      where  {_where(c)}")
        click.echo(f"      since  {since}, until {until}")
    for text in checked.result.left_out:
        click.echo(f"left out: {text}")


def _where(c: PostedControl) -> str:
    w: ControlLocation = c.where
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

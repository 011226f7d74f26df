"""Makes a settings folder for a fleet: the shipped files, its own settings, routes, a rig, stops and trips."""

import json
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from alertd.cli.first_day.templates import TRIP_COLUMNS, stop_feature
from alertd.errors import InputError
from alertd.route.build import lands_along
from alertd.route.geometry.clean import clean_line
from alertd.route.model import zone_at
from alertd.settings.contact import contact_problem, is_contact
from alertd.settings.reference_data import ReferenceData
from alertd.settings.shipped import data_root
from alertd.sources.files.gpx.read import read_gpx

SETTINGS: Final = Path("config/alertd.toml")
# Never copied from another folder: what is private there, and what a Python installer leaves beside our files.
PRIVATE: Final = ("secrets", "routes", "deploy", "*.db*", "__pycache__")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a fleet says of itself. business: Open-Meteo's free hosts are not for it. rig: a preset's id."""

    fleet: str
    contact: str
    business: bool
    routes: tuple[Path, ...]
    rig: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Land:
    """Where the routes lead: country codes (ISO 3166-1 alpha-2) in order, and the time zone of the first start."""

    countries: tuple[str, ...]
    zone: str


def presets() -> Mapping[str, str]:
    """Return the names of the shipped rigs, by id."""
    found = {}
    for file in sorted((data_root() / "config" / "rigs").glob("*.toml")):
        named = re.search(r'^name = "(.*)"$', file.read_text(encoding="utf-8"), re.MULTILINE)
        found[file.stem] = named[1] if named else file.stem
    return found


def refuse_existing(target: Path) -> None:
    """Raises InputError for a folder that has settings. It costs nothing, so nobody answers questions for it."""
    config = (target / SETTINGS).parent
    if config.exists():
        raise InputError(str(config), "", "is there already", "name another folder, or edit the files in it")


def check_contact(contact: str) -> None:
    """Raises InputError for a contact that cannot be sent, or by which nobody can be reached."""
    problem, _, hint = contact_problem(contact).partition("; ")
    if not problem and not is_contact(contact):
        problem, hint = f'"{contact}" is neither an email address nor a page', "write e.g. ops@fleet.example"
    if problem:
        raise InputError("--contact", "", problem, hint)


def check_route(route: Path) -> None:
    """Read a GPX file as a plan does. Raises InputError."""
    clean_line(read_gpx(route))


def check_preset(rig: str) -> None:
    """Raises InputError for a rig that is not shipped."""
    if rig not in presets():
        raise InputError("--rig", "", f'no preset is named "{rig}"', f"name one of: {', '.join(presets())}")


def create_folder(target: Path, answers: Answers) -> Path:
    """Make the folder; returns its settings file. Raises InputError when it has settings, or cannot be written."""
    settings = target / SETTINGS
    refuse_existing(target)
    check_contact(answers.contact)
    for route in answers.routes:
        check_route(route)
    check_preset(answers.rig)
    try:
        target.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target, prefix=".init-") as unfinished:
            made = Path(unfinished) / "config"
            _fill(made, answers)
            made.rename(settings.parent)  # whole, or not at all
    except OSError as exc:
        raise InputError(str(target), "", f"cannot be written ({exc.strerror})", "name another folder") from exc
    return settings


def _fill(config: Path, answers: Answers) -> None:
    shutil.copytree(data_root() / "config", config, ignore=shutil.ignore_patterns(*PRIVATE))
    (config / "routes").mkdir()
    for route in answers.routes:
        shutil.copyfile(route, config / "routes" / _route_name(route))
    preset = (config / "rigs" / f"{answers.rig}.toml").read_text(encoding="utf-8")
    (config / "rigs" / "truck-1.toml").write_text(_own_rig(preset), encoding="utf-8")
    (config / "stops.geojson").write_text('{"type": "FeatureCollection", "features": []}\n', encoding="utf-8")
    (config / "trips.csv").write_text(",".join(TRIP_COLUMNS) + "\n", encoding="utf-8")
    values = {
        "operator.fleet": answers.fleet,
        "operator.contact": answers.contact,
        "operator.noncommercial_use": not answers.business,
        "places.stops": ["stops.geojson"],
        "daemon.trips": "trips.csv",
    }
    replace_keys(config / SETTINGS.name, values)


def replace_keys(settings: Path, values: Mapping[str, object]) -> None:
    """Set keys, named "table.key", of a settings file by text, so that its comments stay.

    Raises InputError for a key that is not in its table once.
    """
    text = settings.read_text(encoding="utf-8")
    for name, value in values.items():
        table, _, key = name.partition(".")
        begin = text.index(f"\n[{table}]\n") + 1
        end = text.find("\n[", begin)
        section = text[begin : end if end >= 0 else None]
        found = re.findall(rf"^{key} = (?:\[[^\]\n]*\]|\"[^\"\n]*\"|[\w.]+)", section, flags=re.MULTILINE)
        if len(found) != 1:
            raise InputError(str(settings), name, f"is in the settings {len(found)} times", "set it by hand")
        changed = section.replace(f"\n{found[0]}", f"\n{key} = {json.dumps(value, ensure_ascii=False)}", 1)
        text = text[:begin] + changed + text[begin + len(section) :]
    settings.write_text(text, encoding="utf-8")


def land_of(routes: Sequence[Path], reference: ReferenceData) -> Land:
    """Return the countries and the time zone of the routes. Raises InputError for a route that is no GPX."""
    countries: dict[str, None] = {}
    zone = ""
    for route in routes:
        line = clean_line(read_gpx(route))
        spans = lands_along(line, reference.boundaries, reference.crossings)
        countries |= dict.fromkeys(span.code[:2] for span in spans if span.code)
        zone = zone or zone_at(float(line.lat_deg[0]), float(line.lon_deg[0]))
    return Land(countries=tuple(countries), zone=zone)


def sources_for(land: Land, *, business: bool) -> tuple[list[str], str]:
    """Return the forecast sources for a land, and why these."""
    if set(land.countries) <= {"US"}:
        return ["nws"], "the National Weather Service: free for all, with past hours from stations"
    if not business:
        return ["open-meteo"], "Open-Meteo's free host: for non-commercial use only"
    if "US" in land.countries:
        return ["nws", "met-norway"], "the National Weather Service, and MET Norway beyond the US: no past hours there"
    return ["met-norway"], "MET Norway: free for business too, but without past hours and freezing rain"


def stops_from_waypoints(routes: Sequence[Path], stops: Path) -> tuple[int, list[str]]:
    """Write the waypoints of the GPX files that state their kind as stops; returns how many, and the names of others.

    The kind is looked for in the waypoint's type, symbol and description: nothing else says that a truck can stop.
    """
    features, unknown = [], []
    for route in routes:
        for n, point in enumerate(_waypoints(route)):
            feature = stop_feature(f"{route.stem}-{n + 1}", *point)
            if feature is None:
                unknown.append(point[2] or f"waypoint {n + 1}")
            else:
                features.append(feature)
    if features:
        lines = ",\n".join(json.dumps(f, ensure_ascii=False) for f in features)
        stops.write_text('{"type": "FeatureCollection", "features": [\n' + lines + "\n]}\n", encoding="utf-8")
    return len(features), unknown


def _waypoints(route: Path) -> list[tuple[float, float, str, str]]:
    """(lat, lon, name, words about its kind) of each waypoint of a GPX file."""
    from defusedxml.ElementTree import parse

    out = []
    for element in parse(route).getroot() or ():
        if element.tag.rpartition("}")[2] != "wpt":
            continue
        texts = {child.tag.rpartition("}")[2]: (child.text or "").strip() for child in element}
        about = " ".join(texts.get(key, "") for key in ("type", "sym", "desc", "cmt", "name"))
        try:
            lat, lon = float(element.get("lat", "")), float(element.get("lon", ""))
        except ValueError:
            continue
        out.append((lat, lon, texts.get("name", ""), about))
    return out


def _route_name(route: Path) -> str:
    return route.with_suffix(".gpx").name if route.suffix.lower() == ".gpx" else route.name + ".gpx"


def _own_rig(preset: str) -> str:
    note = "# Your own truck: write its true weights, and under `chains` what is really on board.\n"
    return note + re.sub(r'^name = "(.*)"$', r'name = "Truck 1, \1"', preset, count=1, flags=re.MULTILINE)

"""Converts the board's forms to the requests of the JSON interface."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.errors import InputError
from alertd.plan.posted import CLOSED, NONE_POSTED
from alertd.route.elevation import NamedSummit
from alertd.route.stops import Stop
from alertd.settings.reference_data import ReferenceData
from alertd.sources.requests.closures import ClosureRequest, parse_closure
from alertd.sources.requests.posted_controls import PostedRequest, parse_posted

AGO_MIN: Final = (0, 15, 30, 60, 120, 240)
WITHIN_H: Final = (1, 2, 4, 8, 12, 24, 48)
DIRECTIONS: Final = ("both", "N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Control levels of one jurisdiction, as (value, words)."""

    name: str
    choices: tuple[tuple[str, str], ...]


def levels_of(reference: ReferenceData, jurisdictions: Iterable[str]) -> tuple[Levels, ...]:
    out = []
    for key in sorted(set(jurisdictions) & reference.rulesets.keys()):
        rules = reference.rulesets[key]
        named = [(level.id, level.legal_name) for level in rules.levels]
        named += [(CLOSED, "road closed"), (NONE_POSTED, "nothing posted, sign off")]
        out.append(Levels(name=rules.name, choices=tuple((f"{key} {id_}", text) for id_, text in named)))
    return tuple(out)


def place_names(reference: ReferenceData) -> tuple[str, ...]:
    """Names of known stops and summits, for naming a place."""
    return tuple(sorted({*(s.name for s in reference.stops), *(s.name for s in reference.summits)}))


def pass_names(reference: ReferenceData, jurisdictions: Iterable[str]) -> tuple[str, ...]:
    """Summits, and zones of these jurisdictions, for naming a sign's place."""
    jurisdictions = tuple(jurisdictions)
    zones = (z.name for j in set(jurisdictions) & reference.rulesets.keys() for z in reference.rulesets[j].zones)
    lands = set(jurisdictions)
    summits = (s.name for s in reference.summits if not s.lands or lands & set(s.lands))
    return tuple(sorted({*summits, *zones}))


def posted_of(form: Mapping[str, str], now_utc: datetime) -> PostedRequest:
    """The request of the posted-control form. Raises InputError."""
    jurisdiction, _, level = form.get("level", "").partition(" ")
    row = {
        "id": form.get("id", ""),
        "jurisdiction": jurisdiction,
        "level": level,
        "place": form.get("place", ""),
        "direction": form.get("direction", "both"),
        "since": (now_utc - timedelta(minutes=_number(form, "ago_min", AGO_MIN))).isoformat(),
        "until": _until(form, now_utc),
        "words": form.get("words", ""),
        "source": form.get("source", ""),
    }
    return parse_posted(row, "form")


def closure_of(form: Mapping[str, str], reference: ReferenceData, now_utc: datetime) -> ClosureRequest:
    """The request of the closure form. Raises InputError."""
    row = {
        "id": form.get("id", ""),
        "from": _place(form, "from", reference),
        "to": _place(form, "to", reference),
        "begins_at": (now_utc + timedelta(hours=_number(form, "begins_h", (0, *WITHIN_H)))).isoformat(),
        "ends_at": _until(form, now_utc),
        "what": form.get("what", ""),
        "source": form.get("source", ""),
    }
    return parse_closure(row, "form")


def _place(form: Mapping[str, str], name: str, reference: ReferenceData) -> list[float]:
    """A stop or summit by name, or latitude and longitude as written."""
    text = form.get(name, "")
    known: list[Stop | NamedSummit] = [*reference.stops, *reference.summits]
    for place in known:
        if place.name.casefold() == text.casefold():
            return [place.lat_deg, place.lon_deg]
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            "form", name, f'"{text}" is no stop and no summit on file', "choose one, or write e.g. 47.45, -115.69"
        ) from None
    return [lat, lon]


def _until(form: Mapping[str, str], now_utc: datetime) -> str | None:
    """The end time; None when unknown."""
    if not form.get("until_h"):
        return None
    return (now_utc + timedelta(hours=_number(form, "until_h", WITHIN_H))).isoformat()


def _number(form: Mapping[str, str], name: str, among: Sequence[int]) -> int:
    try:
        value = int(form.get(name) or 0)
    except ValueError:
        value = -1
    if value not in among:
        raise InputError("form", name, "is not one of the choices", f"choose one of: {', '.join(map(str, among))}")
    return value

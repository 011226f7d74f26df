"""Rate limits and quotas of each public weather server, one entry per counted party.

Limits that operators state are used as stated. Where an operator only asks for restraint, the number is our own choice.
Calls to Open-Meteo are weighted by `call_weight`, as its server counts them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final
from urllib.parse import parse_qs, urlsplit

MAX_MEMBERS: Final = 51  # members of the largest ensemble; used when a request names none
_NONE: Final[Mapping[str, int]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class HostLimits:
    """Limits of one party.

    name: the counted party; several hosts may share one. quotas: weighted calls allowed in a "minute", "hour", "day"
    and "month" of UTC. refused_pause_s: pause after a 403 [s].
    """

    name: str
    at_once: int = 4
    per_s: float = 5.0
    refused_pause_s: float = 300.0  # 403 means "too fast" as well as "not identified"
    quotas: Mapping[str, int] = field(default_factory=lambda: _NONE)


KNOWN_LIMITS: Final[Mapping[str, HostLimits]] = {
    # Limits are not published; exceeding them causes errors for a few seconds. Our own choice.
    "api.weather.gov": HostLimits(name="api.weather.gov"),
    # Free hosts, per IP address: one running request, and the quotas of the terms (open-meteo.com/en/terms).
    "open-meteo.com": HostLimits(
        name="open-meteo.com", at_once=1,
        quotas=MappingProxyType({"minute": 600, "hour": 5_000, "day": 10_000, "month": 300_000}),
    ),
    # More than 20 a second needs an agreement; 403 precedes a ban (api.met.no terms of service).
    "api.met.no": HostLimits(name="api.met.no", refused_pause_s=3600.0),
    # 100 requests a minute.
    "aviationweather.gov": HostLimits(name="aviationweather.gov", at_once=2, per_s=1.6),
    # Asks for notice of 86,400 requests a day or more, which is one a second (ECCC usage policy).
    "api.weather.gc.ca": HostLimits(name="api.weather.gc.ca", at_once=2, per_s=1.0),
    # A few slots an address, under 10,000 requests and 1 GB a day (its usage policy); the pause is our choice.
    "overpass-api.de": HostLimits(name="overpass-api.de", at_once=1, per_s=0.2),
    "geo.weather.gc.ca": HostLimits(name="geo.weather.gc.ca", at_once=2, per_s=1.0),
}  # fmt: skip


def limits_of(url: str, other: HostLimits, stated: Mapping[str, HostLimits] | None = None) -> HostLimits:
    """Return the limits for a URL's host or its domain; `other`, under the host's name, where none are stated.

    stated: limits by domain, besides ours. Hosts of paying customers have no quotas.
    """
    parts = urlsplit(url)
    host = (parts.hostname or "").lower()
    known = {**(stated or {}), **KNOWN_LIMITS}
    found = next((limits for domain, limits in known.items() if host == domain or host.endswith(f".{domain}")), None)
    if found is None or host.startswith("customer-"):
        return HostLimits(
            name=parts.netloc, at_once=other.at_once, per_s=other.per_s, refused_pause_s=other.refused_pause_s
        )
    return found


def call_weight(url: str) -> float:
    """Return the number of calls that Open-Meteo counts for a request.

    It is the sum over locations of max(1, V/10, V/10 x days/14), where V is variables x models x members. Source:
    RateLimiter.swift and ForecastapiQuery.swift of open-meteo/open-meteo.
    """
    parts = urlsplit(url)
    if parts.path.endswith("/static/meta.json"):
        return 0.0  # not counted (open-meteo.com/en/docs/model-updates)
    parameters = {name: values[0].split(",") for name, values in parse_qs(parts.query).items()}
    places = len(parameters.get("latitude", [""]))
    variables = sum(len(parameters.get(kind, ())) for kind in ("hourly", "daily", "current", "minutely_15"))
    days = float(parameters.get("past_days", ["0"])[0]) + float(parameters.get("forecast_days", ["7"])[0])
    members = MAX_MEMBERS if parts.path.endswith("/ensemble") else 1
    tenth = variables * len(parameters.get("models", [""])) * members / 10.0
    return places * max(1.0, tenth, tenth * days / 14.0)

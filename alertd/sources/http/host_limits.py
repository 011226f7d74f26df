"""How fast and how much each public weather server may be asked, as data: one entry a counted party.

Where operators state a number it stands here, and where they only say "be generous to us" a number of ours does. Calls
to Open-Meteo are weighted by `call_weight`, as its server counts them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final
from urllib.parse import parse_qs, urlsplit

MAX_MEMBERS: Final = 51  # of the largest ensemble on offer; a question that does not say which is taken for that
_NONE: Final[Mapping[str, int]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class HostLimits:
    """name: whose count it is, as several hosts may share one. quotas: weighted calls allowed in a "minute", "hour",
    "day" and "month" of UTC. refused_pause_s: how long to keep away after 403."""

    name: str
    at_once: int = 4
    per_s: float = 5.0
    refused_pause_s: float = 300.0  # 403 is used for "too fast" as well as for "who are you"
    quotas: Mapping[str, int] = field(default_factory=lambda: _NONE)


KNOWN_LIMITS: Final[Mapping[str, HostLimits]] = {
    # Limits are not published; exceeding them gives errors for a few seconds. Ours.
    "api.weather.gov": HostLimits(name="api.weather.gov"),
    # Free hosts, for one address: one running request, and the terms' counts (open-meteo.com/en/terms).
    "open-meteo.com": HostLimits(
        name="open-meteo.com", at_once=1,
        quotas=MappingProxyType({"minute": 600, "hour": 5_000, "day": 10_000, "month": 300_000}),
    ),
    # Over 20 a second needs an agreement; 403 comes before a ban (api.met.no terms of service).
    "api.met.no": HostLimits(name="api.met.no", refused_pause_s=3600.0),
    # 100 requests a minute.
    "aviationweather.gov": HostLimits(name="aviationweather.gov", at_once=2, per_s=1.6),
    # Wants to be told of 86,400 requests a day or more, which is one a second (ECCC usage policy).
    "api.weather.gc.ca": HostLimits(name="api.weather.gc.ca", at_once=2, per_s=1.0),
    "geo.weather.gc.ca": HostLimits(name="geo.weather.gc.ca", at_once=2, per_s=1.0),
}  # fmt: skip


def limits_of(url: str, other: HostLimits, stated: Mapping[str, HostLimits] | None = None) -> HostLimits:
    """The limits for a URL's host or the domain it belongs to; `other`, under the host's own name, where none are
    stated. Hosts of paying customers have no counts."""
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
    """As how many calls Open-Meteo counts a question: the sum over places of max(1, V/10, V/10 x days/14).

    V is variables x models x members. Source: RateLimiter.swift and ForecastapiQuery.swift of open-meteo/open-meteo.
    """
    parts = urlsplit(url)
    asked = {name: values[0].split(",") for name, values in parse_qs(parts.query).items()}
    places = len(asked.get("latitude", [""]))
    variables = sum(len(asked.get(kind, ())) for kind in ("hourly", "daily", "current", "minutely_15"))
    days = float(asked.get("past_days", ["0"])[0]) + float(asked.get("forecast_days", ["7"])[0])
    members = MAX_MEMBERS if parts.path.endswith("/ensemble") else 1
    tenth = variables * len(asked.get("models", [""])) * members / 10.0
    return places * max(1.0, tenth, tenth * days / 14.0)

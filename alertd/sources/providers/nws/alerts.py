"""Alerts of the US National Weather Service (/alerts/active): one list of the country, by event.

`expires` is the life of a message, often shorter than that of its event, so it never ends one here. A field that cannot
be read costs its message no more than that field, and a message that cannot be read at all is told as such: whatever is
lost is said, and only the service's own dropping it from a list that was read well is taken as its end.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from alertd.errors import SourceChanged
from alertd.plan.warnings.placement import AlertList, UnreadableAlert, WeatherAlert, merge_alerts, one_line, truncate
from alertd.plan.warnings.severity import severity_of
from alertd.sources.geojson import read_area
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions
from alertd.sources.iso_time import iso_utc
from alertd.sources.providers.nws.forecast import interpret_error, point_text
from alertd.sources.providers.nws.grid import SOURCE
from alertd.sources.providers.nws.vtec import Vtec, read_vtec
from alertd.sources.providers.nws.zones import county_of

LIFE_S = 120.0  # [A] the service names its own as a rule; asked more often than that, it says nothing new
_MAX_CHARS: Final = 80  # of a name that goes into a line for people
_NOT_REAL: Final = frozenset(("Test", "Exercise", "Draft", "System"))
_ZONE: Final = re.compile(r"(?:^|/)zones/([a-z]+)/([A-Z]{2}[ZC]\d{3})$")
_UGC: Final = re.compile(r"[A-Z]{2}[ZC]\d{3}")


class NwsAlerts:
    """Asks for the list. area: states such as "WA" to ask for alone, () for the whole country."""

    def __init__(self, client: JsonClient, base_url: str, area: Sequence[str] = ()) -> None:
        self._client, self._base, self.area = client, base_url.rstrip("/"), tuple(area)

    async def active(self) -> Answer[AlertList]:
        """Raises SourceError when the service does not say."""
        params = {"status": "actual"} | ({"area": ",".join(self.area)} if self.area else {})
        return await self._ask(params)

    async def at(self, lat_deg: float, lon_deg: float) -> Answer[AlertList]:
        """What is in force at one place. Raises SourceError when the service does not say."""
        return await self._ask({"point": point_text(lat_deg, lon_deg)})

    async def _ask(self, params: Mapping[str, str]) -> Answer[AlertList]:
        return await self._client.get_json(
            SOURCE,
            f"{self._base}/alerts/active",
            params=params,
            read=read_alerts,
            options=RequestOptions(default_life_s=LIFE_S, interpret_error=interpret_error),
        )


def read_alerts(body: object) -> AlertList:
    """The events of an answer that plans look at; cancelled ones, tests and exercises are left out.

    Raises SourceChanged for what is no list of alerts.
    """
    features = body.get("features") if isinstance(body, Mapping) else None
    if not isinstance(body, Mapping) or not isinstance(features, list):
        raise SourceChanged(SOURCE, "answer is no list of alerts")
    found = [_read(feature) for feature in features]
    pages = body.get("pagination")
    return AlertList(
        alerts=merge_alerts(a for a in found if isinstance(a, WeatherAlert)),
        unreadable=tuple(u for u in found if isinstance(u, UnreadableAlert)),
        listed_n=len(features),
        updated_at=_when(body, "updated"),
        whole=not (isinstance(pages, Mapping) and pages.get("next")),
    )


def _read(feature: object) -> WeatherAlert | UnreadableAlert | None:
    """None for what is of no matter to a truck, or over."""
    p = feature.get("properties") if isinstance(feature, Mapping) else None
    if not isinstance(feature, Mapping) or not isinstance(p, Mapping):
        return UnreadableAlert(event="", where="", zones=())
    if _text(p, "status") in _NOT_REAL or _text(p, "messageType") == "Cancel":
        return None
    raw: Mapping[str, Any] = p["parameters"] if isinstance(p.get("parameters"), Mapping) else {}
    lines = [read_vtec(text) for text in _texts(raw, "VTEC")]
    known = [v for v in lines if v is not None]
    live = [v for v in known if not v.over and not v.test]
    if known and not live and len(known) == len(lines):
        return None
    event, where, sent_at = _line(p, "event"), _line(p, "areaDesc"), _when(p, "sent")
    codes = [v.code for v in live]
    weight = severity_of(codes, event)
    if weight is None:
        return None
    zones, zones_whole = _zones(p)
    begins_at, ends_at = _window(p, raw, live, sent_at)
    if begins_at is None:
        return UnreadableAlert(event=event, where=where, zones=zones)
    id_ = _line(p, "id") or " ".join((event, begins_at.isoformat(), *zones))
    gravest = min(live, key=lambda v: getattr(severity_of([v.code], ""), "rank", 9), default=None)
    return WeatherAlert(
        key=gravest.key(sent_at) if gravest else id_,
        id=id_,
        event=event or "A weather warning without a name",
        severity=weight,
        begins_at=begins_at,
        ends_at=ends_at,
        sender=_line(p, "senderName") or "the National Weather Service",
        sent_at=sent_at,
        words=tuple(truncate(text) for text in (_headline(p, raw), _text(p, "instruction")) if text.strip()),
        where=where,
        zones=zones,
        zones_whole=zones_whole,
        counties=tuple(filter(None, (county_of(same) for same in _texts(p.get("geocode"), "SAME")))),
        area=read_area(feature.get("geometry")),
    )


def _window(
    p: Mapping[str, Any], raw: Mapping[str, Any], live: Sequence[Vtec], sent_at: datetime | None
) -> tuple[datetime | None, datetime | None]:
    """From when until when the event is expected, by all that is readable: the earliest begin and the latest end.

    A begin of zeros has begun, and its onset is only when it was last told of.
    """
    begun = sent_at if any(v.begins_at is None for v in live) else None
    begins = [_when(p, "onset"), begun, *(v.begins_at for v in live)]
    known = [at for at in begins if at is not None] or [at for at in (_when(p, "effective"), sent_at) if at is not None]
    if not known:
        return None, None
    ends = [_when(p, "ends"), *(v.ends_at for v in live), *(_time(t) for t in _texts(raw, "eventEndingTime"))]
    later = [at for at in ends if at is not None and at > min(known)]
    # An end before the beginning cannot be meant; one of "until further notice" beside a named one is the later.
    return min(known), None if any(v.ends_at is None for v in live) else max(later, default=None)


def _zones(p: Mapping[str, Any]) -> tuple[tuple[str, ...], bool]:
    """Ids of the zones named, each once, and whether all names could be read.

    A zone named by its bare code only is taken as a forecast zone or county.
    """
    addresses, codes = _listed(p, "affectedZones"), _listed(p.get("geocode"), "UGC")
    named = [(m[2], f"{m[1]}/{m[2]}") for m in map(_ZONE.search, _strings(addresses)) if m]
    bare = [code for code in _strings(codes) if _UGC.fullmatch(code)]
    found = {code for code, _ in named}
    rest = [f"{'county' if code[2] == 'C' else 'forecast'}/{code}" for code in bare if code not in found]
    count = len(found.union(bare))
    whole = all(len(read) == len(given) or count >= len(given) for read, given in ((named, addresses), (bare, codes)))
    return tuple(dict.fromkeys((*(id_ for _, id_ in named), *rest))), whole


def _headline(p: Mapping[str, Any], raw: Mapping[str, Any]) -> str:
    """The forecaster's own headline before the one that the service makes of name and times."""
    return next((t for t in _texts(raw, "NWSheadline") if t.strip()), _text(p, "headline"))


def _text(p: Mapping[str, Any], name: str) -> str:
    value = p.get(name)
    return value if isinstance(value, str) else ""


def _line(p: Mapping[str, Any], name: str) -> str:
    words = one_line(_text(p, name))
    return words if len(words) <= _MAX_CHARS else f"{words[: _MAX_CHARS - 3].rstrip()}..."


def _texts(p: object, name: str) -> list[str]:
    return _strings(_listed(p, name))


def _listed(p: object, name: str) -> list[Any]:
    values = p.get(name) if isinstance(p, Mapping) else None
    return values if isinstance(values, list) else []


def _strings(values: Sequence[Any]) -> list[str]:
    return [v for v in values if isinstance(v, str)]


def _when(p: Mapping[str, Any], name: str) -> datetime | None:
    return _time(_text(p, name))


def _time(text: str) -> datetime | None:
    """Aware, UTC; None for what is no time or does not say its zone."""
    return iso_utc(text)

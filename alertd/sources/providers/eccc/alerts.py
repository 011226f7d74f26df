"""Alerts of Environment and Climate Change Canada, by MSC GeoMet (OGC API - Features, paged).

Environment and Climate Change Canada Data Servers End-use Licence 2.1: alerts may not be altered in content or intent
when they are passed on, so names and texts are quoted as they come. One feature is one alert for one sub-region.
`expiration_datetime` is the message's and may lie before the event's end, so it never ends one here.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from alertd.errors import SourceChanged, SourceError
from alertd.plan.warnings.placement import AlertList, UnreadableAlert, WeatherAlert, one_line, truncate
from alertd.plan.warnings.severity import severity_of_coloured
from alertd.sources.geojson import read_area
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions
from alertd.sources.iso_time import iso_utc

SOURCE: Final = "MSC GeoMet"
SENDER: Final = "Environment and Climate Change Canada"
LIFE_S = 300.0
PAGE_N: Final = 500
_MAX_PAGES: Final = 10
_MAX_CHARS: Final = 80
_COLOURS: Final = ("red", "orange", "yellow")
_OVER: Final = frozenset(("ended", "cancelled"))

Box = tuple[float, float, float, float]  # west, south, east, north [deg]


class GeometAlerts:
    """collection: the name of the alerts' collection on that server."""

    def __init__(self, client: JsonClient, base_url: str, collection: str) -> None:
        self._client = client
        self._items = f"{base_url.rstrip('/')}/collections/{collection}/items"

    async def within(self, box: Box) -> tuple[list[Answer[AlertList]], bool]:
        """The pages of what is in force in a box, and whether they are all there are.

        Raises SourceError when the service does not give the first. Pages are counted on by `offset`.
        """
        answers: list[Answer[AlertList]] = []
        bbox = ",".join(f"{value:.3f}" for value in box)
        offset = 0
        for _ in range(_MAX_PAGES):
            params = {"f": "json", "lang": "en", "bbox": bbox, "limit": str(PAGE_N)}
            try:
                answer = await self._client.get_json(
                    SOURCE, self._items, params=params | ({"offset": str(offset)} if offset else {}), read=read_page,
                    options=RequestOptions(default_life_s=LIFE_S),
                )  # fmt: skip
            except SourceError:
                if not answers:
                    raise
                break
            page = answer.value
            answers.append(answer)
            offset += page.listed_n
            if page.whole and offset >= page.matched_n:
                return answers, True
            if page.listed_n == 0:
                break
        return answers, False


def read_page(body: object) -> AlertList:
    """One page; `whole` where no further one is named. Raises SourceChanged for what is no page of features."""
    features = body.get("features") if isinstance(body, Mapping) else None
    if not isinstance(body, Mapping) or not isinstance(features, list):
        raise SourceChanged(SOURCE, "answer is no page of features")
    found = [_read(feature) for feature in features]
    links, matched = body.get("links"), body.get("numberMatched")
    named = [link for link in links if isinstance(link, Mapping)] if isinstance(links, list) else []
    return AlertList(
        alerts=tuple(a for a in found if isinstance(a, WeatherAlert)),
        unreadable=tuple(u for u in found if isinstance(u, UnreadableAlert)),
        listed_n=len(features),
        matched_n=matched if isinstance(matched, int) else 0,
        whole=not any(link.get("rel") == "next" for link in named),
    )


def _read(feature: object) -> WeatherAlert | UnreadableAlert | None:
    p = feature.get("properties") if isinstance(feature, Mapping) else None
    if not isinstance(feature, Mapping) or not isinstance(p, Mapping):
        return UnreadableAlert(event="", where="", zones=())
    if _text(p, "status", "status_en").lower() in _OVER:
        return None
    name, level = _text(p, "alert_name_en", "alert_name"), _text(p, "alert_type").lower()
    where = _short(_text(p, "feature_name_en", "feature_name"))
    colour = _colour(p, name)
    weight = severity_of_coloured(name, level, colour, _text(p, "impact_en", "impact"))
    if weight is None:
        return None
    begins_at = _when(p, "validity_datetime") or _when(p, "publication_datetime")
    area = read_area(feature.get("geometry"))
    if begins_at is None or area is None:
        return UnreadableAlert(event=_short(name), where=where, zones=())
    ends_at = _when(p, "event_end_datetime")
    text = _text(p, "alert_text_en", "alert_text")
    code = _text(p, "alert_code")
    id_ = str(feature.get("id") or _text(p, "id", "feature_id"))
    return WeatherAlert(
        key=" ".join((SOURCE, code, level, _text(p, "feature_id") or id_)),
        id=id_,
        event=_short(_with_colour(name or f"{code} {level}".strip(), colour)) or "A weather alert without a name",
        severity=weight,
        begins_at=begins_at,
        ends_at=ends_at if ends_at is not None and ends_at > begins_at else None,
        sender=SENDER,
        sent_at=_when(p, "publication_datetime"),
        words=(truncate(text),) if text.strip() else (),
        where=where,
        area=area,
    )


def _colour(p: Mapping[str, Any], name: str) -> str:
    """The colour of an alert, by its field or its name; "" for one of before November 2025."""
    given = _text(p, "risk_colour_en", "risk_colour", "risk_color_en").strip().lower()
    if given in _COLOURS:
        return given
    return next((c for c in _COLOURS if c in name.lower().split()), "")


def _with_colour(name: str, colour: str) -> str:
    """The name as given, with the alert's own colour behind it where the name lacks it."""
    return f"{name} ({colour})" if name and colour and colour not in name.lower() else name


def _text(p: Mapping[str, Any], *names: str) -> str:
    """The first of the names that holds a text."""
    return next((v for v in map(p.get, names) if isinstance(v, str)), "")


def _short(text: str) -> str:
    words = one_line(text)
    return words if len(words) <= _MAX_CHARS else f"{words[: _MAX_CHARS - 3].rstrip()}..."


def _when(p: Mapping[str, Any], name: str) -> datetime | None:
    return iso_utc(_text(p, name))


def box_around(lat_deg: Sequence[float], lon_deg: Sequence[float], margin_deg: float = 0.05) -> Box:
    """The box of some places, a little wider."""
    return (
        min(lon_deg) - margin_deg,
        min(lat_deg) - margin_deg,
        max(lon_deg) + margin_deg,
        max(lat_deg) + margin_deg,
    )

"""Zones of the US National Weather Service: which ones a place lies in, and the outline of one."""

import re
from typing import Final

from alertd.errors import SourceChanged
from alertd.plan.zones import Zone
from alertd.route.areas import Area
from alertd.sources.answer import Answer, Asks
from alertd.sources.nws import POINT_LIFE_S, point_text, verdict
from alertd.sources.nws_grid import SOURCE
from alertd.sources.outlined import read_area
from alertd.sources.shape import AnswerModel, validated

ZONE_LIFE_S: Final = 86_400.0
_ID: Final = re.compile(r"/zones/([a-z]+)/([A-Z]{2}[ZC]\d{3})$")


class _Properties(AnswerModel):
    forecastZone: str | None = None
    county: str | None = None
    fireWeatherZone: str | None = None


class _Point(AnswerModel):
    properties: _Properties


class _ZoneProperties(AnswerModel):
    id: str
    name: str = ""


class _Zone(AnswerModel):
    properties: _ZoneProperties


class NwsZones:
    """Raises SourceError when the service does not say; NotCovered for a place it does not serve."""

    def __init__(self, client: Asks, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def at(self, lat_deg: float, lon_deg: float) -> tuple[str, ...]:
        """Ids of the forecast zone, the county and the fire weather zone of a place, as in `plan.zones`."""
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/points/{point_text(lat_deg, lon_deg)}", read=read_point_zones,
            default_life_s=POINT_LIFE_S, verdict=verdict,
        )  # fmt: skip
        return answer.value

    async def outline(self, zone_id: str) -> Zone:
        """The zone as it is now, however fresh a stored answer is."""
        answer: Answer[tuple[str, Area]] = await self._client.get_json(
            SOURCE, f"{self._base}/zones/{zone_id}", read=lambda body: read_outline(body, zone_id),
            default_life_s=ZONE_LIFE_S, verdict=verdict, refresh=True,
        )  # fmt: skip
        if answer.stale:
            raise SourceChanged(SOURCE, f"zone {zone_id} {answer.not_refreshed}")
        name, area = answer.value
        return Zone(id=zone_id, name=name, area=area, obtained_at=answer.fetched_at)


def read_point_zones(body: object) -> tuple[str, ...]:
    p = validated(SOURCE, _Point, body).properties
    found = (_ID.search(url or "") for url in (p.forecastZone, p.county, p.fireWeatherZone))
    return tuple(dict.fromkeys(f"{m[1]}/{m[2]}" for m in found if m))


def read_outline(body: object, zone_id: str) -> tuple[str, Area]:
    """Name and outline of a zone. Raises SourceChanged for another zone, or one without an outline."""
    zone = validated(SOURCE, _Zone, body).properties
    if zone.id != zone_id.rpartition("/")[2]:
        raise SourceChanged(SOURCE, f"answered zone {zone.id} where {zone_id} was asked")
    area = read_area(body.get("geometry")) if isinstance(body, dict) else None
    if area is None:
        raise SourceChanged(SOURCE, f"zone {zone_id} comes without a readable outline")
    return zone.name, area

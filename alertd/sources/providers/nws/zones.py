"""Zones of the US National Weather Service: which ones a place lies in, and the outline of one."""

import re
from typing import Final

from alertd.errors import SourceChanged
from alertd.plan.warnings.zones import ForecastZone
from alertd.route.geometry.polygons import Area
from alertd.sources.geojson import read_area
from alertd.sources.http.answer import Answer, JsonClient, RequestOptions
from alertd.sources.http.validation import AnswerModel, validated
from alertd.sources.providers.nws.forecast import POINT_LIFE_S, interpret_error, point_text
from alertd.sources.providers.nws.grid import SOURCE

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

    def __init__(self, client: JsonClient, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def at(self, lat_deg: float, lon_deg: float) -> tuple[str, ...]:
        """Ids of the forecast zone, the county and the fire weather zone of a place, as in `plan.warnings.zones`."""
        answer = await self._client.get_json(
            SOURCE, f"{self._base}/points/{point_text(lat_deg, lon_deg)}", read=read_point_zones,
            options=RequestOptions(default_life_s=POINT_LIFE_S, interpret_error=interpret_error),
        )  # fmt: skip
        return answer.value

    async def outline(self, zone_id: str) -> ForecastZone:
        """The zone as it is now, however fresh a stored answer is."""
        answer: Answer[tuple[str, Area]] = await self._client.get_json(
            SOURCE, f"{self._base}/zones/{zone_id}", read=lambda body: read_outline(body, zone_id),
            options=RequestOptions(default_life_s=ZONE_LIFE_S, interpret_error=interpret_error, refresh=True),
        )  # fmt: skip
        if answer.stale:
            raise SourceChanged(SOURCE, f"zone {zone_id} {answer.not_refreshed}")
        name, area = answer.value
        return ForecastZone(id=zone_id, name=name, area=area, obtained_at=answer.fetched_at)


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


_STATES: Final = (
    "01AL 02AK 04AZ 05AR 06CA 08CO 09CT 10DE 11DC 12FL 13GA 15HI 16ID 17IL 18IN 19IA 20KS 21KY 22LA 23ME 24MD 25MA "
    "26MI 27MN 28MS 29MO 30MT 31NE 32NV 33NH 34NJ 35NM 36NY 37NC 38ND 39OH 40OK 41OR 42PA 44RI 45SC 46SD 47TN 48TX "
    "49UT 50VT 51VA 53WA 54WV 55WI 56WY"
)


_LETTERS: Final = {state[:2]: state[2:] for state in _STATES.split()}


def county_of(same: str) -> str | None:
    """The county's id, e.g. "county/WAC033" of "053033"; None for what is no county of a state.

    The first digit names a part of the county; the whole of it is taken.
    """
    if len(same) != 6 or not same.isdigit() or same[1:3] not in _LETTERS or same.endswith("000"):
        return None
    return f"county/{_LETTERS[same[1:3]]}C{same[3:]}"

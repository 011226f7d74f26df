"""Warnings of the US National Weather Service (/alerts/active) for places: which are in force, from when until when.

`ends` is the life of the event and may be missing; `expires` is only that of the message, which is often shorter, so
it never ends a warning here. What is cancelled or over leaves the list of active ones.
"""

from datetime import timedelta
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AwareDatetime, Field

from alertd.errors import SourceChanged
from alertd.plan.warnings import HOLD_EVENTS, TOLD_EVENTS, Ring, WeatherAlert
from alertd.sources.answer import Answer, Asks
from alertd.sources.nws import point_text, verdict
from alertd.sources.nws_grid import SOURCE
from alertd.sources.shape import AnswerModel, Number, validated

LIFE_S = 300.0  # the service names a shorter one as a rule
_MOST_CHARS = 80  # of a text that goes into a line for people


class _Event(AnswerModel):
    event: str


class _Listed(AnswerModel):
    properties: _Event


class _Properties(_Event):
    id: str
    status: str
    messageType: str = ""
    onset: AwareDatetime | None = None
    effective: AwareDatetime | None = None
    ends: AwareDatetime | None = None
    senderName: str = ""
    areaDesc: str = ""


class _Feature(AnswerModel):
    properties: _Properties


_Coordinates: TypeAlias = list[list[tuple[Number, Number]]]


class _Polygon(AnswerModel):
    type: Literal["Polygon"]
    coordinates: _Coordinates

    @property
    def polygons(self) -> list[_Coordinates]:
        return [self.coordinates]


class _MultiPolygon(AnswerModel):
    type: Literal["MultiPolygon"]
    coordinates: list[_Coordinates]

    @property
    def polygons(self) -> list[_Coordinates]:
        return self.coordinates


class _Outlined(AnswerModel):
    geometry: Annotated[_Polygon | _MultiPolygon, Field(discriminator="type")]


class _Answer(AnswerModel):
    features: list[Any]


class NwsAlerts:
    """Asks for one place at a time. Raises SourceError when the service does not say."""

    def __init__(self, client: Asks, base_url: str) -> None:
        self._client, self._base = client, base_url.rstrip("/")

    async def at(self, lat_deg: float, lon_deg: float) -> Answer[tuple[WeatherAlert, ...]]:
        return await self._client.get_json(
            SOURCE, f"{self._base}/alerts/active", params={"point": point_text(lat_deg, lon_deg)},
            read=read_alerts, default_life_s=LIFE_S, verdict=verdict,
        )  # fmt: skip


def read_alerts(body: object) -> tuple[WeatherAlert, ...]:
    """The warnings of an answer that plans look at. Raises SourceChanged for one of them that cannot be read.

    Other events may have any shape. Tests, exercises and cancelled ones are left out.
    """
    alerts = []
    for listed in validated(SOURCE, _Answer, body).features:
        if validated(SOURCE, _Listed, listed).properties.event not in HOLD_EVENTS | TOLD_EVENTS:
            continue
        feature = validated(SOURCE, _Feature, listed)
        p = feature.properties
        if p.status != "Actual" or p.messageType == "Cancel":
            continue
        begins_at = p.onset or p.effective
        if begins_at is None:
            raise SourceChanged(SOURCE, f"{p.event} does not say when it begins")
        # An end before the beginning cannot be meant: taken as none, which is the cautious reading.
        ends_at = p.ends if p.ends is not None and p.ends - begins_at > timedelta(0) else None
        alerts.append(
            WeatherAlert(
                id=p.id,
                event=p.event,
                begins_at=begins_at,
                ends_at=ends_at,
                sender=_line(p.senderName) or "the National Weather Service",
                area=_line(p.areaDesc),
                rings=_rings(listed),
            )
        )
    return tuple(alerts)


def _rings(feature: object) -> tuple[Ring, ...]:
    """Outer outlines; none where there is no readable one, and then the places asked about place the warning."""
    try:
        polygons = validated(SOURCE, _Outlined, feature).geometry.polygons
    except SourceChanged:
        return ()
    return tuple(tuple((lat, lon) for lon, lat in polygon[0]) for polygon in polygons if polygon)


def _line(text: str) -> str:
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return words if len(words) <= _MOST_CHARS else f"{words[: _MOST_CHARS - 3].rstrip()}..."

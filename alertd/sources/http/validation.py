"""Validates responses: the requested location, and the fields of a model."""

from datetime import UTC, datetime
from typing import Annotated, TypeVar

import numpy as np
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from alertd.errors import SourceChanged

EARTH_RADIUS_KM = 6371.0


def apart_km(lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> float:
    """Return the great-circle distance [km] by the haversine formula."""
    a, b, c, d = np.radians([lat1_deg, lon1_deg, lat2_deg, lon2_deg])
    h = np.sin((c - a) / 2) ** 2 + np.cos(a) * np.cos(c) * np.sin((d - b) / 2) ** 2
    return float(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(h, 0.0, 1.0))))


def _in_utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError as exc:
        raise ValueError("the time is outside the calendar") from exc


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Moment = Annotated[AwareDatetime, AfterValidator(_in_utc)]  # aware, UTC


M = TypeVar("M", bound=BaseModel)


class AnswerModel(BaseModel):
    """Base of server responses: unknown keys are ignored."""

    model_config = ConfigDict(extra="ignore", frozen=True, defer_build=True)


def in_utc(source: str, name: str, moment: datetime) -> datetime:
    """Return an answer's time in UTC. Raises SourceChanged for one without an offset or outside the calendar."""
    if moment.utcoffset() is None:
        raise SourceChanged(source, f'{name} "{moment}" has no offset from UTC')
    try:
        return _in_utc(moment)
    except ValueError as exc:
        raise SourceChanged(source, f'{name} "{moment}": {exc}') from exc


def validated(source: str, model: type[M], body: object) -> M:
    """Return the body as the model. Raises SourceChanged with the first field that does not fit."""
    try:
        return model.model_validate(body)
    except ValidationError as exc:
        first = exc.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SourceChanged(source, f"answer has another shape at {where}: {first['msg']}") from exc

"""Weather station reports near the routes, stored for scoring forecasts later."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import Any, Final

import numpy as np
from pydantic import TypeAdapter

from alertd.forecast.observations import StationReport
from alertd.records.event_stream import EventStream, Retain, from_json
from alertd.store.store import Store

_KIND: Final = "observation"
_REPORT: Final = TypeAdapter(StationReport)


def save_observations(store: Store, reports: Iterable[StationReport]) -> int:
    """Store reports, one per station and time, the first of each; returns how many are new."""
    return sum(OBSERVATIONS.save(store, report, report.observed_at) for report in reports)


def _id(report: StationReport, trip_id: str, at: datetime) -> str:
    return f"{_KIND}_{report.station.id}_{at:%Y%m%dT%H%M%SZ}"


def _dump(report: StationReport) -> str:
    """The report's fields as JSON, with null for unknown values."""
    body = asdict(report) | {"observed_at": report.observed_at.isoformat(), "station": _nulls(asdict(report.station))}
    return json.dumps(_nulls(body), sort_keys=True, allow_nan=False, separators=(",", ":"))


def _nulls(values: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in values.items()}


def _parse(body: dict[str, Any], where: str) -> StationReport:
    """The report of an event's body, in which null means unknown."""

    def known(values: dict[str, Any]) -> dict[str, Any]:
        return {k: float("nan") if v is None and k not in ("weather", "station") else v for k, v in values.items()}

    return _REPORT.validate_python(known(body) | {"station": known(body["station"])})


OBSERVATIONS: Final = EventStream[StationReport](
    kind=_KIND, id_of=_id, dump=_dump, parse=from_json(_parse), retain=Retain.POSITIONS
)

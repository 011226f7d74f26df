"""Weather station reports near the routes, stored for scoring forecasts later."""

import json
from collections.abc import Iterable
from dataclasses import MISSING, asdict, fields
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pydantic import TypeAdapter

from alertd.forecast.observations import StationReport
from alertd.records.event_stream import EventStream, Retain, from_json

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "observation"
_OPTIONAL: Final = frozenset(f.name for f in fields(StationReport) if f.default is not MISSING)


def save_observations(store: "Store", reports: Iterable[StationReport]) -> int:
    """Store reports, one per station and time, the first of each; returns how many are new."""
    return sum(OBSERVATIONS.save(store, report, report.observed_at) for report in reports)


def _id(report: StationReport, trip_id: str, at: datetime) -> str:
    return f"{_KIND}_{report.station.id}_{at:%Y%m%dT%H%M%SZ}"


def report_to_plain(report: StationReport) -> dict[str, Any]:
    """The report's fields as values that JSON carries, None for unknown ones."""
    body = asdict(report) | {"observed_at": report.observed_at.isoformat(), "station": _nulls(asdict(report.station))}
    return _nulls(body)


def _dump(report: StationReport) -> str:
    # Optional fields are left out when unknown, so reports stored before these existed are written as they were.
    body = {k: v for k, v in report_to_plain(report).items() if v is not None or k not in _OPTIONAL}
    return json.dumps(body, sort_keys=True, allow_nan=False, separators=(",", ":"))


def _nulls(values: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in values.items()}


def report_from_plain(body: dict[str, Any]) -> StationReport:
    """The report of its plain values, in which None means unknown. Raises pydantic's ValidationError, a ValueError."""

    def known(values: dict[str, Any]) -> dict[str, Any]:
        return {k: float("nan") if v is None and k not in ("weather", "station") else v for k, v in values.items()}

    return _report_form().validate_python(known(body) | {"station": known(body["station"])})


def _parse(body: dict[str, Any], where: str) -> StationReport:
    return report_from_plain(body)


OBSERVATIONS: Final = EventStream[StationReport](
    kind=_KIND, id_of=_id, dump=_dump, parse=from_json(_parse), retain=Retain.POSITIONS
)


@cache
def _report_form() -> TypeAdapter[StationReport]:
    """Made at the first use: most commands read no report."""
    return TypeAdapter(StationReport)

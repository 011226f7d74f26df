"""The evidence of past hours as plain values, for the archive of plans; values read back are the same to the bit."""

import base64
import zlib
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from alertd.forecast.model import Array
from alertd.forecast.past import FILLED_FIELDS, KeptForecast, PastEvidence
from alertd.forecast.road_observations import RoadReport
from alertd.records.observations import report_from_plain, report_to_plain


def evidence_to_plain(evidence: PastEvidence) -> dict[str, Any]:
    """Values that JSON carries; arrays as base64 of compressed little-endian doubles."""
    return {
        "reports": [report_to_plain(r) for r in evidence.reports],
        "kept": [
            {
                "provider": k.provider,
                "start": k.start.isoformat(),
                "elevation_m": _packed(k.elevation_m),
                "values": _packed(k.values),
                "issued_epoch_s": _packed(k.issued_epoch_s),
            }
            for k in evidence.kept
        ],
        "problems": list(evidence.problems),
        **({"surfaces": [_surface_to_plain(r) for r in evidence.surfaces]} if evidence.surfaces else {}),
        **({"surface_problems": list(evidence.surface_problems)} if evidence.surface_problems else {}),
    }


def evidence_from_plain(plain: dict[str, Any]) -> PastEvidence:
    """The evidence of `evidence_to_plain`. Raises KeyError, TypeError or ValueError for anything else."""
    return PastEvidence(
        reports=tuple(report_from_plain(r) for r in plain["reports"]),
        kept=tuple(_kept(k) for k in plain["kept"]),
        problems=tuple(str(p) for p in plain["problems"]),
        surfaces=tuple(_surface(r) for r in plain.get("surfaces", ())),
        surface_problems=tuple(str(p) for p in plain.get("surface_problems", ())),
    )


def _surface_to_plain(report: RoadReport) -> dict[str, Any]:
    """JSON has no NaN: what is unknown is left out."""
    plain: dict[str, Any] = _surface_form().dump_python(report, mode="json")
    plain["station"] = {k: v for k, v in plain["station"].items() if v == v}
    return {k: v for k, v in plain.items() if v == v}


def _surface(plain: dict[str, Any]) -> RoadReport:
    found = _surface_form().validate_python(plain | {"station": {"elevation_m": float("nan")} | plain["station"]})
    return replace(found, observed_at=found.observed_at.astimezone(UTC))


def _kept(plain: dict[str, Any]) -> KeptForecast:
    elevation_m = _unpacked(plain["elevation_m"])
    cells = elevation_m.size
    return KeptForecast(
        provider=str(plain["provider"]),
        start=datetime.fromisoformat(plain["start"]),
        elevation_m=elevation_m,
        values=_unpacked(plain["values"]).reshape(len(FILLED_FIELDS), cells, -1),
        issued_epoch_s=_unpacked(plain["issued_epoch_s"]).reshape(cells, -1),
    )


def _packed(values: Array) -> str:
    return base64.b64encode(zlib.compress(np.ascontiguousarray(values, dtype="<f8").tobytes())).decode()


def _unpacked(text: str) -> Array:
    try:
        raw = zlib.decompress(base64.b64decode(text))
    except zlib.error as exc:
        raise ValueError(str(exc)) from exc
    return np.frombuffer(raw, dtype="<f8").astype(np.float64)


@cache
def _surface_form() -> TypeAdapter[RoadReport]:
    """Made at the first use: most plans have no report of a road sensor."""
    return TypeAdapter(RoadReport)

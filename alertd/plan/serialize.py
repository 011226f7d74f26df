"""Writes a plan as canonical JSON: the same inputs give the same bytes."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from alertd.plan.model.plan import Plan
from alertd.rules.requirements import TireDemand
from alertd.rules.rig import IdentityKey

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

FORMAT = "alertd.plan/1"
LONG = 32  # number of values from which a column is rounded at once


def to_plain(value: Any) -> Any:
    """JSON types of a value: times as ISO 8601 UTC with Z, floats rounded to 1e-4 so that last bits do not matter."""
    if isinstance(value, float):
        return None if value != value else round(value, 4) + 0.0  # + 0.0 turns -0.0 into 0.0
    if value is None or type(value) in (str, int, bool):
        return value
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, TireDemand):  # few, shared by many plans, and some with nearly a hundred choices
        return dict(_demand(IdentityKey(value)))
    if is_dataclass(value) and not isinstance(value, type):
        return {name: to_plain(getattr(value, name)) for name in _names(type(value))}
    if isinstance(value, tuple | list):
        if len(value) > LONG and type(value[0]) is float and type(value[-1]) is float:
            return _column(value)
        return [to_plain(v) for v in value]
    if isinstance(value, frozenset | set):
        return sorted(to_plain(v) for v in value)
    return value


@lru_cache(maxsize=4096)
def _demand(value: IdentityKey[TireDemand]) -> dict[str, Any]:
    return {name: to_plain(getattr(value.value, name)) for name in _names(TireDemand)}


def _column(values: Sequence[float]) -> list[float | None]:
    """`to_plain` of many floats at once."""
    rounded = np.round(np.asarray(values, dtype=np.float64), 4) + 0.0
    if np.isnan(rounded).any():
        return [None if v != v else v for v in rounded.tolist()]
    plain: list[float | None] = rounded.tolist()
    return plain


@cache
def _names(kind: "type[DataclassInstance]") -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


def plan_json(plan: Plan) -> str:
    """Canonical JSON text of a plan: sorted keys, no spaces, NaN as null."""
    return canonical({"format": FORMAT, **to_plain(plan)})


def canonical(value: Any) -> str:
    """Canonical JSON text of plain values: sorted keys, no spaces. Raises ValueError for NaN."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def with_id(plan: Plan) -> Plan:
    """The plan with the id derived from its content."""
    digest = hashlib.sha256(plan_json(replace(plan, id="")).encode()).hexdigest()
    return replace(plan, id=f"plan_{digest[:32]}")

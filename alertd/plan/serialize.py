"""Writes a plan as canonical JSON: the same inputs give the same bytes."""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache, lru_cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from alertd.plan.model.alternatives import Departure
from alertd.plan.model.plan import Plan
from alertd.rules.requirements import TireDemand
from alertd.rules.rig import IdentityKey

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

FORMAT = "alertd.plan/1"
LONG = 32  # number of values from which a column is rounded at once


def to_plain(value: Any) -> Any:
    """JSON types of a value: times as ISO 8601 UTC with Z, floats rounded to 1e-4 so that last bits do not matter."""
    kind = type(value)
    if kind in _AS_IT_IS:
        return value
    return (_BY_TYPE.get(kind) or _converter(kind))(value)


def _float(value: float) -> float | None:
    return None if value != value else round(value, 4) + 0.0  # + 0.0 turns -0.0 into 0.0


@lru_cache(maxsize=32_768)  # equal moments are the same text in UTC
def _time(value: datetime) -> str:
    return value.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _dataclass(value: Any) -> dict[str, Any]:
    kind: type[DataclassInstance] = type(value)
    return {name: to_plain(getattr(value, name)) for name in _names(kind)}


def _sequence(value: Sequence[Any]) -> list[Any]:
    if len(value) > LONG and type(value[0]) is float and type(value[-1]) is float:
        return _column(value)
    return [to_plain(v) for v in value]


def _converter(kind: type) -> Callable[[Any], Any]:
    """The conversion of a type, kept for the next value."""
    found: Callable[[Any], Any] = lambda value: value  # noqa: E731
    if issubclass(kind, float):
        found = _float
    elif issubclass(kind, datetime):
        found = _time
    elif issubclass(kind, date):
        found = date.isoformat
    elif issubclass(kind, Enum):
        found = attrgetter("value")
    elif kind is TireDemand:  # few, shared by many plans, and some with nearly a hundred choices
        found = lambda value: dict(_demand(IdentityKey(value)))  # noqa: E731
    elif is_dataclass(kind):
        found = _dataclass
    elif issubclass(kind, tuple | list):
        found = _sequence
    elif issubclass(kind, frozenset | set):
        found = lambda value: sorted(to_plain(v) for v in value)  # noqa: E731
    _BY_TYPE[kind] = found
    return found


_AS_IT_IS: Final = frozenset({type(None), str, int, bool})
_BY_TYPE: Final[dict[type, Callable[[Any], Any]]] = {}


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
    return _joined({"format": canonical(FORMAT), **_texts(plan)})


def plan_text(plan: Plan) -> str:
    """Canonical JSON text of a plan without its format, as the store keeps it."""
    return _joined(_texts(plan))


def _texts(plan: Plan) -> dict[str, str]:
    return {name: _text_of(getattr(plan, name)) for name in _names(Plan)}


def _joined(texts: Mapping[str, str]) -> str:
    return "{" + ",".join(f'"{name}":{texts[name]}' for name in sorted(texts)) + "}"


# A plan is written to the archive, to the store and under its id, and again with small changes; plans of one kind of
# rig share departures. What is encoded once is therefore kept for a while by the identity of the object.
_KEPT: Final = 4096  # some 150 plans, of which each holds 0.2 MB
_KEPT_DEPARTURES: Final = 8192  # of a few hundred bytes


def _text_of(value: Any) -> str:
    """`canonical(to_plain(value))`, from the last texts where this very object was encoded before."""
    if isinstance(value, Departure):
        return _kept_departure(IdentityKey(value))
    if isinstance(value, tuple) and value:
        if isinstance(value[0], Departure):
            return "[" + ",".join(_text_of(v) for v in value) + "]"
        return _kept_text(IdentityKey(value))
    return _kept_text(IdentityKey(value)) if is_dataclass(value) else canonical(to_plain(value))


@lru_cache(maxsize=_KEPT)
def _kept_text(value: IdentityKey[Any]) -> str:
    return canonical(to_plain(value.value))


@lru_cache(maxsize=_KEPT_DEPARTURES)
def _kept_departure(value: IdentityKey[Departure]) -> str:
    return canonical(to_plain(value.value))


def canonical(value: Any) -> str:
    """Canonical JSON text of plain values: sorted keys, no spaces. Raises ValueError for NaN."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def with_id(plan: Plan) -> Plan:
    """The plan with the id derived from its content."""
    digest = hashlib.sha256(plan_json(replace(plan, id="")).encode()).hexdigest()
    return replace(plan, id=f"plan_{digest[:32]}")

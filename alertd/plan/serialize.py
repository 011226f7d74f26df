"""Writes a plan as canonical JSON: the same inputs give the same bytes."""

import hashlib
import json
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache
from json.encoder import encode_basestring
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.plan.cycle_caches import cached_in_cycle, clear_with_cycle
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.law import DutyNote, TireOwed
from alertd.plan.model.plan import Along, Plan
from alertd.route.spot import Spot
from alertd.rules.requirements import Hanging, TireDemand
from alertd.rules.rig import IdentityKey
from alertd.rules.tire_text import TireRun

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


@cached_in_cycle(32_768)  # equal moments are the same text in UTC
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


@cached_in_cycle(4096)
def _demand(value: IdentityKey[TireDemand]) -> dict[str, Any]:
    return {name: to_plain(getattr(value.value, name)) for name in _names(TireDemand)}


def _column(values: Sequence[float]) -> list[float | None]:
    """`to_plain` of many floats at once."""
    rounded: list[float] = _rounded(values).tolist()
    return [None if v != v else v for v in rounded]


def _rounded(values: Sequence[float]) -> NDArray[np.float64]:
    return np.asarray(np.round(np.asarray(values, dtype=np.float64), 4) + 0.0)


@cache
def _names(kind: "type[DataclassInstance]") -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


class FieldText(NamedTuple):
    """Canonical JSON text of one field of a plan: head, then items with commas between, then tail."""

    head: str
    items: Sequence[str]
    tail: str

    @property
    def whole(self) -> str:
        """The text."""
        return self.head + ",".join(self.items) + self.tail


_FORMAT_TEXT: Final = FieldText('"format":', (f'"{FORMAT}"',), "")


def plan_json(plan: Plan) -> str:
    """Canonical JSON text of a plan: sorted keys, no spaces, NaN as null."""
    return _joined({"format": _FORMAT_TEXT, **_texts(plan)})


def plan_text(plan: Plan) -> str:
    """Canonical JSON text of a plan without its format, as the store keeps it."""
    return _joined(_texts(plan))


def plan_fields(plan: Plan) -> list[FieldText]:
    """The fields of `plan_json` in order, with items that plans of one road have in common."""
    texts = {"format": _FORMAT_TEXT, **_texts(plan)}
    return [texts[name] for name in sorted(texts)]


# A plan is written under its id, to the archive and to the store, so its texts are kept for a while by the identity of
# the object. Up to MOST_TOGETHER trips of a road are planned before any of them is recorded. The text of a plan is 0.1
# MB long, and seven times as long for a rig whose law leaves hundreds of choices.
_KEPT_PLANS: Final = 256
_KEPT_CHARS: Final = 32_000_000
_KEPT_SHARED: Final = 8192  # of a few hundred bytes; plans share departures, duties, spots and ways to chain
_kept: Final[OrderedDict[int, tuple[Plan, Mapping[str, FieldText], int]]] = OrderedDict()
clear_with_cycle(_kept.clear)


def _texts(plan: Plan) -> Mapping[str, FieldText]:
    """The text of each field."""
    found = _kept.get(id(plan))
    if found is not None and found[0] is plan:
        return found[1]
    texts = {name: _field_text(name, getattr(plan, name)) for name in _names(Plan)}
    _keep(plan, texts)
    return texts


def _keep(plan: Plan, texts: Mapping[str, FieldText]) -> None:
    _kept[id(plan)] = plan, texts, sum(len(item) for field in texts.values() for item in field.items)
    chars_n = sum(n for _, _, n in tuple(_kept.values()))
    while len(_kept) > 1 and (len(_kept) > _KEPT_PLANS or chars_n > _KEPT_CHARS):
        try:
            chars_n -= _kept.popitem(last=False)[1][2]
        except KeyError:  # another thread was first
            break


def forget_texts(plan: Plan) -> None:
    """Let go of a plan that is written everywhere. A plan and its texts take 0.4 MB."""
    found = _kept.get(id(plan))
    if found is not None and found[0] is plan:
        _kept.pop(id(plan), None)


def _joined(texts: Mapping[str, FieldText]) -> str:
    return "{" + ",".join([texts[name].whole for name in sorted(texts)]) + "}"


def _field_text(name: str, value: Any) -> FieldText:
    if isinstance(value, tuple):
        return FieldText(f'"{name}":[', [_text_of(v) for v in value], "]")
    if isinstance(value, Along):
        return FieldText(f'"{name}":{{', [f'"{n}":{_along_text(n, getattr(value, n))}' for n in _ALONG_NAMES], "}")
    return FieldText(f'"{name}":', (_text_of(value),), "")


def _shared_writer(kind: "type[DataclassInstance]") -> Callable[[Any], str]:
    """The writer of a kind whose objects many plans share: each text is kept by the identity of its object."""
    write, known = _dataclass_writer(kind), dict[int, tuple[Any, str]]()
    clear_with_cycle(known.clear)

    def text_of(value: Any) -> str:
        found = known.get(id(value))
        if found is not None and found[0] is value:
            return found[1]
        if len(known) >= _KEPT_SHARED:
            known.clear()
        text = write(value)
        known[id(value)] = value, text
        return text

    return text_of


def _text_of(value: Any) -> str:
    """`canonical(to_plain(value))` in one pass, without the plain values between."""
    return _WRITERS[type(value)](value)


class _Writers(dict[type, Callable[[Any], str]]):
    """The writer of each type, made at its first value."""

    def __missing__(self, kind: type) -> Callable[[Any], str]:
        found: Callable[[Any], str] = lambda value: canonical(to_plain(value))  # noqa: E731
        if issubclass(kind, float):
            found = _float_text
        elif issubclass(kind, datetime):
            found = _time_text
        elif issubclass(kind, Enum):
            found = lambda value: _text_of(value.value)  # noqa: E731
        elif kind is TireDemand:
            found = lambda value: _demand_text(IdentityKey(value))  # noqa: E731
        elif is_dataclass(kind):
            found = _dataclass_writer(kind)
        elif issubclass(kind, tuple | list):
            found = _sequence_text
        self[kind] = found
        return found


def _dataclass_writer(kind: "type[DataclassInstance]") -> Callable[[Any], str]:
    names = sorted(_names(kind))
    if len(names) < 2:  # attrgetter returns no tuple
        return lambda value: canonical(to_plain(value))
    heads, values_of = tuple(f'"{name}":' for name in names), attrgetter(*names)

    def write(value: Any) -> str:
        pairs = zip(heads, values_of(value), strict=True)
        return "{" + ",".join([head + _WRITERS[type(part)](part) for head, part in pairs]) + "}"

    return write


def _float_text(value: float) -> str:
    if value - value != 0.0:  # NaN is null, infinity an error
        return canonical(_float(value))
    return float.__repr__(round(value, 4) + 0.0)


def _along_text(name: str, value: Any) -> str:
    return _route_column_text(IdentityKey(value)) if name in _OF_ROUTE else _text_of(value)


@cached_in_cycle(128)  # all plans of a route have the same ones
def _route_column_text(value: IdentityKey[Any]) -> str:
    return _text_of(value.value)


def _time_text(value: datetime) -> str:
    return f'"{_time(value)}"'


@cached_in_cycle(4096)
def _demand_text(value: IdentityKey[TireDemand]) -> str:
    return canonical(_demand(value))


def _sequence_text(value: Sequence[Any]) -> str:
    if len(value) > LONG and type(value[0]) is float and type(value[-1]) is float:
        return _column_text(value)
    return "[" + ",".join([_WRITERS[type(part)](part) for part in value]) + "]"


def _column_text(values: Sequence[float]) -> str:
    """`canonical(_column(values))`. Neighbours are often equal, and the shortest text of a float takes time."""
    different = list(set(values))
    if len(different) > len(values) // 2:
        return canonical(_column(values))
    rounded = _rounded(different)
    if not np.isfinite(rounded).all():
        return canonical(_column(values))
    texts = dict(zip(different, map(float.__repr__, rounded.tolist()), strict=True))
    return "[" + ",".join(map(texts.__getitem__, values)) + "]"


_WRITERS: Final = _Writers(
    {
        Departure: _shared_writer(Departure),
        DutyNote: _shared_writer(DutyNote),
        Hanging: _shared_writer(Hanging),
        Spot: _shared_writer(Spot),
        TireOwed: _shared_writer(TireOwed),
        TireRun: _shared_writer(TireRun),
        type(None): lambda value: "null",
        bool: lambda value: "true" if value else "false",
        int: repr,
        str: encode_basestring,
    }
)
_OF_ROUTE: Final = frozenset({"distance_m", "elevation_m"})
_ALONG_NAMES: Final = sorted(_names(Along))
_ENCODER: Final = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def canonical(value: Any) -> str:
    """Canonical JSON text of plain values: sorted keys, no spaces. Raises ValueError for NaN."""
    return _ENCODER.encode(value)


def with_id(plan: Plan) -> Plan:
    """The plan with the id derived from its content."""
    texts = {name: _field_text(name, getattr(plan, name)) for name in _names(Plan) if name != "id"}
    unnamed = {**texts, "format": _FORMAT_TEXT, "id": _field_text("id", "")}
    named = replace(plan, id=f"plan_{hashlib.sha256(_joined(unnamed).encode()).hexdigest()[:32]}")
    _keep(named, {**texts, "id": _field_text("id", named.id)})
    return named

"""Plans at rest: packed into a few kilobytes each, and unpacked when somebody looks at one.

A plan as an object holds a quarter of a megabyte, most of it in the columns along the road and the other departures.
A held plan has the columns as a plan from the store has them, rounded to 1e-4, and no other departures, which only the
page of one trip shows: `LatestPlans.plan` adds these from the store.
"""

import zlib
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime
from threading import Lock
from typing import Any, Final, TypeAlias, overload

import numpy as np
from numpy.typing import NDArray

from alertd.plan.model.plan import Along, Plan
from alertd.planning.corridors.transfer import read_value, value_to_bytes

UNPACKED: Final = 256  # plans unpacked last, of some 0.15 MB: a fleet of that size is unpacked once a cycle [A]
PACKED: Final = 32  # plans packed last, so that who keeps one and who shows it pack it once [A]
_PER_UNIT: Final = 1e4  # the fourth decimal, as in JSON
_NAN: Final = np.iinfo(np.int64).min
_COLUMNS: Final = tuple(f.name for f in fields(Along) if f.name not in ("begins_at", "surface"))
_LEVEL: Final = 6
_DICTIONARY_BYTES: Final = 32_768  # the window of zlib

_Columns: TypeAlias = tuple[tuple[int, ...], bytes]  # lengths, and all values one after the other


class HeldPlan:
    """One plan. `plan` unpacks it."""

    __slots__ = ("_data", "_dictionary", "driver", "id", "jurisdictions", "made_at", "trip_id")

    def __init__(self, plan: Plan) -> None:
        self.id: str = plan.id
        self.trip_id: str = plan.trip_id
        self.driver: str = plan.driver
        self.made_at: datetime = plan.made_at
        self.jurisdictions: tuple[str, ...] = tuple(rule.jurisdiction for rule in plan.rules)
        empty: dict[str, Any] = dict.fromkeys(_COLUMNS, ())
        along = replace(plan.along, **empty)
        raw = value_to_bytes((replace(plan, along=along, departures=()), _packed(plan.along)))
        self._dictionary = _PACKING.dictionary(raw)
        packing = zlib.compressobj(_LEVEL, zdict=self._dictionary)
        self._data = packing.compress(raw) + packing.flush()

    @property
    def plan(self) -> Plan:
        """The plan without its other departures."""
        return _PACKING.plan(self)

    @property
    def bytes_n(self) -> int:
        """Bytes of the packed plan."""
        return len(self._data)

    def unpack(self) -> Plan:
        """The same, unpacked again in any case."""
        unpacking = zlib.decompressobj(zdict=self._dictionary)
        plan, columns = read_value(unpacking.decompress(self._data) + unpacking.flush())
        found: Plan = replace(plan, along=replace(plan.along, **_unpacked(columns)))
        return found


class HeldPlans(Sequence[Plan]):
    """Held plans in order, each unpacked when it is looked at."""

    def __init__(self, held: Sequence[HeldPlan] = ()) -> None:
        self._held = tuple(held)

    def __len__(self) -> int:
        return len(self._held)

    def __iter__(self) -> Iterator[Plan]:
        return (one.plan for one in self._held)

    @overload
    def __getitem__(self, index: int) -> Plan: ...
    @overload
    def __getitem__(self, index: slice) -> "HeldPlans": ...
    def __getitem__(self, index: int | slice) -> "Plan | HeldPlans":
        return HeldPlans(self._held[index]) if isinstance(index, slice) else self._held[index].plan


class HeldByTrip(Mapping[str, Plan]):
    """Held plans by trip, each unpacked when it is looked at."""

    def __init__(self, held: Mapping[str, HeldPlan]) -> None:
        self.held = held

    def __len__(self) -> int:
        return len(self.held)

    def __iter__(self) -> Iterator[str]:
        return iter(self.held)

    def __contains__(self, trip_id: object) -> bool:
        return trip_id in self.held

    def __getitem__(self, trip_id: str) -> Plan:
        return self.held[trip_id].plan


def hold(plan: Plan | HeldPlan) -> HeldPlan:
    """The plan packed; the same object for one that was packed a moment ago."""
    return plan if isinstance(plan, HeldPlan) else _PACKING.held(plan)


class _Packing:
    """What all held plans share: a dictionary of the words of plans, and those that were looked at last."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._dictionary = b""
        self._unpacked: OrderedDict[HeldPlan, Plan] = OrderedDict()
        self._packed: OrderedDict[int, tuple[Plan, HeldPlan]] = OrderedDict()  # by identity of the plan beside it

    def dictionary(self, raw: bytes) -> bytes:
        """The bytes of the first plan: plans name the same laws and kinds of values, which halves what they take."""
        with self._lock:
            if not self._dictionary:
                self._dictionary = raw[-_DICTIONARY_BYTES:]
            return self._dictionary

    def held(self, plan: Plan) -> HeldPlan:
        with self._lock:
            known = self._packed.get(id(plan))
        if known is not None:
            return known[1]
        new = HeldPlan(plan)
        with self._lock:
            _keep(self._packed, id(plan), (plan, new), PACKED)
        return new

    def plan(self, held: HeldPlan) -> Plan:
        with self._lock:
            known = self._unpacked.get(held)
        found = held.unpack() if known is None else known
        with self._lock:
            _keep(self._unpacked, held, found, UNPACKED)
        return found


def _keep(kept: OrderedDict[Any, Any], key: object, value: object, most_n: int) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most_n:
        kept.popitem(last=False)


def _packed(along: Along) -> _Columns:
    """Differences of neighbours in units of the fourth decimal: mostly small numbers, which compress well."""
    columns = [np.asarray(getattr(along, name), dtype=np.float64) for name in _COLUMNS]
    values = np.concatenate(columns)
    units = np.where(np.isnan(values), _NAN, np.round(np.nan_to_num(values) * _PER_UNIT)).astype(np.int64)
    return tuple(c.size for c in columns), _by_byte(np.diff(units, prepend=np.int64(0))).tobytes()


def _unpacked(columns: _Columns) -> dict[str, tuple[float, ...]]:
    sizes, data = columns
    units = np.cumsum(np.frombuffer(data, dtype=np.uint8).reshape(8, -1).T.copy().view(np.int64)[:, 0])
    values = np.where(units == _NAN, np.nan, units / _PER_UNIT)
    ends = np.cumsum(sizes)
    return {
        name: tuple(values[end - size : end].tolist()) for name, size, end in zip(_COLUMNS, sizes, ends, strict=True)
    }


def _by_byte(values: NDArray[np.int64]) -> NDArray[np.uint8]:
    """All lowest bytes first, and all highest ones last, which are mostly equal."""
    return values.view(np.uint8).reshape(-1, 8).T.copy()


_PACKING: Final = _Packing()

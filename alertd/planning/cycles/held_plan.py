"""Plans at rest: packed into a few kilobytes each, and unpacked when somebody looks at one.

A plan as an object holds a quarter of a megabyte, most of it in the columns along the road and the other departures.
A held plan has the columns as a plan from the store has them, rounded to 1e-4, and no other departures, which only the
page of one trip shows: `LatestPlans.plan` adds these from the store. A plan is packed once, when it is recorded. The
fields of `HeldPlan` are what a cycle reads of a plan that it does not make again.
"""

import zlib
from array import array
from bisect import bisect_left
from collections import OrderedDict
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from threading import Lock
from typing import Any, Final, NamedTuple, TypeVar, overload

import numpy as np

from alertd.notices.plan_diff import ComparedPlan, changes_since, compared_plan
from alertd.notices.sent_state import SentFact
from alertd.notices.upheld import raised, upheld
from alertd.plan.cycle_caches import cached_in_cycle
from alertd.plan.model.plan import Along, Plan
from alertd.planning.corridors.value_bytes import read_value, value_to_bytes
from alertd.rules.rig import IdentityKey

UNPACKED: Final = 64  # plans unpacked last, of some 0.15 MB: enough for the pages that people look at [A]
SHARED: Final = 512  # dictionaries of planning processes, of those that ended too, and columns of routes [A]
_PER_UNIT: Final = 1e4  # the fourth decimal, as in JSON
_NAN: Final = np.iinfo(np.int64).min
_COLUMNS: Final = tuple(f.name for f in fields(Along) if f.name not in ("begins_at", "surface"))
_OF_ROUTE: Final = ("distance_m", "elevation_m")  # all plans of a route have the same ones
_OF_TRIP: Final = tuple(name for name in _COLUMNS if name not in _OF_ROUTE)
_LEVEL: Final = 3  # level 6 saves 6 % and takes twice the time
_DICTIONARY_BYTES: Final = 32_768  # the window of zlib

Part = TypeVar("Part", bound=Hashable)


class _Columns(NamedTuple):
    """Columns one after the other. sizes: their lengths; dtype: of the differences of neighbours in `data`."""

    sizes: tuple[int, ...]
    dtype: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldPlan:
    """One plan; `hold` packs it. `plan` unpacks it.

    upheld: facts sent before that ask for more than the plan does by itself, see `held_as_shown`; None for a plan that
    was not compared with them. issued: each provider, and when its forecast was issued or fetched. compared: what the
    next plan of the trip is compared with. moments: see `next_moment`, as sorted doubles. dictionary: of the packing of
    `data`, one object for many plans, as are the columns of a route.
    """

    id: str
    trip_id: str
    driver: str
    made_at: datetime
    partial: bool
    upheld: tuple[SentFact, ...] | None
    issued: tuple[tuple[str, datetime], ...]
    jurisdictions: tuple[str, ...]
    compared: ComparedPlan
    moments: bytes
    route_columns: _Columns
    columns: _Columns
    dictionary: bytes
    data: bytes

    @property
    def plan(self) -> Plan:
        """The plan without its other departures."""
        return _PACKING.plan(self)

    def next_moment(self, now_utc: datetime) -> datetime | None:
        """The next of the arrival, the stretches and the places to chain up; None where all are past."""
        moments_epoch_s = array("d", self.moments)
        first = bisect_left(moments_epoch_s, now_utc.timestamp())
        ahead = moments_epoch_s[first : first + 1]
        return datetime.fromtimestamp(ahead[0], UTC) if ahead else None

    @property
    def bytes_n(self) -> int:
        """Bytes of the packed plan, without the columns that plans of a route share."""
        return len(self.data) + len(self.columns.data)

    def unpack(self) -> Plan:
        """The same, unpacked again in any case."""
        unpacking = zlib.decompressobj(zdict=self.dictionary)
        plan: Plan = read_value(unpacking.decompress(self.data) + unpacking.flush())
        columns = (*_unpacked(self.route_columns), *_unpacked(self.columns))
        named: dict[str, Any] = dict(zip((*_OF_ROUTE, *_OF_TRIP), columns, strict=True))
        return replace(plan, along=replace(plan.along, **named))


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


def hold(plan: Plan | HeldPlan, upheld: tuple[SentFact, ...] | None = None) -> HeldPlan:
    """The plan packed; the same object for a packed one. upheld: see `HeldPlan`."""
    if isinstance(plan, HeldPlan):
        return plan
    moments = [plan.arrive_at, *(s.enter_at for s in plan.stretches)]
    moments += [s.chain_up.arrive_at for s in plan.stretches]
    empty: dict[str, Any] = dict.fromkeys(_COLUMNS, ())
    along = plan.along
    raw = value_to_bytes(replace(plan, along=replace(along, **empty), departures=()))
    dictionary = _PACKING.dictionary(raw)
    packing = zlib.compressobj(_LEVEL, zdict=dictionary)
    return HeldPlan(
        id=plan.id,
        trip_id=plan.trip_id,
        driver=plan.driver,
        made_at=plan.made_at,
        partial=plan.partial,
        upheld=upheld,
        issued=tuple((note.provider, note.issued_at or note.fetched_at) for note in plan.sources),
        jurisdictions=tuple(rule.jurisdiction for rule in plan.rules),
        compared=compared_plan(plan),
        moments=array("d", sorted(at.timestamp() for at in moments)).tobytes(),
        route_columns=_packed_of_route(*(IdentityKey(getattr(along, name)) for name in _OF_ROUTE)),
        columns=_packed([getattr(along, name) for name in _OF_TRIP]),
        dictionary=dictionary,
        data=packing.compress(raw) + packing.flush(),
    )


def with_shared_parts(held: HeldPlan) -> HeldPlan:
    """A plan that another process packed, with the parts that are equal in many plans as one object each."""
    return replace(held, dictionary=_PACKING.shared(held.dictionary), route_columns=_PACKING.shared(held.route_columns))


def held_as_shown(plan: Plan, facts: Sequence[SentFact], now_utc: datetime) -> tuple[Plan, HeldPlan]:
    """The plan as people see it, also packed: never below the facts sent before while data are missing."""
    rows = upheld(plan, facts, now_utc)
    shown = raised(plan, rows, now_utc)
    return shown, hold(shown, rows)


def changes_between(old: ComparedPlan | None, shown: Plan) -> tuple[str, ...]:
    """What a new plan, as people see it, changes for a dispatcher; empty for the first plan of a trip."""
    return () if old is None or old.plan_id == shown.id else changes_since(old, shown)


class _Packing:
    """What all held plans share: a dictionary of the words of plans, and those that were unpacked last."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._dictionary = b""
        self._shared: OrderedDict[Hashable, Any] = OrderedDict()
        self._unpacked: OrderedDict[HeldPlan, Plan] = OrderedDict()

    def dictionary(self, raw: bytes) -> bytes:
        """The bytes of the first plan: plans name the same laws and kinds of values, which halves what they take."""
        with self._lock:
            if not self._dictionary:
                self._dictionary = raw[-_DICTIONARY_BYTES:]
            return self._dictionary

    def shared(self, part: Part) -> Part:
        """The first object that was equal to this one."""
        with self._lock:
            known: Part = self._shared.setdefault(part, part)
            while len(self._shared) > SHARED:
                self._shared.popitem(last=False)
            return known

    def plan(self, held: HeldPlan) -> Plan:
        with self._lock:
            known = self._unpacked.get(held)
        found = held.unpack() if known is None else known
        with self._lock:
            self._unpacked[held] = found
            self._unpacked.move_to_end(held)
            while len(self._unpacked) > UNPACKED:
                self._unpacked.popitem(last=False)
        return found


def _packed(columns: Sequence[Sequence[float]]) -> _Columns:
    """Differences of neighbours in units of the fourth decimal: mostly small numbers, which compress well."""
    values = np.concatenate([np.asarray(column, dtype=np.float64) for column in columns])
    units = np.where(np.isnan(values), _NAN, np.round(np.nan_to_num(values) * _PER_UNIT)).astype(np.int64)
    steps = np.diff(units, prepend=np.int64(0))
    small = steps.astype(np.int32)
    steps = small if np.array_equal(small, steps) else steps
    return _Columns(tuple(map(len, columns)), steps.dtype.str, zlib.compress(steps.tobytes(), _LEVEL))


@cached_in_cycle(128)
def _packed_of_route(*columns: IdentityKey[Sequence[float]]) -> _Columns:
    return _packed([column.value for column in columns])


def _unpacked(columns: _Columns) -> Iterator[tuple[float, ...]]:
    units = np.cumsum(np.frombuffer(zlib.decompress(columns.data), dtype=columns.dtype), dtype=np.int64)
    values = np.where(units == _NAN, np.nan, units / _PER_UNIT)
    ends = np.cumsum(columns.sizes)
    return (tuple(values[end - size : end].tolist()) for size, end in zip(columns.sizes, ends, strict=True))


_PACKING: Final = _Packing()

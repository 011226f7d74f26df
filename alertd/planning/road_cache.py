"""Road fields kept between plans, so that only changed parts are computed again."""

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from dataclasses import field as dataclass_field
from hashlib import sha256
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.planning.corridors.field_shelf import FieldShelf
from alertd.road.corridor import MemberQuantiles, RoadCells, RoadField, latest_start_h
from alertd.road.nearby import NOTHING_NEAR, Nearby
from alertd.units import HOUR_S

_NOTHING = np.zeros(0)
MAX_KEPT = 2  # corridors with all that was computed from them for rigs and rules: up to some 80 MB each
# Of fields in memory, for each of these corridors: 256 MB in all. [A] A field of 300 km, 31 members and 4 days is 10
# MB, of 600 km up to 30 MB, and costs half a second of a processor or more.
FIELD_BYTES = 64 << 20
MAX_MAPPED = 256  # fields in files: each takes a file handle
Run = Callable[[RoadField | None, NDArray[np.bool_] | None], RoadField]


@dataclass(frozen=True, slots=True, kw_only=True)
class _CachedField:
    field: RoadField
    road: bytes  # digest of its cells and quantiles
    weather: tuple[bytes, ...]  # by forecast cell
    name: str  # digest of all
    mapped: bool = False  # from a file
    corridors: list[Corridor] = dataclass_field(default_factory=list)  # of this field; at most one

    @property
    def end_epoch_s(self) -> float:
        return self.field.first_epoch_s + float(self.field.road_class.shape[2]) * HOUR_S

    @property
    def bytes_n(self) -> int:
        """Bytes in memory of its own."""
        parts = () if self.mapped else (getattr(self.field, name) for name in self.field.__slots__)
        return sum(x.nbytes for x in parts if isinstance(x, np.ndarray))


class RoadFieldCache:
    """The last field of each corridor. Its inputs are compared by digest, forecast cell by forecast cell.

    All hours of a forecast belong together: when the first or last hour changes, the whole corridor is computed, and
    the field that begins or ends earlier is dropped. Corridors of the newest `most` fields are kept. All other fields
    move to the shelf, or stay in memory up to a number of bytes.
    """

    def __init__(self, most: int = MAX_KEPT, most_bytes: int | None = None, shelf: FieldShelf | None = None) -> None:
        self._most, self._most_bytes = most, most * FIELD_BYTES if most_bytes is None else most_bytes
        self.shelf = shelf
        self._kept: OrderedDict[bytes, _CachedField] = OrderedDict()
        self._lock = Lock()
        self._offered: RoadField | None = None

    def offer(self, field: RoadField) -> None:
        """Take this field, computed elsewhere from the same inputs, at the next call of `field`."""
        self._offered = field

    def field(
        self,
        forecast: Forecast,
        cells: RoadCells,
        quantiles: MemberQuantiles,
        run: Run,
        nearby: Nearby = NOTHING_NEAR,
        rules: str = "",
    ) -> RoadField:
        """The field of this corridor for this forecast: from the cache, computed in part or whole.

        run: gets the kept field and the columns that changed, (column,), or twice None.
        nearby: observations that the field also depends on. rules: all settings that it depends on.
        """
        hours = np.asarray(
            [forecast.start.timestamp(), forecast.hours, forecast.air_temp_c.shape[0], latest_start_h(forecast)]
        )
        fixed = (getattr(value, name) for value in (cells, quantiles) for name in value.__slots__)
        sensors = np.asarray([[getattr(r, n) for n in r.__slots__] for r in nearby.readings], dtype=np.float64)
        road = _digest(*fixed, np.frombuffer(rules.encode(), dtype=np.uint8))
        corridor = _digest(hours, sensors) + road
        weather = tuple(
            _digest(
                forecast.elevation_m[c],
                _NOTHING if nearby.phase_logit is None else nearby.phase_logit[c],
                _NOTHING if forecast.obscured is None else forecast.obscured[c],
                *(getattr(forecast, n)[:, c, :] for n in WEATHER_FIELDS),
            )
            for c in range(forecast.lat_deg.size)
        )
        name = sha256(corridor + b"".join(weather)).hexdigest()[:32]
        with self._lock:
            before = self._kept.get(corridor)
            offered, self._offered = self._offered, None
        kept = before
        if self.shelf is not None and (before is None or before.weather != weather) and offered is None:
            on_shelf = self.shelf.get(name)
            if on_shelf is not None:
                kept = _CachedField(field=on_shelf, road=road, weather=weather, name=name, mapped=True)
        if offered is not None and (kept is None or weather != kept.weather):
            new = _CachedField(field=offered, road=road, weather=weather, name=name)
        elif kept is None:
            new = _CachedField(field=run(None, None), road=road, weather=weather, name=name)
        else:
            new = _renewed(kept, cells, weather, name, run)
        with self._lock:
            self._kept[corridor] = new
            self._kept.move_to_end(corridor)
            old = [] if before is None or before.name == name else [before]
            old += self._shrink(corridor)
        self._move_to_shelf(old, stay_n=self._most)
        return new.field

    def rest(self) -> None:
        """Release memory until the next cycle: forget all corridors, and move all fields to the shelf.

        A plan that is made meanwhile makes the corridor again, as on any road that is not among the newest.
        """
        with self._lock:
            for kept in self._kept.values():
                kept.corridors.clear()
        self._move_to_shelf((), stay_n=0)

    def _shrink(self, newest: bytes) -> list[_CachedField]:
        """Drop what the newest field replaces, the oldest beyond the limits, and corridors but of the newest.

        Returns the fields that it replaces.
        """
        new = self._kept[newest]
        ends = new.field.first_epoch_s, new.end_epoch_s
        same_road = [key for key, kept in self._kept.items() if key != newest and kept.road == new.road]
        earlier = [k for k in same_road if (self._kept[k].field.first_epoch_s, self._kept[k].end_epoch_s) <= ends]
        dropped = [self._kept.pop(key) for key in earlier]
        sizes_n, mapped_n = sum(x.bytes_n for x in self._kept.values()), sum(x.mapped for x in self._kept.values())
        for key, kept in tuple(self._kept.items())[:-1]:
            if mapped_n > MAX_MAPPED if kept.mapped else self.shelf is None and sizes_n > self._most_bytes:
                del self._kept[key]
                sizes_n, mapped_n = sizes_n - kept.bytes_n, mapped_n - kept.mapped
        for kept in tuple(self._kept.values())[: -self._most]:
            kept.corridors.clear()
        return dropped

    def _move_to_shelf(self, old: Sequence[_CachedField], stay_n: int) -> None:
        """Remove the files of old fields, and write the fields in memory but the `stay_n` newest."""
        if self.shelf is None:
            return
        for kept in old:
            self.shelf.drop(kept.name)
        with self._lock:
            in_memory = [(key, kept) for key, kept in self._kept.items() if not kept.mapped]
        for key, kept in in_memory[: max(len(in_memory) - stay_n, 0)]:
            field = self.shelf.put(kept.name, kept.field)
            with self._lock:
                if self._kept.get(key) is kept:
                    if field is not None:
                        self._kept[key] = replace(kept, field=field, mapped=True)
                    elif sum(x.bytes_n for x in self._kept.values()) > self._most_bytes:
                        del self._kept[key]

    def corridor(self, cells: RoadCells, field: RoadField, clock_z: NDArray[np.float64]) -> Corridor:
        """The corridor of a field from `field`: the same object while its field and clock errors stay the same."""
        new = Corridor(cells=cells, field=field, clock_z=clock_z)
        with self._lock:
            kept = next((k for k in self._kept.values() if k.field is field), None)
            if kept is None:
                return new
            if not kept.corridors or not np.array_equal(kept.corridors[0].clock_z, clock_z):
                kept.corridors[:] = [new]
            return kept.corridors[0]


def _renewed(kept: _CachedField, cells: RoadCells, weather: tuple[bytes, ...], name: str, run: Run) -> _CachedField:
    """The kept field with the columns of changed weather computed again; the same object where nothing changed."""
    differs = np.asarray([a != b for a, b in zip(weather, kept.weather, strict=True)])
    field = run(kept.field, differs[cells.cell_idx])
    changed = bool(differs.any())
    if not changed and (field.notes, field.remarks) == (kept.field.notes, kept.field.remarks):
        return kept  # the same object, so that what was computed from it is found again
    return _CachedField(field=field, road=kept.road, weather=weather, name=name, mapped=kept.mapped and not changed)


def _digest(*arrays: NDArray[np.generic] | None) -> bytes:
    """The same in every process. None as an array is the address of an object, which differs."""
    whole = sha256()  # processors have instructions for it: half the time of other digests for the 30 MB of a road
    for array in arrays:
        whole.update(b"None" if array is None else np.ascontiguousarray(array).tobytes())
    return whole.digest()[:16]

"""Road fields kept between plans, so that only changed parts are computed again."""

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from hashlib import blake2b
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.road.corridor import MemberQuantiles, RoadCells, RoadField, latest_start_h
from alertd.road.nearby import NOTHING_NEAR, Nearby
from alertd.units import HOUR_S

_NOTHING = np.zeros(0)
MAX_KEPT = 4  # corridors with all that was computed from them for rigs and rules: up to some 80 MB each
# Of fields, for each of these corridors: 256 MB in all. [A] A field of 300 km, 31 members and 4 days is 10 MB, of
# 600 km up to 30 MB, and costs half a second of a processor or more. So an unchanged hour of 25 roads computes none.
FIELD_BYTES = 64 << 20
Run = Callable[[RoadField | None, NDArray[np.bool_] | None], RoadField]


@dataclass(frozen=True, slots=True, kw_only=True)
class _CachedField:
    field: RoadField
    road: bytes  # digest of its cells and quantiles
    weather: tuple[bytes, ...]  # by forecast cell
    corridors: list[Corridor] = dataclass_field(default_factory=list)  # of this field; at most one

    @property
    def end_epoch_s(self) -> float:
        return self.field.first_epoch_s + float(self.field.road_class.shape[2]) * HOUR_S

    @property
    def bytes_n(self) -> int:
        parts = (getattr(self.field, name) for name in self.field.__slots__)
        return sum(x.nbytes for x in parts if isinstance(x, np.ndarray))


class RoadFieldCache:
    """The last field of each corridor. Its inputs are compared by digest, forecast cell by forecast cell.

    All hours of a forecast belong together: when the first or last hour changes, the whole corridor is computed, and
    the field that begins or ends earlier is dropped. Fields are kept up to a number of bytes, and corridors of the
    newest `most` of them.
    """

    def __init__(self, most: int = MAX_KEPT, most_bytes: int | None = None) -> None:
        self._most, self._most_bytes = most, most * FIELD_BYTES if most_bytes is None else most_bytes
        self._kept: OrderedDict[bytes, _CachedField] = OrderedDict()
        self._lock = Lock()
        self._offered: RoadField | None = None

    def offer(self, field: RoadField) -> None:
        """Take this field, computed elsewhere from the same inputs, at the next call of `field`."""
        self._offered = field

    def field(
        self, forecast: Forecast, cells: RoadCells, quantiles: MemberQuantiles, run: Run, nearby: Nearby = NOTHING_NEAR
    ) -> RoadField:
        """The field of this corridor for this forecast: from the cache, computed in part or whole.

        run: gets the kept field and the columns that changed, (column,), or twice None.
        nearby: observations that the field also depends on.
        """
        hours = np.asarray(
            [forecast.start.timestamp(), forecast.hours, forecast.air_temp_c.shape[0], latest_start_h(forecast)]
        )
        fixed = (getattr(value, name) for value in (cells, quantiles) for name in value.__slots__)
        sensors = np.asarray([[getattr(r, n) for n in r.__slots__] for r in nearby.readings], dtype=np.float64)
        road = _digest(*fixed)
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
        with self._lock:
            kept = self._kept.get(corridor)
            offered, self._offered = self._offered, None
        if offered is not None and (kept is None or weather != kept.weather):
            field = offered
        elif kept is None:
            field = run(None, None)
        else:
            differs = np.asarray([a != b for a, b in zip(weather, kept.weather, strict=True)])
            field = run(kept.field, differs[cells.cell_idx])
            same_words = (field.notes, field.remarks) == (kept.field.notes, kept.field.remarks)
            if same_words and not differs.any():
                field = kept.field  # the same object, so that what was computed from it is found again
        with self._lock:
            if kept is None or field is not kept.field:
                self._kept[corridor] = _CachedField(field=field, road=road, weather=weather)
            self._kept.move_to_end(corridor)
            self._shrink(corridor)
        return field

    def _shrink(self, newest: bytes) -> None:
        """Drop what the newest field replaces, the oldest beyond the bytes, and corridors but of the newest."""
        new = self._kept[newest]
        for key, kept in tuple(self._kept.items()):
            earlier = (kept.field.first_epoch_s, kept.end_epoch_s) <= (new.field.first_epoch_s, new.end_epoch_s)
            if key != newest and kept.road == new.road and earlier:
                del self._kept[key]
        sizes_n = sum(kept.bytes_n for kept in self._kept.values())
        while sizes_n > self._most_bytes and len(self._kept) > 1:
            sizes_n -= self._kept.popitem(last=False)[1].bytes_n
        for kept in tuple(self._kept.values())[: -self._most]:
            kept.corridors.clear()

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


def _digest(*arrays: NDArray[np.generic]) -> bytes:
    whole = blake2b(digest_size=16)
    for array in arrays:
        whole.update(np.ascontiguousarray(array).tobytes())
    return whole.digest()

"""What observations of the last hours near a road say of its cells and columns: kinds of precipitation, and pavement.

Both count at once and fade. Neither is a forecast: a few hours ahead the forecast alone decides again.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.observations import Phenomenon, StationReport, distances_m
from alertd.road.humidity import Array
from alertd.units import HOUR_S

# Reports of the kind of precipitation count within these bounds. Of 1,003 reports around Tahoe with an earlier one near
# it, 88.1 % are right with it and 82.3 % without, Brier score 0.094 and 0.127. These figures are of one comparison of
# the same reports that tests/benchmarks/score_phase.py reads; that script does not use earlier reports.
PHASE_WITHIN_M: Final = 25_000.0
PHASE_WITHIN_HEIGHT_M: Final = 300.0
PHASE_WITHIN_H: Final = 3.0
PHASE_LOGIT: Final = 1.5  # log odds of one fresh report; 1.5 and 2 score alike
PHASE_MOST_LOGIT: Final = 2.5
PHASE_FADES_H: Final = 3.0

# [A] A road sensor speaks for its own slope. Half of its error counts at these distances, none beyond twice.
SENSOR_HALF_M: Final = 5_000.0
SENSOR_HALF_HEIGHT_M: Final = 75.0
SENSOR_PROOF: Final = 0.5  # with less weight it never lifts a surface over 0 °C
# Depth over which the error of the surface fades. Measured among 0.05 to 0.8 m at 23 station cases, see the guide on
# verification: such an error lasts for days, and a wave of ten days fades over 0.45 m.
SENSOR_DEPTH_M: Final = 0.50
# A reading that is warmer than the model by day is mostly sun, which is gone at night. Measured there: over 0.5 m such
# readings hide two more freezing hours of the evening. [A] near the daily wave's 0.14 m.
SENSOR_SUN_DEPTH_M: Final = 0.10
SENSOR_BODY_M: Final = 0.40  # usual depth of the lower sensor
SENSOR_MOST_K: Final = 8.0  # [A] a larger difference is a fault of either

_SNOW: Final = frozenset((Phenomenon.SNOW, Phenomenon.SNOW_GRAINS, Phenomenon.SNOW_PELLETS))
_RAIN: Final = frozenset((Phenomenon.RAIN, Phenomenon.DRIZZLE))
_ICY: Final = frozenset((Phenomenon.FREEZING_RAIN, Phenomenon.FREEZING_DRIZZLE, Phenomenon.ICE_PELLETS))


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSeen:
    """Rain or snow seen at a place by a station or a person.

    eases: rain counts against the forecast's own snow. Rain that does not only takes back what reports of snow added.
    """

    snow: bool
    epoch_s: float
    lat_deg: float
    lon_deg: float
    elevation_m: float
    eases: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceReading:
    """A road sensor's temperatures [°C]; depth_c in the road's body, NaN where it has none."""

    surface_c: float
    depth_c: float
    epoch_s: float
    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nearby:
    """Evidence for one corridor.

    phase_logit: (cell, hour) added to the log odds of snow; None without any report.
    readings: of road sensors; the last of each place counts.
    """

    phase_logit: Array | None = None
    readings: tuple[SurfaceReading, ...] = field(default=())


NOTHING_NEAR: Final = Nearby()


def phases_seen(reports: Iterable[StationReport]) -> tuple[PhaseSeen, ...]:
    """Rain or snow of station reports. Both at once, and ice in any form, are no evidence for either."""
    out = []
    for report in reports:
        kinds = frozenset(report.weather or ())
        snow, rain = bool(kinds & _SNOW), bool(kinds & _RAIN)
        if snow != rain and not kinds & _ICY:
            place = report.station
            out.append(
                PhaseSeen(
                    snow=snow,
                    epoch_s=report.observed_at.timestamp(),
                    lat_deg=place.lat_deg,
                    lon_deg=place.lon_deg,
                    elevation_m=place.elevation_m,
                )
            )
    return tuple(out)


def phase_logit(
    seen: Sequence[PhaseSeen], lat_deg: Array, lon_deg: Array, elevation_m: Array, epoch_s: Array
) -> Array | None:
    """(cell, hour) shift of the log odds of snow by what was seen near each cell before each hour; None without any.

    epoch_s: (hour,) middles of the hours. A report counts for the hours up to PHASE_WITHIN_H after it.
    """
    if not seen:
        return None
    lat, lon, height, at = (
        np.asarray([getattr(s, n) for s in seen]) for n in ("lat_deg", "lon_deg", "elevation_m", "epoch_s")
    )
    sign = np.where([s.snow for s in seen], 1.0, -1.0)
    near = distances_m(lat_deg, lon_deg, lat, lon) <= PHASE_WITHIN_M
    near &= np.abs(height - elevation_m[:, None]) <= PHASE_WITHIN_HEIGHT_M
    age_h = (epoch_s[:, None] - at) / HOUR_S
    fresh = np.where((age_h >= -0.5) & (age_h <= PHASE_WITHIN_H), np.exp(-np.maximum(age_h, 0.0) / PHASE_FADES_H), 0.0)
    eases = np.asarray([s.snow or s.eases for s in seen])
    of_stations, of_all = (PHASE_LOGIT * (near * sign * use).astype(np.float64) @ fresh.T for use in (eases, True))
    total = np.maximum(of_all, np.minimum(of_stations, 0.0))
    bounded = np.clip(total, -PHASE_MOST_LOGIT, PHASE_MOST_LOGIT)
    return bounded if np.abs(bounded).max() > 1e-9 else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StartReadings:
    """The reading that counts for each column, (column,).

    hour: of the window at whose end it counts, -1 without one. weight: 0-1.
    """

    hour: NDArray[np.int64]
    surface_c: Array
    depth_c: Array
    weight: Array

    def of(self, columns: NDArray[np.intp]) -> "StartReadings":
        """Those of some columns."""
        return StartReadings(**{n: getattr(self, n)[columns] for n in self.__slots__})


def start_readings(
    readings: Sequence[SurfaceReading],
    lat_deg: Array,
    lon_deg: Array,
    elevation_m: Array,
    first_epoch_s: float,
    hours: int,
) -> StartReadings | None:
    """The best reading of each column; None where none is near enough or within the window."""
    at_hour = [round((r.epoch_s - first_epoch_s) / HOUR_S) - 1 for r in readings]
    usable = [(r, h) for r, h in zip(readings, at_hour, strict=True) if 0 <= h < hours and np.isfinite(r.surface_c)]
    if not usable:
        return None
    lat, lon, height = (np.asarray([getattr(r, n) for r, _ in usable]) for n in ("lat_deg", "lon_deg", "elevation_m"))
    far = distances_m(lat_deg, lon_deg, lat, lon) / SENSOR_HALF_M
    up = np.abs(height - elevation_m[:, None]) / SENSOR_HALF_HEIGHT_M
    weight = np.where((far <= 2.0) & (up <= 2.0), 1.0 / (1.0 + far**2 + up**2), 0.0)
    # Of readings of equal weight, as of one place, the last counts.
    newest_first = np.argsort([-r.epoch_s for r, _ in usable], kind="stable")
    best = newest_first[weight[:, newest_first].argmax(axis=1)]
    most = np.take_along_axis(weight, best[:, None], axis=1)[:, 0]
    if not (most > 0.0).any():
        return None
    hour, surface, depth = (np.asarray(x) for x in zip(*((h, r.surface_c, r.depth_c) for r, h in usable), strict=True))
    return StartReadings(
        hour=np.where(most > 0.0, hour[best], -1),
        surface_c=surface[best].astype(np.float64),
        depth_c=depth[best].astype(np.float64),
        weight=most,
    )


def moved_to_reading(
    layers_c: Array, depth_m: Array, here: NDArray[np.bool_], readings: StartReadings, sunny: NDArray[np.bool_]
) -> Array:
    """Layer temperatures (layer, column) moved toward the readings in the columns `here`.

    The surface's difference fades with depth; the body's takes over below, in part, because its true depth varies. A
    correction toward warm stays near the surface in the columns that are `sunny`. A reading of less weight than
    SENSOR_PROOF never lifts a surface over 0 °C.
    """
    off = np.clip(readings.surface_c - layers_c[0], -SENSOR_MOST_K, SENSOR_MOST_K)
    body = layers_c[int(np.abs(depth_m - SENSOR_BODY_M).argmin())]
    off_below = np.nan_to_num(np.clip(readings.depth_c - body, -SENSOR_MOST_K, SENSOR_MOST_K))
    fades_m = np.where((off > 0.0) & sunny, SENSOR_SUN_DEPTH_M, SENSOR_DEPTH_M)
    share = np.exp((depth_m[0] - depth_m)[:, None] / fades_m)
    change = readings.weight * (share * off + (1.0 - share) * off_below)
    crosses = (layers_c[0] <= 0.0) & (layers_c[0] + change[0] > 0.0) & (readings.weight < SENSOR_PROOF)
    change = np.where(crosses, np.minimum(change, np.maximum(-layers_c[0], 0.0)), change)
    return np.where(here, layers_c + change, layers_c).astype(layers_c.dtype)

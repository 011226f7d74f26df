"""What counts as true at a place and hour: air below 0 °C, falling snow, ice on the road; by stations close to it."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.observations import Phenomenon, Station, StationReport, distances_m
from alertd.forecast.road_observations import RoadReport, SurfaceState
from alertd.planning.recordings.archived_run import Place
from alertd.road.corridor import RoadField
from alertd.road.road_class import RoadClass
from alertd.units import HOUR_S

R = TypeVar("R", StationReport, RoadReport)

NEAR_M: Final = 10_000.0  # as for the scores of stored plans
SAME_HEIGHT_M: Final = 150.0
WITHIN: Final = timedelta(minutes=45)
STILL: Final = timedelta(hours=3)  # [A] what was seen so long before a forecast was made counts as persistence
SNOWS_MMWE_H: Final = 0.05  # the least amount that a source with a real chance is given, `forecast.ensemble`
_SNOW: Final = frozenset((Phenomenon.SNOW, Phenomenon.SNOW_GRAINS, Phenomenon.SNOW_PELLETS))
_ICE_STATES: Final = frozenset((SurfaceState.ICE, SurfaceState.FROST))
_BARE_STATES: Final = frozenset((SurfaceState.DRY, SurfaceState.MOIST, SurfaceState.WET))
_ICE_CLASSES: Final = (RoadClass.RIME, RoadClass.ICE, RoadClass.GLAZE, RoadClass.PACKED_SNOW)

EVENTS: Final = ("air below 0 °C", "snow falling", "ice on the road")
RULE: Final = (
    "Stations within 10 km of the place and 150 m of its height count, at most 45 minutes from the hour. Air: the "
    "measured temperature is below 0 °C. Snow: the station reports snow; an hour without a report of the weather is "
    "left out. Ice: a road sensor reports ice or frost; dry, moist or wet is no ice, and snow or slush is left out, "
    "because ice may lie below. A forecast is ice where a member's road has rime, ice, glaze or packed snow."
)


def freezing(report: StationReport) -> bool | None:
    """Whether the air is below 0 °C; None where not measured."""
    return None if np.isnan(report.air_temp_c) else report.air_temp_c < 0.0


def snowing(report: StationReport) -> bool | None:
    """Whether snow falls; None where the station does not report the weather, or not which kind falls."""
    if report.weather is None or Phenomenon.UNKNOWN_PRECIPITATION in report.weather:
        return None
    return bool(_SNOW & set(report.weather))


def icy(report: RoadReport) -> bool | None:
    """Whether ice is on the road; None where snow may hide it or the sensor reports no state."""
    if report.state in _ICE_STATES:
        return True
    return False if report.state in _BARE_STATES else None


class Seen(Generic[R]):
    """Reports near one place by time."""

    def __init__(self, place: Place, reports: Sequence[R]) -> None:
        near: list[R] = [
            r for r, there in zip(reports, _there(place, [r.station for r in reports]), strict=True) if there
        ]
        self._reports: list[R] = sorted(near, key=lambda r: r.observed_at)
        self._at_s: list[float] = [r.observed_at.timestamp() for r in self._reports]

    def nearest(self, epoch_s: float) -> R | None:
        """The report closest to a time, within WITHIN."""
        i = bisect_left(self._at_s, epoch_s)
        around = [j for j in (i - 1, i) if 0 <= j < len(self._at_s)]
        best = min(around, key=lambda j: abs(self._at_s[j] - epoch_s), default=-1)
        if best < 0 or abs(self._at_s[best] - epoch_s) > WITHIN.total_seconds():
            return None
        return self._reports[best]

    def last_before(self, epoch_s: float) -> R | None:
        """The newest report up to a time, at most STILL old."""
        i = bisect_left(self._at_s, epoch_s + 1e-6) - 1
        return self._reports[i] if i >= 0 and epoch_s - self._at_s[i] <= STILL.total_seconds() else None


def _there(place: Place, stations: Sequence[Station]) -> list[bool]:
    if not stations:
        return []
    lat, lon, height = (np.array([getattr(s, n) for s in stations]) for n in ("lat_deg", "lon_deg", "elevation_m"))
    far_m = distances_m(np.array([place.lat_deg]), np.array([place.lon_deg]), lat, lon)[0]
    same = ~(np.abs(height - place.elevation_m) > SAME_HEIGHT_M)  # road stations mostly give no height
    return [bool(x) for x in (far_m <= NEAR_M) & same]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """(hour,) probabilities at the place by members, NaN where the weather is unknown; end_s: of each hour."""

    end_s: NDArray[np.float64]
    freezing: NDArray[np.float64]
    snowing: NDArray[np.float64]
    icy: NDArray[np.float64]


def chances_of(field: RoadField) -> Chances:
    """The events' probabilities of the first column, among the members that know it; NaN where fewer than half do."""
    air, snow, road = field.air_temp_c[:, 0], field.snowfall_mmwe_h[:, 0], field.road_class[:, 0]

    def share(event: NDArray[np.bool_], known: NDArray[np.bool_]) -> NDArray[np.float64]:
        count = known.sum(axis=0)
        found = (event & known).sum(axis=0) / np.maximum(count, 1)
        return np.where(2 * count >= known.shape[0], found, np.nan)

    return Chances(
        end_s=field.first_epoch_s + HOUR_S * np.arange(air.shape[1], dtype=np.float64),
        freezing=share(air < 0.0, np.isfinite(air)),
        snowing=share(snow >= SNOWS_MMWE_H, np.isfinite(snow)),
        icy=share(np.isin(road, _ICE_CLASSES), road != RoadClass.UNKNOWN),
    )

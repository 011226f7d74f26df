"""Defines posted controls as values: level, place, and how long each is believed."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

LatLon: TypeAlias = tuple[float, float]  # latitude, longitude [deg]
Span: TypeAlias = tuple[float, float]  # start_m, end_m along the route
CLOSED: Final = "closed"
NONE_POSTED: Final = "none"
NOT_UNDERSTOOD: Final = ""
POINT_REACH_M: Final = 5_000.0
POINT_OFFSET_M: Final = 1_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLocation:
    """Where a control applies: one of these fields, or only `words` where its position is unknown.

    between: two places on its road.
    line, outline: corners of the road as drawn, or of an area.
    zone: id of a zone of the jurisdiction's rule set.
    near: a point, such as a summit, from which it reaches near_m in both directions.
    """

    words: str = ""
    between: tuple[LatLon, LatLon] | None = None
    line: tuple[LatLon, ...] = ()
    outline: tuple[LatLon, ...] = ()
    zone: str = ""
    near: LatLon | None = None
    near_m: float = POINT_REACH_M
    near_offset_m: float = POINT_OFFSET_M


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedControl:
    """A control posted by the road authority. Times are aware and UTC.

    level: a level id of the jurisdiction's rule set, CLOSED, NONE_POSTED, or NOT_UNDERSTOOD.
    words: the words of the source.
    since: None where the source does not give it.
    until: None for no given end.
    confirmed_at: time of the last confirmation by the source.
    bearing_deg: direction of travel that it applies to, None for both or unknown.
    """

    id: str
    jurisdiction: str
    level: str
    words: str
    source: str
    where: ControlLocation
    since: datetime | None
    until: datetime | None
    confirmed_at: datetime
    bearing_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedSpan:
    """A control on one run of a route.

    from_epoch_s: its start.
    sure_epoch_s: end of full belief; the belief then fades.
    gone_epoch_s: end of all belief.
    placed: False where its position on the route is unknown, and it may not be on it; the run is then the whole route.
    """

    control: PostedControl
    start_m: float
    end_m: float
    placed: bool
    from_epoch_s: float
    sure_epoch_s: float
    gone_epoch_s: float

    def weight(self, first_epoch_s: NDArray[np.float64], last_epoch_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Belief in the control, 0 to 1: the maximum between two moments, in their shape."""
        if self.gone_epoch_s > self.sure_epoch_s:
            fades_s = self.gone_epoch_s - self.sure_epoch_s
            w = np.clip((self.gone_epoch_s - first_epoch_s) / fades_s, 0.0, 1.0)
        else:
            w = np.where(first_epoch_s < self.sure_epoch_s, 1.0, 0.0)
        return np.asarray(np.where(last_epoch_s >= self.from_epoch_s, w, 0.0))

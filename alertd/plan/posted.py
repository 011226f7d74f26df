"""Posted controls as values: what is posted, where, and how long it is believed."""

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
    """Where a control stands: one of these, or only `words` where that is not known on the map.

    between: two places on its road. line, outline: the road as drawn, or land, as corners. zone: id of a zone of the
    jurisdiction's rule set. near: a point, such as a summit, from which it reaches near_m either way.
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
    """A control as the road authority has posted it. Times are aware and UTC.

    level: a level id of the jurisdiction's rule set, CLOSED, NONE_POSTED, or NOT_UNDERSTOOD. words: as the source has
    it. since: None where it does not say. until: None for no end given. confirmed_at: when the source last said that
    it stands. bearing_deg: the direction of travel that it is for, None for both or not known.
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
    """A control on one run of a route. It stands from from_epoch_s; after sure_epoch_s it fades, at gone_epoch_s it
    counts no more. `placed` is False where nobody knows where on the route, if at all; then the run is all of it."""

    control: PostedControl
    start_m: float
    end_m: float
    placed: bool
    from_epoch_s: float
    sure_epoch_s: float
    gone_epoch_s: float

    def weight(self, first_epoch_s: NDArray[np.float64], last_epoch_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far it is to be believed, 0 to 1, at best between two moments; their shape."""
        if self.gone_epoch_s > self.sure_epoch_s:
            fades_s = self.gone_epoch_s - self.sure_epoch_s
            w = np.clip((self.gone_epoch_s - first_epoch_s) / fades_s, 0.0, 1.0)
        else:
            w = np.where(first_epoch_s < self.sure_epoch_s, 1.0, 0.0)
        return np.asarray(np.where(last_epoch_s >= self.from_epoch_s, w, 0.0))

"""Keeps the road at each departure: its timing, the conditions met, and the stretches that may need chains.

Trips of one kind of rig share the roads of the quarters of the clock, which delays lead to, whatever their places to
stop.
"""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.road_view import ChainStretch
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.chain_up.stretches import inside_cores, stretches_of
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, NeedRun, find_runs
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed
from alertd.plan.road_ahead.speeds import Surfaces, chained_s
from alertd.plan.road_ahead.timing import UnchainedTiming, free_s, unchained_timing
from alertd.rules.rig import IdentityKey

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]
Kept = TypeVar("Kept")

MOST_PLACES: Final = 3  # [A] of the comparison and of two trips
MOST_ROADS: Final = 200  # [A] those of a day and a half; each has up to 0.3 MB for 31 members on 300 km


@dataclass(frozen=True, kw_only=True, eq=False)
class DepartureRoad:
    """The road of one departure, with the speeds of `row`; all but the places to stop.

    seen: what a truck meets at all places of the road, see `departure_view`.
    """

    encounter: Encounter
    row: UnchainedTiming
    params: PlanParams
    seen: dict[StopCandidates, Any] = field(default_factory=dict, init=False)
    _wintry: dict[StopCandidates, Mask] = field(default_factory=dict, init=False)
    _stretches: dict[StopCandidates, tuple[ChainStretch, ...]] = field(default_factory=dict, init=False)
    _chained_s: dict[float | None, Array] = field(default_factory=dict, init=False)

    @cached_property
    def need_frac(self) -> Float32:
        """Mean need over members, (section,)."""
        return np.asarray(self.encounter.need.mean(axis=0))

    @cached_property
    def runs(self) -> list[NeedRun]:
        """Runs of sections that may need chains."""
        return find_runs(self.encounter.need, self.encounter.hourly_need.sections, self.params)

    @cached_property
    def bare_m(self) -> Array:
        """Distance driven on road where chains do not bite, to each edge, (section + 1,)."""
        on = self.row.on
        return _cumulated(self.encounter.hourly_need.sections.length_m * (1.0 - on.snow[0] - on.ice[0]))

    def wintry(self, whole: StopCandidates) -> Mask:
        """True for places in the snow, where it is likely enough, of all places of the road, (place,)."""
        known = self._wintry.get(whole)
        if known is None:
            likely = self.need_frac[whole.section] >= self.params.ready_probability - SAME_PROBABILITY
            sections, slack_m = self.encounter.hourly_need.sections, self.params.edge_slack_m
            known = self._wintry[whole] = likely & inside_cores(whole.at_m, self.runs, sections, slack_m)
        return known

    def stretches(self, whole: StopCandidates) -> tuple[ChainStretch, ...]:
        """The stretches. They depend on where chains can be changed: at all places of the road out of the snow."""
        known = self._stretches.get(whole)
        if known is None:
            changes_m = whole.at_m[1:-1][~self.wintry(whole)[1:-1]]
            known = self._stretches[whole] = stretches_of(
                self.encounter, self.encounter.need, self.runs, changes_m, self.bare_m, self.params
            )
        return known

    def section_chained_s(self, limit_mps: float | None) -> Array:
        """Seconds to cross each section with chains on, (section,). Chains never make a truck faster."""
        if limit_mps not in self._chained_s:
            need, on = self.encounter.hourly_need, Surfaces(*(x[0] for x in self.row.on))
            free = free_s(need.sections, IdentityKey(need.rig), self.params)
            chained = chained_s(free, need.sections.length_m, on, self.params, limit_mps)
            self._chained_s[limit_mps] = np.asarray(np.maximum(np.diff(self.row.moving_s[0]), chained))
        return self._chained_s[limit_mps]

    def chained_s(self, limit_mps: float | None) -> Array:
        """Seconds to each edge with chains on, without standing, (section + 1,)."""
        return _cumulated(self.section_chained_s(limit_mps))


class DepartureRoads:
    """The roads of one need by departure; those that were asked for longest ago are dropped first."""

    def __init__(self, hourly_need: HourlyNeed, params: PlanParams) -> None:
        self.hourly_need, self.params = hourly_need, params
        self._kept: dict[float, DepartureRoad] = {}
        self._with_places: dict[Hashable, Any] = {}

    def with_places(self, key: Hashable, new: Callable[[], Kept]) -> Kept:
        """What was kept for these places to stop, or a new one; of a few places at a time."""
        kept: Kept = self._with_places.pop(key, None) or new()
        self._with_places[key] = kept
        for oldest in list(self._with_places)[:-MOST_PLACES]:
            self._with_places.pop(oldest, None)
        return kept

    def at(self, depart_epoch_s: float, more_epoch_s: Sequence[float] = ()) -> DepartureRoad:
        """The road of this departure. more_epoch_s: departures to compute with it, where it is not kept."""
        known = self._kept.pop(depart_epoch_s, None)
        if known is None:
            return self.at_all([depart_epoch_s, *more_epoch_s])[0]
        self._kept[depart_epoch_s] = known
        return known

    def at_all(self, departs_epoch_s: Sequence[float]) -> list[DepartureRoad]:
        """The roads of these departures. Many at once take half the time of one after another."""
        found = {x: road for x in departs_epoch_s if (road := self._kept.pop(x, None)) is not None}
        missing = [x for x in departs_epoch_s if x not in found]
        if missing:
            timing = unchained_timing(self.hourly_need, np.asarray(missing), self.params)
            rows = [timing] if len(missing) == 1 else map(timing.row, range(len(missing)))
            found |= {x: self._road(row) for x, row in zip(missing, rows, strict=True)}
        self._kept |= {x: found[x] for x in departs_epoch_s}
        for oldest in list(self._kept)[: max(len(self._kept) - MOST_ROADS, 0)]:
            self._kept.pop(oldest, None)
        return [found[x] for x in departs_epoch_s]

    def _road(self, row: UnchainedTiming) -> DepartureRoad:
        encounter = Encounter(hourly_need=self.hourly_need, hour=row.hour[0], timing=row)
        return DepartureRoad(encounter=encounter, row=row, params=self.params)


def departure_roads(hourly_need: HourlyNeed, params: PlanParams) -> DepartureRoads:
    """The roads that trips with this need share, while trips of one kind of rig are planned one after another."""
    return hourly_need.corridor.answers.answer(
        "roads", (hourly_need, params), lambda: DepartureRoads(hourly_need, params)
    )


def _cumulated(values: Array) -> Array:
    """Sums to each edge, (section + 1,), from values of sections."""
    out = np.empty(values.size + 1)
    out[0] = 0.0
    np.cumsum(values, out=out[1:])
    return out

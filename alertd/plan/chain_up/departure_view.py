"""Describes the road at a departure: stretches that may need chains, and prices of stopping places."""

from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.priced_view import PricedView
from alertd.plan.chain_up.road_view import DepartureView
from alertd.plan.chain_up.search import DELAY_STEP_S
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.chain_up.stretches import inside_cores, own_end_s, stretches_of, too_near
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import (
    SAME_PROBABILITY,
    find_runs,
)
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import Surfaces, chained_s
from alertd.plan.road_ahead.stands import Stands
from alertd.plan.road_ahead.timing import UnchainedTiming, free_s, unchained_timing
from alertd.road.radiation import solar_position
from alertd.rules.rig import IdentityKey

Array: TypeAlias = NDArray[np.float64]

_ALL = slice(None)
NIGHT_ZENITH_DEG = 96.0  # the end of civil twilight


@dataclass
class DepartureViews:
    """Views of one rig on one corridor, computed on demand: view n leaves n quarters of an hour after the first.

    timings: timing of the first departures where already computed.
    offset: index in `timings` of view 0.
    floor: see Encounter.
    sent_stops: see `view_of`.
    priced: the prices of views, see `ChainSearch`.
    """

    hourly_need: HourlyNeed
    depart_epoch_s: float
    params: PlanParams
    places: StopCandidates
    timings: UnchainedTiming | None = None
    offset: int = 0
    floor: Float32 | None = None
    sent_stops: frozenset[str] = frozenset()
    priced: dict[Hashable, PricedView] = field(default_factory=dict)
    _dry_s: list[Array] = field(default_factory=list)
    _views: dict[int, DepartureView] = field(default_factory=dict)
    _rows: dict[int, UnchainedTiming] = field(default_factory=dict)
    _encounters: dict[int, Encounter] = field(default_factory=dict)

    @property
    def dry_s(self) -> Array:
        """(place,) seconds to each place on a dry road."""
        if not self._dry_s:
            sections = self.hourly_need.sections
            free = free_s(sections, IdentityKey(self.hourly_need.rig), self.params)
            moving_s = np.interp(self.places.at_m, sections.edge_m, np.append(0.0, np.cumsum(free)))
            self._dry_s.append(moving_s + self.hourly_need.stands.before_s(self.places.at_m))
        return self._dry_s[0]

    def row(self, n: int) -> UnchainedTiming:
        """The timing of the n-th departure, with one row."""
        n += self.offset
        known = self._rows.get(n)
        if known is None:
            if self.timings is not None and n < self.timings.depart_epoch_s.size:
                known = self.timings.row(n)
            else:
                known = unchained_timing(
                    self.hourly_need, np.asarray([self.depart_epoch_s + n * DELAY_STEP_S]), self.params
                )
            self._rows[n] = known
        return known

    def set_floor(self, floor: Float32) -> None:
        """Set a lower bound of the need, (member, section), for all views from now on."""
        self.floor = floor
        self._views.clear()
        self.priced.clear()
        self._encounters.clear()

    def encounter(self, n: int) -> Encounter:
        """The encounter of the n-th departure."""
        known = self._encounters.get(n + self.offset)
        if known is None:
            row = self.row(n)
            known = Encounter(hourly_need=self.hourly_need, hour=row.hour[0], timing=row, floor=self.floor)
            self._encounters[n + self.offset] = known
        return known

    def view(self, n: int) -> DepartureView:
        """The view of the n-th departure."""
        known = self._views.get(n + self.offset)
        if known is None:
            known = view_of(self.encounter(n), self.row(n), self.places, self.params, self.sent_stops)
            self._views[n + self.offset] = known
        return known

    def leaving_later(self, n: int) -> "DepartureViews":
        """The same views for a truck that leaves n quarters of an hour later, with shared caches."""
        return replace(self, offset=self.offset + n)


def view_of(
    encounter: Encounter,
    row: UnchainedTiming,
    places: StopCandidates,
    params: PlanParams,
    sent_stops: frozenset[str] = frozenset(),
) -> DepartureView:
    """The view of an encounter, with the speeds of `row`.

    sent_stops: ids of stops that were sent to the driver. They are cheaper, unless they may be in the snow: another
    stop must be clearly better to take their place.
    """
    hourly_need = encounter.hourly_need
    sections = hourly_need.sections
    need = encounter.need
    need_frac = need.mean(axis=0)
    fixed = _fixed(places, sections, hourly_need.stands, params, sent_stops)
    reach = np.interp(places.at_m, sections.edge_m, row.moving_s[0]) + fixed.stood_s
    on = Surfaces(*(x[0] for x in row.on))
    bare = _cumulated(fixed.length_m * (1.0 - on.snow - on.ice))
    runs = find_runs(need, sections, params)
    enough = params.ready_probability - SAME_PROBABILITY
    wintry = inside_cores(places.at_m, runs, sections, params.edge_slack_m) & (need_frac[places.section] >= enough)
    no_room_to_look = places.unlisted & too_near(places.at_m, runs, sections, params)
    snowed = fixed.listed & wintry
    dark = places.unlit
    if fixed.any_unlit:
        at = np.flatnonzero(dark)
        zenith, _ = solar_position(places.lat_deg[at], places.lon_deg[at], row.depart_epoch_s[0] + reach[at])
        dark = np.zeros_like(dark)
        dark[at] = zenith > NIGHT_ZENITH_DEG
    drawbacks = {"small": places.cramped, "on a grade": places.steep, "unlit": dark, "perhaps in the snow": snowed}
    kept_s = params.kept_s * (fixed.sent & ~wintry)
    price_s = fixed.price_s + params.unlit_s * dark + params.snowed_s * snowed - kept_s
    price_s += np.where(no_room_to_look, np.inf, fixed.unlisted_s)
    white = need_frac[fixed.change_section] >= enough
    changes_m = places.change_m[~(white & inside_cores(places.change_m, runs, sections, params.edge_slack_m))]
    stretches = stretches_of(encounter, need, runs, changes_m, bare, params)
    price_s[0] += own_end_s(stretches[0].start_m - places.at_m[0] if stretches else 0.0, params)
    price_s[-1] += own_end_s(places.at_m[-1] - stretches[-1].end_m if stretches else 0.0, params)
    chained_by_limit: dict[float | None, Array] = {}

    def chained(limit_mps: float | None) -> Array:
        if limit_mps not in chained_by_limit:
            takes = section_chained_s(hourly_need, row, params, limit_mps)
            moving_s = np.interp(places.at_m, sections.edge_m, _cumulated(takes))
            chained_by_limit[limit_mps] = moving_s + fixed.stood_s
        return chained_by_limit[limit_mps]

    return DepartureView(
        reach_s=reach,
        bare_m=np.interp(places.at_m, sections.edge_m, bare),
        price_s=price_s,
        kept_s=kept_s,
        drawbacks=drawbacks,
        stretches=stretches,
        chained_s=chained,
        chains=lambda i, j: encounter.chains(stretches[i].first, stretches[j].last, params),
    )


class _Fixed(NamedTuple):
    """What views of one road and its places have in common, by place, (place,), but for the last two.

    stood_s: planned stands before each.
    price_s: for too little room and for a grade.
    sent: places that were sent.
    change_section: section of each place in `places.change_m`.
    length_m: of each section.
    """

    stood_s: Array
    listed: NDArray[np.bool_]
    any_unlit: bool
    price_s: Array
    unlisted_s: Array
    sent: NDArray[np.bool_]
    change_section: NDArray[np.intp]
    length_m: Array


@lru_cache(maxsize=32)
def _fixed(
    places: StopCandidates, sections: Sections, stands: Stands, params: PlanParams, sent_stops: frozenset[str]
) -> _Fixed:
    return _Fixed(
        stood_s=stands.before_s(places.at_m),
        listed=places.listed,
        any_unlit=bool(places.unlit.any()),
        price_s=np.asarray(params.cramped_s * places.cramped + params.steep_s * places.steep, dtype=np.float64),
        unlisted_s=np.asarray(params.unlisted_s * places.unlisted, dtype=np.float64),
        sent=np.asarray([s is not None and s.stop.id in sent_stops for s in places.stops]),
        change_section=sections.at(places.change_m),
        length_m=sections.length_m,
    )


def _cumulated(values: Array) -> Array:
    """Sums to each edge, (section + 1,), from values of sections."""
    out = np.empty(values.size + 1)
    out[0] = 0.0
    np.cumsum(values, out=out[1:])
    return out


def section_chained_s(
    hourly_need: HourlyNeed, row: UnchainedTiming, params: PlanParams, limit_mps: float | None
) -> Array:
    """Seconds to cross each section with chains on, (section,). Chains never make a truck faster."""
    free, on = free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params), Surfaces(*(x[0] for x in row.on))
    chained = chained_s(free, hourly_need.sections.length_m, on, params, limit_mps)
    return np.asarray(np.maximum(np.diff(row.moving_s[0]), chained))

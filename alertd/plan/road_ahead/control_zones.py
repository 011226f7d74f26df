"""Divides a road into control zones: passes from foot to foot, and the road between them.

An authority posts a pass as a whole. A pass that is found from the heights is extended by a short zone of the authority
with certain ends that overlaps it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.sections import Sections
from alertd.route.model import Route
from alertd.route.passes import on_passes, passes_of
from alertd.route.sustained_grade import leg_grade

Span: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlZone:
    """A run of road that is posted as a whole. rise_m: its highest above its lowest point; 0 between passes."""

    start_m: float
    end_m: float
    is_pass: bool
    rise_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZonesOfSections:
    """The zones of the sections of a road, in its order.

    zone_of: index of the zone of each section, (section,), ascending.
    first: index of the first section of each zone, (zone,).
    """

    zones: tuple[ControlZone, ...]
    zone_of: NDArray[np.intp]
    first: NDArray[np.intp]

    @property
    def rise_m(self) -> NDArray[np.float64]:
        """Rise of each zone, (zone,)."""
        return np.asarray([z.rise_m for z in self.zones])


def pass_spans(route: Route, params: PlanParams, of_authority: Sequence[Span] = ()) -> tuple[Span, ...]:
    """The passes of a route, each extended by the authority's zones that overlap it, in order.

    of_authority: zones of the road authority along the route; one that overlaps no pass is a pass of its own.
    """
    found: list[Span] = []
    for start_m, end_m in sorted(
        (*passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m), *of_authority)
    ):
        if found and start_m <= found[-1][1]:
            found[-1] = (found[-1][0], max(end_m, found[-1][1]))
        else:
            found.append((start_m, end_m))
    return tuple(found)


@lru_cache(maxsize=256)
def control_grade(route: Route, params: PlanParams, of_authority: tuple[Span, ...] = ()) -> NDArray[np.float64]:
    """Grade of each sample for a control, (sample,): that of its sustained climb or descent, see `leg_grade`.

    On a pass it is at least `pass_counts_as_grade`, because a pass is posted as a whole.
    """
    on = on_passes(route.distance_m, pass_spans(route, params, of_authority))
    return np.where(on, np.maximum(leg_grade(route), params.pass_counts_as_grade), leg_grade(route))


@lru_cache(maxsize=64)
def control_zones(sections: Sections, params: PlanParams, of_authority: tuple[Span, ...] = ()) -> ZonesOfSections:
    """The control zones of a road. A section with any sample on a pass belongs to it.

    Road between passes is divided into parts of at most `zone_between_m`, as a storm seldom covers more of it alike.
    """
    route = sections.route
    d, z = route.distance_m, route.elevation_m
    start_m, end_m = float(d[0]), float(d[-1])
    passes = [(max(a, start_m), min(b, end_m)) for a, b in pass_spans(route, params, of_authority)]
    spans: list[tuple[float, float, bool]] = []
    at_m = start_m
    for a, b in (*(p for p in passes if p[1] > p[0]), (end_m, end_m)):
        if a > at_m:
            edges = np.linspace(at_m, a, int(np.ceil((a - at_m) / params.zone_between_m)) + 1)
            spans += [(x, y, False) for x, y in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)]
        if b > a:
            spans.append((a, b, True))
        at_m = max(at_m, b)
    begins = np.asarray([a for a, _, _ in spans])
    is_pass = np.asarray([p for _, _, p in spans])
    of_sample = np.maximum(np.searchsorted(begins, d, side="right") - 1, 0)
    ranked = np.maximum.reduceat(of_sample + len(spans) * is_pass[of_sample], sections.first)
    used, zone_of = np.unique(np.maximum.accumulate(ranked % len(spans)), return_inverse=True)

    def zone(a: float, b: float, on_pass: bool) -> ControlZone:
        heights = z[(d >= a) & (d <= b)]
        return ControlZone(
            start_m=a, end_m=b, is_pass=on_pass, rise_m=float(np.ptp(heights)) if on_pass and heights.size else 0.0
        )

    return ZonesOfSections(
        zones=tuple(zone(*spans[n]) for n in used.tolist()),
        zone_of=zone_of.reshape(-1),
        first=np.flatnonzero(np.diff(zone_of.reshape(-1), prepend=-1)),
    )

"""Folds a route into sections, runs of samples with the same pavement, to keep arrays short."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.road.corridor import RoadCells
from alertd.route.model import JurisdictionSpan, Route
from alertd.route.sustained_grade import sustained_grade

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

MAX_M = 2_000.0  # assumed: maximum error of the start or end of a stretch


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sections:
    """Sections of a route: arrays (section,), in the direction of travel.

    start_m, end_m: first and last sample of the section, used as start and end of a stretch.
    edge_m: (section + 1,), halfway between samples; separates the travel times of sections.
    column: column of the road field.
    beside: column of the road beside the section; differs on bridges only.
    up_grade, down_grade: the steepest sustained grade uphill (0 or more) and downhill (0 or less).
    first: index of its first sample.
    """

    route: Route
    first: NDArray[np.intp]
    start_m: Array
    end_m: Array
    edge_m: Array
    column: NDArray[np.int64]
    beside: NDArray[np.int64]
    up_grade: Array
    down_grade: Array

    @property
    def count(self) -> int:
        """Number of sections."""
        return int(self.first.size)

    @property
    def length_m(self) -> Array:
        """Length of each section between its edges, (section,)."""
        return _length_m(self)

    @property
    def middle_m(self) -> Array:
        """Middle of each section, (section,)."""
        return _middle_m(self)

    def any(self, mask: Mask) -> Mask:
        """True where any sample of the section is True, from (sample,) to (section,)."""
        return np.logical_or.reduceat(mask, self.first)

    def at(self, distance_m: ArrayLike) -> NDArray[np.intp]:
        """Index of the section at each distance of the route."""
        found = np.searchsorted(self.edge_m, distance_m, side="right") - 1
        return np.clip(found, 0, self.count - 1)

    def on(self, span: JurisdictionSpan) -> slice:
        """The sections with a sample on this run of land."""
        d = self.route.distance_m
        inside = np.flatnonzero(self.any((d >= span.start_m) & (d <= span.end_m)))
        return slice(int(inside[0]), int(inside[-1]) + 1) if inside.size else slice(0, 0)


@lru_cache(maxsize=64)
def _length_m(sections: Sections) -> Array:
    length_m = np.diff(sections.edge_m)
    length_m.flags.writeable = False  # of all who ask
    return length_m


@lru_cache(maxsize=64)
def _middle_m(sections: Sections) -> Array:
    middle_m = np.asarray(0.5 * (sections.edge_m[1:] + sections.edge_m[:-1]))
    middle_m.flags.writeable = False
    return middle_m


@lru_cache(maxsize=64)
def fold(route: Route, cells: RoadCells) -> Sections:
    """Fold up to 2 km of samples in the same road column and jurisdiction into each section."""
    d = route.distance_m
    changes = np.diff(cells.column_of_sample, prepend=-1) != 0
    for span in route.jurisdictions:
        changes |= np.diff((d >= span.start_m) & (d <= span.end_m), prepend=False)
    # From each change on, a new section every MAX_M.
    since = d - d[np.maximum.accumulate(np.where(changes, np.arange(d.size), 0))]
    changes |= np.diff(np.floor(since / MAX_M), prepend=0.0) > 0.0
    first = np.flatnonzero(changes)
    last = np.append(first[1:], d.size) - 1
    sustained = sustained_grade(route)
    between = 0.5 * (d[first[1:]] + d[last[:-1]])
    return Sections(
        route=route,
        first=first,
        start_m=d[first],
        end_m=d[last],
        edge_m=np.concatenate((d[:1], between, d[-1:])),
        column=cells.column_of_sample[first],
        beside=cells.beside_of_sample[first],
        up_grade=np.maximum.reduceat(np.maximum(sustained, 0.0), first),
        down_grade=np.minimum.reduceat(np.minimum(sustained, 0.0), first),
    )

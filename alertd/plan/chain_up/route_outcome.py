"""What a way meets, put together from the scenes that it runs through, and the legs that come of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_view import Passing, Places, Scenes, scene_of
from alertd.plan.chain_up.search import Scene, Span, Stretch, Walk, Way, best_way
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.speeds import Surfaces
from alertd.plan.road_ahead.timing import Ride

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Met:
    """What a way meets: its passing, and the ride put together from the scenes that it runs through."""

    scenes: Scenes
    passing: Passing
    row: Ride

    @cached_property
    def scene(self) -> Scene:
        """All of it as one scene."""
        if self.passing is self.scenes.passing(0):
            return self.scenes.scene(0)
        return scene_of(self.passing, self.row, self.scenes.places, self.scenes.params)


def walk_over(scenes: Scenes, must: float, on: ChainsOn | None = None) -> Walk:
    """The choices over these scenes where stretches of at least these odds must be chained for. on: chains that are."""
    return Walk(
        places_m=scenes.places.at_m,
        dry_s=scenes.dry_s,
        scene=scenes.scene,
        params=scenes.params,
        must=must - SAME_PROBABILITY,
        on=on,
    )


def best_of(walk: Walk) -> Way:
    way = best_way(walk)
    if way is None:
        raise AssertionError("a walk without bound always reaches the end")
    return way


def met_on(scenes: Scenes, way: Way) -> Met:
    """Each section on the clock that passes it.

    Road that was chained for stays as the clock that chose so saw it, where that was worse: who does not stop to chain
    is there then.
    """
    if not any(way.clocks):
        return Met(scenes=scenes, passing=scenes.passing(0), row=scenes.row(0))
    sections = scenes.outlook.sections
    between = np.searchsorted(scenes.places.at_m, sections.middle_m, side="right") - 1
    clock = np.asarray(way.clocks)[np.clip(between, 0, len(way.clocks) - 1)]
    first = scenes.row(way.clocks[0])
    takes, hour, on = np.diff(first.reach_s[0]), first.hour[0], Surfaces(*(x[0] for x in first.on))
    for n in set(way.clocks[1:]) - {way.clocks[0]}:
        there, row = clock == n, scenes.row(n)
        takes, hour = np.where(there, np.diff(row.reach_s[0]), takes), np.where(there, row.hour[0], hour)
        on = Surfaces(*(np.where(there, new[0], old) for new, old in zip(row.on, on, strict=True)))
    need_frac = Passing(outlook=scenes.outlook, hour=hour).need.mean(axis=0)
    for span in way.spans:
        if span.stretches and span.decided_on != span.clock:
            decided = scenes.passing(span.decided_on)
            worse = decided.need.mean(axis=0) > need_frac
            worse[: span.stretches[0].first] = worse[span.stretches[-1].last + 1 :] = False
            hour = np.where(worse, decided.hour, hour)
    passing = Passing(outlook=scenes.outlook, hour=hour, floor=scenes.floor)
    row = Ride(
        depart_epoch_s=first.depart_epoch_s,
        reach_s=np.append(0.0, np.cumsum(takes))[None, :],
        hour=hour[None],
        code=passing.code[None],
        need=passing.need[None],
        on=Surfaces(*(x[None] for x in on)),
    )
    return Met(scenes=scenes, passing=passing, row=row)


def uncovered(scene: Scene, way: Way, places: Places) -> list[Stretch]:
    spans_m = [(places.at_m[x.on], places.at_m[x.off]) for x in way.spans]
    return [x for x in scene.stretches if not any(overlaps(x, a, b) for a, b in spans_m)]


def overlaps(x: Stretch, on_m: float, off_m: float) -> bool:
    return x.end_m >= on_m and x.start_m <= off_m


class Chained(NamedTuple):
    """Stretches that one span chains for as one leg; kept_on: they are only on its way, and chains on there already."""

    span: Span
    stretches: Sequence[Stretch]
    kept_on: bool


def chained_legs(scene: Scene, way: Way, places: Places, walk: Walk) -> list[Chained]:
    """For each span one leg from the first to the last stretch that must be chained, and each other one by itself."""
    found = []
    for span in way.spans:
        here = [x for x in scene.stretches if overlaps(x, places.at_m[span.on], places.at_m[span.off])]
        asked = [n for n, x in enumerate(here) if walk.is_must(x)]
        if walk.on is not None and span.on == 0 and not asked:
            found += [Chained(span, [x], kept_on=True) for x in here]
            continue
        found.append(Chained(span, here[asked[0] : asked[-1] + 1] if asked else span.stretches, kept_on=False))
        found += [
            Chained(span, [x], kept_on=True)
            for n, x in enumerate(here if asked else ())
            if not asked[0] <= n <= asked[-1]
        ]
    return found

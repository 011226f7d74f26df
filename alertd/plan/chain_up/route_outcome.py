"""Combines the conditions along a route from the views of its departures, and derives chained legs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import groupby, pairwise
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_road import DepartureRoad
from alertd.plan.chain_up.departure_view import DepartureViews, view_of
from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.road_view import ChainStretch, DepartureView
from alertd.plan.chain_up.search import ChainedSpan, ChainPlan, ChainSearch, cheapest_plan
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import Surfaces
from alertd.plan.road_ahead.timing import UnchainedTiming

Array: TypeAlias = NDArray[np.float64]

MOST_WAYS: Final = 2  # kept for the plan of a trip and its comparison; each holds arrays (member, section)


@dataclass(frozen=True, kw_only=True, eq=False)
class RouteConditions:
    """The conditions along a route: its encounter, and the timing combined from several views."""

    views: DepartureViews
    encounter: Encounter
    row: UnchainedTiming

    def is_held(self, x: ChainStretch) -> bool:
        """True where the advice for a stretch is to hold."""
        return not x.showers and self.encounter.is_held(x.first, x.last, self.views.params)

    @cached_property
    def road(self) -> DepartureRoad:
        """All conditions as the road of a single departure."""
        first = self.views.road(0)
        if self.encounter is first.encounter:
            return first
        return DepartureRoad(encounter=self.encounter, row=self.row, params=self.views.params)

    @property
    def stretches(self) -> tuple[ChainStretch, ...]:
        """The stretches of that road; the rest of its view costs more, and a comparison rarely needs it."""
        return self.road.stretches(self.views.places.whole)

    @cached_property
    def view(self) -> DepartureView:
        """All conditions as a single view."""
        if self.encounter is self.views.encounter(0):
            return self.views.view(0)
        return view_of(self.road, self.views.places, self.views.sent_stops)


def chain_search(views: DepartureViews, required_odds: float, on: ChainsOn | None = None) -> ChainSearch:
    """The search over these views in which stretches of at least `required_odds` must be driven chained.

    on: chains on the truck.
    """
    return ChainSearch(
        places_m=views.places.at_m,
        dry_s=views.dry_s,
        view=views.view,
        params=views.params,
        required_odds=required_odds - SAME_PROBABILITY,
        on=on,
        kept=views.priced,
        past_s=views.past_s,
    )


def best_plan(search: ChainSearch) -> ChainPlan:
    """The cheapest chain plan of a search."""
    chain_plan = cheapest_plan(search)
    if chain_plan is None:
        raise AssertionError("an unbounded search always reaches the end")
    return chain_plan


class ReadyLegs:
    """The stretches that a way leaves unchained, and the way chained for all of them, as one view."""

    def __init__(self, conditions: RouteConditions, chain_plan: ChainPlan, on: ChainsOn | None) -> None:
        self.conditions, self.on = conditions, on
        self.left = uncovered(conditions.stretches, chain_plan, conditions.views.places)

    @cached_property
    def walk(self) -> ChainSearch:
        """The search for that way."""
        views, view = self.conditions.views, self.conditions.view
        return replace(chain_search(views, views.params.ready_probability, self.on), view=lambda _: view)

    @cached_property
    def way(self) -> ChainPlan:
        return best_plan(self.walk)


class ChosenWay(NamedTuple):
    """The cheapest way of a departure, its conditions, and the stretches that it leaves unchained."""

    chain_plan: ChainPlan
    conditions: "RouteConditions"
    ready: ReadyLegs


def chosen_way(views: DepartureViews) -> ChosenWay:
    """The way of view 0 without chains on the truck, once for all trips with these views."""
    known: ChosenWay | None = views.kept.ways.get(views.depart_epoch_s)
    if known is None:
        chain_plan = best_plan(chain_search(views, views.params.chain_probability))
        conditions = conditions_on(views, chain_plan)
        known = ChosenWay(chain_plan, conditions, ReadyLegs(conditions, chain_plan, None))
        views.kept.ways[views.depart_epoch_s] = known
        for oldest in list(views.kept.ways)[:-MOST_WAYS]:
            views.kept.ways.pop(oldest, None)
    return known


def conditions_on(views: DepartureViews, chain_plan: ChainPlan) -> RouteConditions:
    """The conditions of each section at the time when the chain plan passes it.

    A stretch that was chained for keeps the conditions of the view in which that was decided, where they were worse. A
    driver who does not stop to chain is there at that time.
    """
    if not any(chain_plan.clocks):
        return RouteConditions(views=views, encounter=views.encounter(0), row=views.row(0))
    sections = views.hourly_need.sections
    clock = np.asarray(chain_plan.clocks)[_place_before(views.places, sections)]
    begins = [0, *(np.flatnonzero(clock[1:] != clock[:-1]) + 1).tolist(), sections.count]
    parts = [(slice(a, b), views.row(int(clock[a]))) for a, b in pairwise(begins)]
    # Joined from the rows, which costs less than a new lookup.
    takes = np.concatenate([np.diff(row.moving_s[0])[at] for at, row in parts])
    on = Surfaces(*(np.concatenate([row.on[n][0, at] for at, row in parts]) for n in range(len(Surfaces._fields))))
    hour = np.concatenate([row.hour[0, :, at] for at, row in parts], axis=1)
    code = np.concatenate([row.code[0, :, at] for at, row in parts], axis=1)
    need = np.concatenate([row.need[0, :, at] for at, row in parts], axis=1)
    need_frac = None
    for span in chain_plan.spans:
        if span.stretches and span.decided_on != span.clock:
            if need_frac is None:
                need_frac = need.mean(axis=0)
            road = views.road(span.decided_on)
            here = slice(span.stretches[0].first, span.stretches[-1].last + 1)
            worse = here.start + np.flatnonzero(road.need_frac[here] > need_frac[here])
            if worse.size:
                row = road.row
                hour[:, worse], code[:, worse] = row.hour[0][:, worse], row.code[0][:, worse]
                need[:, worse] = row.need[0][:, worse]
    moving_s = np.append(0.0, np.cumsum(takes))[None, :]
    row = UnchainedTiming(
        depart_epoch_s=views.row(chain_plan.clocks[0]).depart_epoch_s,
        reach_s=moving_s + views.hourly_need.stands.before_s(sections.edge_m),
        moving_s=moving_s,
        hour=hour[None],
        code=code[None],
        need=need[None],
        on=Surfaces(*(x[None] for x in on)),
    )
    encounter = Encounter(hourly_need=views.hourly_need, hour=hour, timing=row, floor=views.floor)
    return RouteConditions(views=views, encounter=encounter, row=row)


@lru_cache(maxsize=64)
def _place_before(places: StopCandidates, sections: Sections) -> NDArray[np.intp]:
    """Index of the last place before the middle of each section, (section,); the end of the trip is none."""
    before = np.searchsorted(places.at_m, sections.middle_m, side="right") - 1
    return np.clip(before, 0, places.at_m.size - 2)


def uncovered(stretches: Sequence[ChainStretch], chain_plan: ChainPlan, places: StopCandidates) -> list[ChainStretch]:
    """Those of the stretches that no span of the chain plan covers."""
    spans_m = [(places.at_m[x.on], places.at_m[x.off]) for x in chain_plan.spans]
    return [x for x in stretches if not any(overlaps(x, a, b) for a, b in spans_m)]


def chained_share(conditions: RouteConditions, chained: ChainPlan, places: StopCandidates, remove_s: float) -> float:
    """Mean share of the extra time of a way chained throughout: each run counts with the chance that it is needed.

    It is continuous: a run of little chance adds little, however long the way chained throughout is.
    """
    total_s, expected_s, need = 0.0, 0.0, conditions.encounter.need
    for span in chained.spans:
        on_m, off_m = float(places.at_m[span.on]), float(places.at_m[span.off])
        here = [slice(x.first, x.last + 1) for x in conditions.stretches if overlaps(x, on_m, off_m)]
        if not here:
            continue
        most = np.maximum.reduce([need[:, x].max(axis=1) for x in here])
        extra_s = span.hang_s + max(span.slow_s, 0.0) + remove_s
        total_s += extra_s
        expected_s += extra_s * float(most.mean(dtype=np.float64))
    return expected_s / total_s if total_s > 0.0 else 0.0


def overlaps(x: ChainStretch, on_m: float, off_m: float) -> bool:
    """True when a stretch overlaps the chained run from `on_m` to `off_m`."""
    return x.end_m >= on_m and x.start_m <= off_m


class ChainedLeg(NamedTuple):
    """Stretches with the same advice that one span covers as one leg.

    required: the leg must be chained; otherwise it is only on the way of the span.
    held: the advice for each of its stretches is to hold.
    first: the first required leg of the span, for which the chains go on.
    """

    span: ChainedSpan
    stretches: Sequence[ChainStretch]
    required: bool
    held: bool
    first: bool


def chained_legs(
    conditions: RouteConditions, chain_plan: ChainPlan, places: StopCandidates, search: ChainSearch
) -> list[ChainedLeg]:
    """The legs of each span: neighbouring required stretches with the same advice as one, and each other stretch.

    The advice of a stretch never depends on others on the same span, because more snow may part spans.
    """
    legs = []
    for span in chain_plan.spans:
        covered = [x for x in conditions.stretches if overlaps(x, places.at_m[span.on], places.at_m[span.off])]
        required = [search.is_required(x) for x in covered]
        if not any(required) and not (search.on is not None and span.on == 0):
            covered, required = list(span.stretches), [search.is_required(x) for x in span.stretches]
        first = True
        for (is_required, held), group in groupby(
            zip(covered, required, strict=True), key=lambda x: (x[1], conditions.is_held(x[0]))
        ):
            stretches = [x for x, _ in group]
            for part in [stretches] if is_required else [[x] for x in stretches]:
                legs.append(ChainedLeg(span, part, is_required, held, is_required and first))
            first &= not is_required
    return legs

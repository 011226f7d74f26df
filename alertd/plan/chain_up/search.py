"""Finds the cheapest chain plan: where chains go on and off, while each delay shifts later conditions.

The search walks over the places where a truck can stop, on a clock of whole minutes. Between two places it drives
unchained; or it hangs chains at one, drives chained to any later one and removes them there, never to hang them again
at the same place. The conditions of a run depend on its start time: view 0 is the planned departure, and each quarter
of the clock after it has a view of its own. A delay has the nearest of these views, off by 7.5 minutes at most.
The search covers all such choices, except stops that another stop dominates: nearer and no more expensive.
"""

from collections.abc import Callable, Hashable, Mapping, Set
from dataclasses import dataclass, field
from heapq import heappop, heappush
from math import inf
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.priced_view import ChainedRun, PricedView, SearchTerms
from alertd.plan.chain_up.road_view import ChainStretch, DepartureView
from alertd.plan.params import PlanParams

Array: TypeAlias = NDArray[np.float64]

DELAY_STEP_S: Final = 900.0  # a quarter of the clock


class ChainedSpan(NamedTuple):
    """Chains on from place `on` to place `off`, for stretches of the view `decided_on`.

    clock: the view of the chained run.

    The remaining fields are the costs.
    """

    on: int
    off: int
    decided_on: int
    stretches: tuple[ChainStretch, ...]
    clock: int
    chains: ChainSet
    hang_s: float
    run_s: float
    slow_s: float
    wear_s: float
    price_s: float


class ChainPlan(NamedTuple):
    """A way over the route.

    cost_s: seconds under way and standing, plus prices.
    clocks: (place - 1,), the view after each place.
    on_minutes: minute at which the hanging place of each span is reached.
    minute: minute of the end of the trip.
    """

    cost_s: float
    spans: tuple[ChainedSpan, ...]
    clocks: tuple[int, ...]
    on_minutes: tuple[int, ...]
    minute: int


_Node: TypeAlias = tuple[int, int, bool]  # a place, the minute there, and whether chains have just come off there
_START: Final[_Node] = (0, 0, False)


class _Step(NamedTuple):
    """How a place was reached: from where, in which view, and the chained run if any, chosen in view `decided_on`."""

    came_from: _Node
    clock: int
    run: ChainedRun | None = None
    decided_on: int = 0


_Link: TypeAlias = tuple[_Node, int, ChainedRun | None, int]  # the fields of a step; most are never used


@dataclass(slots=True)
class ChainSearch:
    """Search for the cheapest chain plan over places_m, (place,).

    dry_s: (place,) lower bound of the seconds to each place.
    view: the views by number, see `clock`.
    required_odds: probability from which a stretch is never driven unchained, whatever the prices.
    excluded_stops: places where chains must not be hung.
    prune_dominated: omit stops with a nearer stop that is no more expensive.
    on: chains on at the first place; they stay on to the place where they are removed.
    kept: the prices of views, which searches over the same places share.
    past_s: seconds from the quarter of the clock before the departure, or at it, to the departure.
    """

    places_m: Array
    dry_s: Array
    view: Callable[[int], DepartureView]
    params: PlanParams
    required_odds: float
    excluded_stops: Set[int] = field(default_factory=frozenset)
    prune_dominated: bool = True
    on: ChainsOn | None = None
    kept: dict[Hashable, PricedView] = field(default_factory=dict)
    past_s: float = 0.0
    _quarter_s: list[float] = field(default_factory=list, init=False)
    at_clock: dict[int, PricedView] = field(default_factory=dict, init=False)
    _terms: SearchTerms = field(init=False)

    def __post_init__(self) -> None:
        self._terms = SearchTerms(self.required_odds, frozenset(self.excluded_stops), self.prune_dominated)

    def is_required(self, stretch: ChainStretch) -> bool:
        """True for a stretch that must be driven chained: likely enough, or cheaper to chain for than not."""
        return self._terms.is_required(stretch)

    def priced(self, view: DepartureView) -> PricedView:
        """The prices of a view on the terms of this search."""
        key = id(view), self._terms
        known = self.kept.get(key)
        if known is None and not self._terms.excluded_stops:  # it holds the view, so that the identity stays its own
            known = self.kept[key] = PricedView(view, self.places_m, self.params, self._terms)
        elif known is None:
            plain_terms = self._terms._replace(excluded_stops=frozenset())
            plain = self.kept.get((id(view), plain_terms)) or PricedView(view, self.places_m, self.params, plain_terms)
            self.kept[id(view), plain_terms] = plain
            known = self.kept[key] = plain.excluding(self._terms.excluded_stops)
        return known

    @property
    def quarter_s(self) -> list[float]:
        """Seconds after the departure at which a truck that left at the quarter before it would be at each place."""
        if not self._quarter_s:
            self._quarter_s += [x - self.past_s for x in self.view(0).reach_s.tolist()]
        return self._quarter_s

    @property
    def own_until_s(self) -> float:
        """Seconds after the quarter before the departure until which view 0 is the nearest."""
        return 0.5 * (self.past_s + DELAY_STEP_S)

    def clock(self, place: int, minute: int) -> int:
        """The view of a truck that leaves this place at `minute` after departure: 0, or n for the n-th quarter."""
        late_s = minute * 60.0 - self.quarter_s[place]
        return round(late_s / DELAY_STEP_S) if late_s > self.own_until_s else 0

    def priced_at(self, clock: int) -> PricedView:
        known = self.at_clock.get(clock)
        if known is None:
            known = self.at_clock[clock] = self.priced(self.view(clock))
        return known

    def span(self, step: _Step, run: ChainedRun) -> ChainedSpan:
        """The span of a step with a chained run."""
        on, off, choice = step.came_from[0], run.off, run.choice
        has_on = self.on is not None and on == 0
        decided, then, p = self.priced_at(step.decided_on), self.priced_at(step.clock), self.params
        run_s = then.chained_s(choice.chains.speed_limit_mps, on, off)
        price_s = (0.0 if has_on else decided.on_price_s[on]) + then.off_price_s[off]
        return ChainedSpan(
            on=on,
            off=off,
            decided_on=step.decided_on,
            stretches=decided.view.stretches[choice.first : choice.last + 1],
            clock=step.clock,
            chains=choice.chains,
            hang_s=choice.hang_s,
            run_s=run_s,
            slow_s=run_s - (then.reach_s[off] - then.reach_s[on]),
            wear_s=p.wear_s_per_m * (then.bare_m[off] - then.bare_m[on]),
            price_s=price_s,
        )


def drawbacks_at(view: DepartureView, place: int) -> tuple[str, ...]:
    """The drawbacks of stopping at a place, in words."""
    return tuple(name for name, has in view.drawbacks.items() if has[place])


def cheapest_plan(search: ChainSearch, most_s: float = inf) -> ChainPlan | None:
    """The plan of least cost, or None when it would cost more than `most_s`.

    Without a required stretch there is no choice. Otherwise the search is best first (A*): it visits places in the
    order of cost so far plus a lower bound of the remaining cost. The first way to reach the end is therefore the best,
    and dominated ways are rarely visited.
    """
    final = search.places_m.size - 1
    now = search.view(0)
    if search.on is None and not any(search.is_required(x) for x in now.stretches):
        run_s = float(now.reach_s[-1])
        cost_s = run_s + sum(search.priced(now).risk_s)
        return ChainPlan(cost_s, (), (0,) * final, (), round(run_s / 60.0))
    left_s: list[float] = (search.dry_s[-1] - search.dry_s).tolist()
    priced_at, at_clock = search.priced_at, search.at_clock
    quarter_s, own_until_s = search.quarter_s, search.own_until_s
    best: dict[_Node, float] = {_START: 0.0}
    before: dict[_Node, _Link] = {}
    queue: list[tuple[float, _Node, float]] = [(left_s[0], _START, 0.0)]
    while queue:
        at_least_s, node, cost_s = heappop(queue)
        if at_least_s > most_s:
            return None
        place, minute, removed = node
        if place == final:
            return _trace_back(search, before, node, cost_s)
        if cost_s > best[node]:
            continue
        late_s = minute * 60.0 - quarter_s[place]
        clock = round(late_s / DELAY_STEP_S) if late_s > own_until_s else 0  # as `clock`, without the cost of a call
        decided, on = at_clock.get(clock) or priced_at(clock), search.on if place == 0 else None
        if on is None:  # unchained to the next place
            ahead = place + 1
            to = (ahead, minute + decided.ride_minutes[place], False)
            cost = cost_s + decided.ride_cost_s[place]
            if cost < best.get(to, inf):
                best[to], before[to] = cost, (node, clock, None, 0)
                heappush(queue, (cost + left_s[ahead], to, cost))
        if removed or (on is None and not decided.may_hang[place]):
            continue
        for choice in decided.choices(place) if on is None else decided.while_on(on):
            later = search.clock(place, minute + round(choice.hang_s / 60.0))
            for run in decided.runs(place, choice, priced_at(later), on):
                to, cost = (run.off, minute + run.minutes, True), cost_s + run.cost_s
                if cost < best.get(to, inf):
                    best[to], before[to] = cost, (node, later, run, clock)
                    heappush(queue, (cost + left_s[to[0]], to, cost))
    return None


def _trace_back(search: ChainSearch, before: Mapping[_Node, _Link], end: _Node, cost_s: float) -> ChainPlan:
    at, spans, on_minutes, clocks = end, [], [], [0] * end[0]
    while at in before:
        step = _Step(*before[at])
        clocks[step.came_from[0] : at[0]] = [step.clock] * (at[0] - step.came_from[0])
        if step.run is not None:
            spans.append(search.span(step, step.run))
            on_minutes.append(step.came_from[1])
        at = step.came_from
    return ChainPlan(cost_s, tuple(reversed(spans)), tuple(clocks), tuple(reversed(on_minutes)), end[1])

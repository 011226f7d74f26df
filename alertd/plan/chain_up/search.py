"""Finds the cheapest chain plan: where chains go on and off, while each delay shifts later conditions.

The search walks over the places where a truck can stop, on a clock of whole minutes. Between two places it drives
unchained; or it hangs chains at one, drives chained to any later one and removes them there, never to hang them again
at the same place. The conditions of a run depend on its start time: each quarter of an hour of delay has a view of its
own. The search covers all such choices, except stops that another stop dominates: nearer and no more expensive.
"""

from collections.abc import Callable, Iterator, Mapping, Set
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import pairwise
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet, hang_time_s
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.rules.requirements import Hanging
from alertd.rules.rig import Tire

Array: TypeAlias = NDArray[np.float64]

DELAY_STEP_S: Final = 900.0
# These are not prices but an order. Wearing chains out on bare road is better than entering a control without them.
# Anything is better than leaving a stretch that needs chains without ever hanging them.
UNCHAINED_S_PER_M: Final = 1e3
WORN_OUT_S: Final = 6e6
INFEASIBLE_S: Final = 1e9
WORTH_IT: Final = 1.0  # going on unchained costs as much as chaining ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainStretch:
    """Road that may need chains.

    first, last: sections.
    parts: number of stretches merged because there is no stopping place between them.
    start_m, end_m: for the choice of stops, a short way inside the edges of the sections.
    probability: that chains are needed; of showers below the one that decides to chain.
    slip_probability: that the rig slips unchained.
    loss_s: expected loss of going on unchained, see `ChainPrices`; of showers below the one that decides to chain.
    worth: that loss as a multiple of the cost of chaining ahead.
    fringe_first, fringe_last: sections, with the road around it on which few members need chains.
    showers: see `NeedRun`.
    bare_from_m, bare_to_m: bare distance driven from the start of the trip to its start and its end.
    """

    first: int
    last: int
    parts: int
    start_m: float
    end_m: float
    probability: float
    slip_probability: float
    loss_s: float
    worth: float
    fringe_first: int
    fringe_last: int
    showers: bool
    bare_from_m: float
    bare_to_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DepartureView:
    """The road at one departure time, by place, (place,); the first is the start of the trip, the last its end.

    reach_s: seconds from departure, unchained.
    bare_m: distance driven on road where chains do not bite.
    price_s: price of stopping at a place.
    kept_s: part of that price that is waived for a place already sent to the driver.
    drawbacks: the reasons of that price, by name, (place,) each.
    chained_s: seconds to each place with chains on under a legal limit.
    chains: the set for stretches i to j.
    """

    reach_s: Array
    bare_m: Array
    price_s: Array
    kept_s: Array
    drawbacks: Mapping[str, NDArray[np.bool_]]
    stretches: tuple[ChainStretch, ...]
    chained_s: Callable[[float | None], Array]
    chains: Callable[[int, int], ChainSet]


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


class _SearchEdge(NamedTuple):
    """One step of the search: its cost, the view in which it runs, and the chained span if any."""

    to: int
    minutes: int
    cost_s: float
    clock: int
    span: ChainedSpan | None


class _Choice(NamedTuple):
    """Chains to hang at a place for stretches first to last of its view, and the places to remove them."""

    first: int
    last: int
    hang_s: float
    offs: tuple[int, ...]


NONE_ASKED: Final = ChainSet(
    hanging=Hanging(tires=(), singles_n=0, singles_used=0, doubles_used=0, singles_short=0, demands=()),
    postings=(),
    speed_limit_mps=None,
    speed_section="",
    barred="",
)


def missing(on: ChainsOn, chains: ChainSet) -> tuple[Tire, ...]:
    """Tires that a road requires and the chains on do not cover; none where the chains on are unknown."""
    if on.tires is None or all(any(c <= on.tires for c in d.choices) for d in chains.hanging.demands):
        return ()
    return tuple(t for t in chains.hanging.tires if t not in on.tires)


@dataclass(slots=True)
class ChainSearch:
    """Search for the cheapest chain plan over places_m, (place,).

    dry_s: (place,) lower bound of the seconds to each place.
    view: the view of each delay, in quarters of an hour.
    required_odds: probability from which a stretch is never driven unchained, whatever the prices.
    excluded_stops: places where chains must not be hung.
    prune_dominated: omit stops with a nearer stop that is no more expensive.
    on: chains on at the first place; they stay on to the place where they are removed.
    """

    places_m: Array
    dry_s: Array
    view: Callable[[int], DepartureView]
    params: PlanParams
    required_odds: float
    excluded_stops: Set[int] = field(default_factory=frozenset)
    prune_dominated: bool = True
    on: ChainsOn | None = None
    _on_time_s: list[float] = field(default_factory=list, init=False)
    _edges: dict[tuple[int, int], tuple[_SearchEdge | None, tuple[_Choice, ...]]] = field(
        default_factory=dict, init=False
    )
    _runs: dict[tuple[int, int, int, int, int], list[_SearchEdge]] = field(default_factory=dict, init=False)
    _prices: dict[int, tuple[DepartureView, Array, Array]] = field(default_factory=dict, init=False)

    def is_required(self, stretch: ChainStretch) -> bool:
        """True for a stretch that must be driven chained: likely enough, or cheaper to chain for than not."""
        return stretch.probability >= self.required_odds or stretch.worth >= WORTH_IT - SAME_PROBABILITY

    def clock(self, place: int, minute: int) -> int:
        """The view of a truck that leaves this place at `minute` after departure."""
        if not self._on_time_s:
            self._on_time_s += self.view(0).reach_s.tolist()
        return max(round((minute * 60.0 - self._on_time_s[place]) / DELAY_STEP_S), 0)

    def edges(self, place: int, minute: int, *, removed: bool = False) -> Iterator[_SearchEdge]:
        """Every step from a place: unchained to the next, or chained to any later one where none were just removed."""
        clock = self.clock(place, minute)
        known = self._edges.get((place, clock))
        if known is None:
            if self.on is not None and place == 0:
                known = None, self._while_on(self.on, self.view(clock))
            else:
                known = self._unchained(place, clock), self._choices(place, clock)
            self._edges[place, clock] = known
        unchained, choices = known
        if unchained is not None:
            yield unchained
        for choice in choices if not removed else ():
            later_clock = self.clock(place, minute + round(choice.hang_s / 60.0))
            key = (place, clock, choice.first, choice.last, later_clock)
            runs = self._runs.get(key)
            if runs is None:
                runs = self._runs[key] = [self._chained(place, off, clock, choice, later_clock) for off in choice.offs]
            yield from runs

    def _unchained(self, place: int, clock: int) -> _SearchEdge:
        view = self.view(clock)
        from_s, to_s = float(view.reach_s[place]), float(view.reach_s[place + 1])
        minutes = round(to_s / 60.0) - round(from_s / 60.0)  # so that rounding causes no delay over many places
        return _SearchEdge(place + 1, minutes, to_s - from_s + self.risk_s(view, place), clock, None)

    def _choices(self, place: int, clock: int) -> tuple[_Choice, ...]:
        view = self.view(clock)
        if not np.isfinite(view.price_s[place]):
            return ()
        ahead = next((n for n, x in enumerate(view.stretches) if x.end_m > self.places_m[place]), None)
        if (
            ahead is None
            or place in self.excluded_stops
            or self._can_wait(view, place, ahead)
            or (self.prune_dominated and self._is_dominated(view, place, ahead))
        ):
            return ()
        options = []
        for last in range(ahead, len(view.stretches)):
            # Only required stretches justify hanging chains; other stretches only decide whether to keep them on.
            if any(self.is_required(x) for x in view.stretches[ahead : last + 1]):
                hang_s = hang_time_s(view.chains(ahead, last).hanging, self.params)
                offs = tuple(off for off in self._offs(view, last) if off > place)
                options.append(_Choice(ahead, last, hang_s, offs))
        return tuple(options)

    def _can_wait(self, view: DepartureView, place: int, ahead: int) -> bool:
        """True where the stretch ahead may be run unchained, with a fair place before the first that may not.

        Chains stay on for road that may need them, but nobody hangs them for it and then drives on to the storm.
        """
        required = next((n for n in range(ahead, len(view.stretches)) if self.is_required(view.stretches[n])), ahead)
        if required == ahead:
            return False
        from_m, to_m = view.stretches[required - 1].end_m, view.stretches[required].start_m
        between = np.flatnonzero((self.places_m >= from_m) & (self.places_m <= to_m))
        between = between[(between > place) & (between < self.places_m.size - 1)]
        fair_s = max(self.on_price_s(view, place), self.params.unlisted_s)
        return any(b not in self.excluded_stops and self.on_price_s(view, b) <= fair_s for b in between.tolist())

    def _while_on(self, on: ChainsOn, view: DepartureView) -> tuple[_Choice, ...]:
        """Choices for chains already on: until a place before the first stretch ahead, or past any of them."""
        here_m = float(self.places_m[0])
        ahead = next((n for n, x in enumerate(view.stretches) if x.end_m > here_m), len(view.stretches))
        options = []
        for last in range(ahead - 1, len(view.stretches)):
            offs = tuple(self._offs(view, last, float(np.nextafter(here_m, np.inf))))
            if offs:
                more_n = len(missing(on, view.chains(ahead, last))) if last >= ahead else 0
                add_s = self.params.hang_s_per_chain * more_n
                options.append(_Choice(ahead, last, add_s, offs))
        return tuple(options)

    def _chained(self, on: int, off: int, decided_on: int, choice: _Choice, clock: int) -> _SearchEdge:
        """Hang chains as chosen in one view, and drive to `off` in the view at the time of hanging."""
        p, decided, view = self.params, self.view(decided_on), self.view(clock)
        has_on = self.on is not None and on == 0
        chains = decided.chains(choice.first, choice.last) if choice.last >= choice.first else NONE_ASKED
        reach = view.chained_s(chains.speed_limit_mps)
        run_s = float(reach[off] - reach[on])
        wear_s = p.wear_s_per_m * float(view.bare_m[off] - view.bare_m[on])
        price_s = (0.0 if has_on else self.on_price_s(decided, on)) + self.off_price_s(view, off)
        worn_out_s = WORN_OUT_S * self._worn_out(view, on, off)
        slow_s = run_s - float(view.reach_s[off] - view.reach_s[on])
        stretches = decided.stretches[choice.first : choice.last + 1]
        span = ChainedSpan(on, off, decided_on, stretches, clock, chains, choice.hang_s, run_s, slow_s, wear_s, price_s)
        takes_s = choice.hang_s + run_s + p.remove_s
        return _SearchEdge(off, round(takes_s / 60.0), takes_s + wear_s + price_s + worn_out_s, clock, span)

    def risk_s(self, view: DepartureView, place: int) -> float:
        """Price of the risk of driving unchained from a place to the next, s."""
        cost = 0.0
        a_m, b_m = float(self.places_m[place]), float(self.places_m[place + 1])
        for x in view.stretches:
            over_m = min(b_m, x.end_m) - max(a_m, x.start_m)
            if over_m <= 0.0:
                continue
            if self.is_required(x):
                cost += UNCHAINED_S_PER_M * over_m + (INFEASIBLE_S if b_m >= x.end_m else 0.0)
            else:
                cost += x.loss_s * over_m / (x.end_m - x.start_m)
        return cost

    def on_price_s(self, view: DepartureView, place: int) -> float:
        """The price of hanging chains at a place, s; higher at the very edge of the snow."""
        return float(self._prices_of(view)[0][place])

    def off_price_s(self, view: DepartureView, place: int) -> float:
        """The price of removing chains at a place, s."""
        return float(self._prices_of(view)[1][place])

    def _prices_of(self, view: DepartureView) -> tuple[Array, Array]:
        """(place,) prices of hanging chains, and of removing them, s."""
        if id(view) not in self._prices:
            at_m, p = self.places_m[:, None], self.params
            before_m = np.asarray([x.start_m for x in view.stretches]) - at_m
            past_m = at_m - np.asarray([x.end_m for x in view.stretches])
            on, off = (np.any((m >= 0.0) & (m < p.stop_clearance_m), axis=1) for m in (before_m, past_m))
            on, off = np.append(False, on[1:]), np.append(off[:-1], False)
            self._prices[id(view)] = view, view.price_s + p.edge_s * on, view.price_s + p.edge_s * off
        return self._prices[id(view)][1:]

    def _is_dominated(self, view: DepartureView, place: int, ahead: int) -> bool:
        """True where another place is nearer to the snow ahead, or less far into it, and costs no more."""
        start_m, at_m = view.stretches[ahead].start_m, float(self.places_m[place])
        prices_s, _ = self._prices_of(view)
        if at_m <= start_m:
            last = int(np.searchsorted(self.places_m, start_m, side="right"))
            rivals = range(place + 1, min(last, self.places_m.size - 1))
        else:
            rivals = range(max(int(np.searchsorted(self.places_m, start_m, side="left")), 1), place)
        cheap = np.flatnonzero(prices_s[rivals.start : max(rivals.stop, rivals.start)] <= prices_s[place])
        return any(rivals.start + r not in self.excluded_stops for r in cheap.tolist())

    def _offs(self, view: DepartureView, last: int, here_m: float = 0.0) -> list[int]:
        """Places to remove chains between this stretch and the next, and the end of the trip; none before `here_m`.

        last: index of the stretch, or -1 (or that of a stretch behind) for places before the first stretch ahead.
        """
        end_m = max(view.stretches[last].end_m if last >= 0 else here_m, here_m)
        has_next = last + 1 < len(view.stretches)
        until_m = view.stretches[last + 1].start_m if has_next else np.inf
        offs: list[int] = []
        least_s = np.inf
        final = self.places_m.size - 1
        for place in np.flatnonzero((self.places_m >= end_m) & (self.places_m <= until_m)).tolist():
            price_s = self.off_price_s(view, place)
            if place != final and (price_s < least_s or not self.prune_dominated):
                offs.append(place)
                least_s = price_s
        return offs if has_next else [*offs, final]

    def _worn_out(self, view: DepartureView, on: int, off: int) -> int:
        """Number of runs within a chained run with more bare road than chains can endure."""
        a_m, b_m = float(self.places_m[on]), float(self.places_m[off])
        bare_a_m, bare_b_m = float(view.bare_m[on]), float(view.bare_m[off])
        inside = [x for x in view.stretches if x.end_m >= a_m and x.start_m <= b_m]
        p = self.params
        if not inside:
            return int(self.on is None or on > 0 or bare_b_m - bare_a_m > p.longest_bare_run_m)
        gaps = [(inside[0].bare_from_m - bare_a_m, self._longest_before_m(inside[0], on))]
        gaps += [(bare_b_m - inside[-1].bare_to_m, p.longest_bare_run_m)]
        gaps += [(y.bare_from_m - x.bare_to_m, p.longest_bare_gap_m) for x, y in pairwise(inside)]
        return sum(gap > longest for gap, longest in gaps)

    def _longest_before_m(self, stretch: ChainStretch, on: int) -> float:
        """Longest bare run from place `on` to the first stretch ahead of it, m.

        Chains already on can come off before the snow, so the limit there is the one between two stretches. But chains
        that a plan may have had hung for this stretch stay on, or it would ask to remove them where it asked for them.
        """
        p = self.params
        if self.on is None or on > 0:
            return p.longest_bare_run_m
        hung_m = self.on.hung_m
        hung_for_it = hung_m is not None and stretch.start_m - hung_m <= p.longest_bare_run_m
        return p.longest_bare_run_m if hung_for_it else p.longest_bare_gap_m


def drawbacks_at(view: DepartureView, place: int) -> tuple[str, ...]:
    """The drawbacks of stopping at a place, in words."""
    return tuple(name for name, has in view.drawbacks.items() if has[place])


def cheapest_plan(search: ChainSearch, most_s: float = np.inf) -> ChainPlan | None:
    """The plan of least cost, or None when it would cost more than `most_s`.

    Without a required stretch there is no choice. Otherwise the search is best first (A*): it visits places in the
    order of cost so far plus a lower bound of the remaining cost. The first way to reach the end is therefore the best,
    and dominated ways are rarely visited.
    """
    final = search.places_m.size - 1
    now = search.view(0)
    if search.on is None and not any(search.is_required(x) for x in now.stretches):
        run_s = float(now.reach_s[-1])
        cost_s = run_s + sum(search.risk_s(now, place) for place in range(final))
        return ChainPlan(cost_s, (), (0,) * final, (), round(run_s / 60.0))
    left_s = (search.dry_s[-1] - search.dry_s).tolist()
    best: dict[_Node, float] = {_START: 0.0}
    before: dict[_Node, tuple[_Node, _SearchEdge]] = {}
    queue: list[tuple[float, _Node, float]] = [(left_s[0], _START, 0.0)]
    while queue:
        at_least_s, node, cost_s = heappop(queue)
        if at_least_s > most_s:
            return None
        if node.place == final:
            return _trace_back(before, node, cost_s)
        if cost_s > best[node]:
            continue
        for step in search.edges(node.place, node.minute, removed=node.removed):
            cost = cost_s + step.cost_s
            to = _Node(step.to, node.minute + step.minutes, step.span is not None)
            if cost < best.get(to, np.inf):
                best[to] = cost
                before[to] = node, step
                heappush(queue, (cost + left_s[step.to], to, cost))
    return None


class _Node(NamedTuple):
    """A place at a minute; `removed`: chains have just come off there."""

    place: int
    minute: int
    removed: bool


_START: Final = _Node(0, 0, removed=False)


def _trace_back(before: Mapping[_Node, tuple[_Node, _SearchEdge]], end: _Node, cost_s: float) -> ChainPlan:
    at, spans, on_minutes, clocks = end, [], [], [0] * end.place
    while at in before:
        came_from, step = before[at]
        clocks[came_from.place : step.to] = [step.clock] * (step.to - came_from.place)
        if step.span is not None:
            spans.append(step.span)
            on_minutes.append(came_from.minute)
        at = came_from
    return ChainPlan(cost_s, tuple(reversed(spans)), tuple(clocks), tuple(reversed(on_minutes)), end.minute)

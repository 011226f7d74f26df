"""The cheapest way over: at which stops chains go on and come off, with every delay moving the road met behind it.

The way is a walk over the places where a truck can stand, on a clock of whole minutes. Between two places it runs
unchained, or hangs chains at one, runs chained to any later one and takes them off there. What a run meets hangs on
when it begins: each quarter of an hour of delay is a scene of its own. The walk looks at every such choice but those
of a stop to which a nearer one, at no higher a price, is to be preferred.
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
from alertd.rules.requirements import Hanging
from alertd.rules.rig import Tire

Array: TypeAlias = NDArray[np.float64]

DELAY_STEP_S: Final = 900.0
# Not prices but an order: rather wear chains out on bare road than enter a control without, rather anything than
# leave a stretch that needs chains never having hung them.
UNCHAINED_S_PER_M: Final = 1e3
WORN_OUT_S: Final = 6e6
INFEASIBLE_S: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainStretch:
    """Road that may need chains: sections first to last, at odds `probability`, slipping unchained at odds `short`.

    parts: how many stretches it joins because there is nowhere to stand between them.
    """

    first: int
    last: int
    parts: int
    start_m: float
    end_m: float
    probability: float
    slip_probability: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DepartureView:
    """The road as one clock meets it, seen from the places, (place,), first the start of the trip, last its end.

    reach_s: seconds from departure, unchained. bare_m: road passed on which chains do not bite. price_s: what not
    having to stand at a place is worth; drawbacks: why, by name, (place,) each. chained_s: seconds passed with chains
    on
    under a legal limit; chains: the set for stretches i to j.
    """

    reach_s: Array
    bare_m: Array
    price_s: Array
    drawbacks: Mapping[str, NDArray[np.bool_]]
    stretches: tuple[ChainStretch, ...]
    chained_s: Callable[[float | None], Array]
    chains: Callable[[int, int], ChainSet]


class ChainedSpan(NamedTuple):
    """Chains on from place `on` to place `off`, for stretches that the scene of `decided_on` shows.

    clock: of the scene that the chained run meets. Then what it costs.
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
    """cost_s: seconds under way, standing and prices. clocks: (place - 1,), the scene met after each place.

    on_minutes: when each span's place to hang is reached; minute: the end of the trip.
    """

    cost_s: float
    spans: tuple[ChainedSpan, ...]
    clocks: tuple[int, ...]
    on_minutes: tuple[int, ...]
    minute: int


class _SearchEdge(NamedTuple):
    """One move of the walk: what it adds, the scene it is run in, and the chained span if it is one."""

    to: int
    minutes: int
    cost_s: float
    clock: int
    span: ChainedSpan | None


class _Choice(NamedTuple):
    """Chains to hang at a place for stretches first to last of its scene, and where they may come off."""

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
    """Tires that a road asks for and that the chains on do not cover; none where it is not known what is on."""
    if on.tires is None or all(any(c <= on.tires for c in d.choices) for d in chains.hanging.demands):
        return ()
    return tuple(t for t in chains.hanging.tires if t not in on.tires)


@dataclass(slots=True)
class ChainSearch:
    """The choices between places_m, (place,). dry_s: (place,) seconds to them that no way can beat. required_odds:
    odds from
    which a stretch is never run unchained; excluded_stops: places where chains are not to be hung; prune_dominated:
    leave out
    stops to which a nearer one, at no higher a price, is to be preferred. on: chains that are on at the first place;
    they stay on to the place where they are taken off."""

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
        return stretch.probability >= self.required_odds

    def clock(self, place: int, minute: int) -> int:
        """Which scene a truck meets that leaves this place so many minutes after departure."""
        if not self._on_time_s:
            self._on_time_s += self.view(0).reach_s.tolist()
        return max(round((minute * 60.0 - self._on_time_s[place]) / DELAY_STEP_S), 0)

    def edges(self, place: int, minute: int) -> Iterator[_SearchEdge]:
        """Every way on from a place: unchained to the next, or chained to any later one."""
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
        for choice in choices:
            then = self.clock(place, minute + round(choice.hang_s / 60.0))
            key = (place, clock, choice.first, choice.last, then)
            runs = self._runs.get(key)
            if runs is None:
                runs = self._runs[key] = [self._chained(place, off, clock, choice, then) for off in choice.offs]
            yield from runs

    def _unchained(self, place: int, clock: int) -> _SearchEdge:
        view = self.view(clock)
        from_s, to_s = float(view.reach_s[place]), float(view.reach_s[place + 1])
        minutes = round(to_s / 60.0) - round(from_s / 60.0)  # so that rounding adds up to no delay over many places
        return _SearchEdge(place + 1, minutes, to_s - from_s + self.risk_s(view, place), clock, None)

    def _choices(self, place: int, clock: int) -> tuple[_Choice, ...]:
        view = self.view(clock)
        if not np.isfinite(view.price_s[place]):
            return ()
        ahead = next((n for n, x in enumerate(view.stretches) if x.end_m > self.places_m[place]), None)
        if (
            ahead is None
            or place in self.excluded_stops
            or (self.prune_dominated and self._is_dominated(view, place, ahead))
        ):
            return ()
        found = []
        for last in range(ahead, len(view.stretches)):
            # Chains are hung for what needs them; what only may is then worth keeping them on for, or not.
            if any(self.is_required(x) for x in view.stretches[ahead : last + 1]):
                hang_s = hang_time_s(view.chains(ahead, last).hanging, self.params)
                offs = tuple(off for off in self._offs(view, last) if off > place)
                found.append(_Choice(ahead, last, hang_s, offs))
        return tuple(found)

    def _while_on(self, on: ChainsOn, view: DepartureView) -> tuple[_Choice, ...]:
        """How far chains that are on stay on: to a place before the first stretch ahead, or past any of them."""
        here_m = float(self.places_m[0])
        ahead = next((n for n, x in enumerate(view.stretches) if x.end_m > here_m), len(view.stretches))
        found = []
        for last in range(ahead - 1, len(view.stretches)):
            offs = tuple(self._offs(view, last, float(np.nextafter(here_m, np.inf))))
            if offs:
                more_n = len(missing(on, view.chains(ahead, last))) if last >= ahead else 0
                add_s = self.params.hang_s_per_chain * more_n
                found.append(_Choice(ahead, last, add_s, offs))
        return tuple(found)

    def _chained(self, on: int, off: int, decided_on: int, choice: _Choice, clock: int) -> _SearchEdge:
        """Hang chains as chosen in one scene, and run to `off` in the scene that is there when they hang."""
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
        """What running unchained from a place to the next is worth avoiding."""
        p, cost = self.params, 0.0
        a_m, b_m = float(self.places_m[place]), float(self.places_m[place + 1])
        for x in view.stretches:
            over_m = min(b_m, x.end_m) - max(a_m, x.start_m)
            if over_m <= 0.0:
                continue
            if self.is_required(x):
                cost += UNCHAINED_S_PER_M * over_m + (INFEASIBLE_S if b_m >= x.end_m else 0.0)
            else:
                cost += (p.missed_s * x.probability + p.stuck_s * x.slip_probability) * over_m / (x.end_m - x.start_m)
        return cost

    def on_price_s(self, view: DepartureView, place: int) -> float:
        """The price of hanging chains at a place; more at the very edge of the snow."""
        return float(self._prices_of(view)[0][place])

    def off_price_s(self, view: DepartureView, place: int) -> float:
        """The price of taking chains off at a place."""
        return float(self._prices_of(view)[1][place])

    def _prices_of(self, view: DepartureView) -> tuple[Array, Array]:
        """(place,) prices of hanging chains, and of taking them off."""
        if id(view) not in self._prices:
            at_m, p = self.places_m[:, None], self.params
            before_m = np.asarray([x.start_m for x in view.stretches]) - at_m
            past_m = at_m - np.asarray([x.end_m for x in view.stretches])
            on, off = (np.any((m >= 0.0) & (m < p.stop_clearance_m), axis=1) for m in (before_m, past_m))
            on, off = np.append(False, on[1:]), np.append(off[:-1], False)
            self._prices[id(view)] = view, view.price_s + p.edge_s * on, view.price_s + p.edge_s * off
        return self._prices[id(view)][1:]

    def _is_dominated(self, view: DepartureView, place: int, ahead: int) -> bool:
        """True where another place is nearer to the snow ahead, or less far in it, and costs no more."""
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
        """Places to take chains off between this stretch and the next, and the end of the trip; none before `here_m`.

        last: -1, or that of a stretch behind, for those before the first stretch ahead.
        """
        end_m = max(view.stretches[last].end_m if last >= 0 else here_m, here_m)
        behind = last + 1 < len(view.stretches)
        until_m = view.stretches[last + 1].start_m if behind else np.inf
        found: list[int] = []
        least_s = np.inf
        final = self.places_m.size - 1
        for place in np.flatnonzero((self.places_m >= end_m) & (self.places_m <= until_m)).tolist():
            price_s = self.off_price_s(view, place)
            if place != final and (price_s < least_s or not self.prune_dominated):
                found.append(place)
                least_s = price_s
        return found if behind else [*found, final]

    def _worn_out(self, view: DepartureView, on: int, off: int) -> int:
        """How many bare runs within a chained one are longer than chains bear."""
        a_m, b_m = float(self.places_m[on]), float(self.places_m[off])
        inside = [x for x in view.stretches if x.end_m >= a_m and x.start_m <= b_m]
        p = self.params
        if not inside:
            return int(self.on is None or on > 0 or b_m - a_m > p.longest_bare_run_m)
        # Chains that are on can come off before the snow, so they bear no more there than between two stretches.
        before_m = p.longest_bare_gap_m if self.on is not None and on == 0 else p.longest_bare_run_m
        gaps = [(inside[0].start_m - a_m, before_m), (b_m - inside[-1].end_m, p.longest_bare_run_m)]
        gaps += [(y.start_m - x.end_m, p.longest_bare_gap_m) for x, y in pairwise(inside)]
        return sum(gap > longest for gap, longest in gaps)


def drawbacks_at(view: DepartureView, place: int) -> tuple[str, ...]:
    """What is wrong with a place to stand at, in words."""
    return tuple(name for name, has in view.drawbacks.items() if has[place])


def cheapest_plan(search: ChainSearch, most_s: float = np.inf) -> ChainPlan | None:
    """The way of least cost, or None when it would cost more than `most_s`.

    Where no road must be chained for there is nothing to choose. Else best first (A*): a place is looked at in the
    order of what its way has cost and at least will cost yet, so the first way to reach the end is the best, and ways
    that break the order are hardly ever looked at.
    """
    final = search.places_m.size - 1
    now = search.view(0)
    if search.on is None and not any(search.is_required(x) for x in now.stretches):
        run_s = float(now.reach_s[-1])
        cost_s = run_s + sum(search.risk_s(now, place) for place in range(final))
        return ChainPlan(cost_s, (), (0,) * final, (), round(run_s / 60.0))
    left_s = (search.dry_s[-1] - search.dry_s).tolist()
    best: dict[tuple[int, int], float] = {(0, 0): 0.0}
    before: dict[tuple[int, int], tuple[tuple[int, int], _SearchEdge]] = {}
    queue: list[tuple[float, int, int, float]] = [(left_s[0], 0, 0, 0.0)]
    while queue:
        at_least_s, place, minute, cost_s = heappop(queue)
        if at_least_s > most_s:
            return None
        if place == final:
            return _trace_back(before, final, minute, cost_s)
        if cost_s > best[place, minute]:
            continue
        for step in search.edges(place, minute):
            there, cost = (step.to, minute + step.minutes), cost_s + step.cost_s
            if cost < best.get(there, np.inf):
                best[there] = cost
                before[there] = (place, minute), step
                heappush(queue, (cost + left_s[step.to], *there, cost))
    return None


def _trace_back(
    before: Mapping[tuple[int, int], tuple[tuple[int, int], _SearchEdge]], final: int, minute: int, cost_s: float
) -> ChainPlan:
    at, spans, on_minutes, clocks = (final, minute), [], [], [0] * final
    while at in before:
        came_from, step = before[at]
        clocks[came_from[0] : step.to] = [step.clock] * (step.to - came_from[0])
        if step.span is not None:
            spans.append(step.span)
            on_minutes.append(came_from[1])
        at = came_from
    return ChainPlan(cost_s, tuple(reversed(spans)), tuple(clocks), tuple(reversed(on_minutes)), minute)

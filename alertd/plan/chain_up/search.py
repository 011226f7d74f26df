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
NEVER_S: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Road that may need chains: sections first to last, at odds `probability`, slipping unchained at odds `short`.

    parts: how many stretches it joins because there is nowhere to stand between them.
    """

    first: int
    last: int
    parts: int
    start_m: float
    end_m: float
    probability: float
    short: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """The road as one clock meets it, seen from the places, (place,), first the start of the trip, last its end.

    reach_s: seconds from departure, unchained. bare_m: road passed on which chains do not bite. price_s: what not
    having to stand at a place is worth; flaws: why, by name, (place,) each. chained_s: seconds passed with chains on
    under a legal limit; chains: the set for stretches i to j.
    """

    reach_s: Array
    bare_m: Array
    price_s: Array
    flaws: Mapping[str, NDArray[np.bool_]]
    stretches: tuple[Stretch, ...]
    chained_s: Callable[[float | None], Array]
    chains: Callable[[int, int], ChainSet]


class Span(NamedTuple):
    """Chains on from place `on` to place `off`, for stretches that the scene of `decided_on` shows.

    clock: of the scene that the chained run meets. Then what it costs.
    """

    on: int
    off: int
    decided_on: int
    stretches: tuple[Stretch, ...]
    clock: int
    chains: ChainSet
    hang_s: float
    run_s: float
    slow_s: float
    wear_s: float
    price_s: float


class Way(NamedTuple):
    """cost_s: seconds under way, standing and prices. clocks: (place - 1,), the scene met after each place.

    on_minutes: when each span's place to hang is reached; minute: the end of the trip.
    """

    cost_s: float
    spans: tuple[Span, ...]
    clocks: tuple[int, ...]
    on_minutes: tuple[int, ...]
    minute: int


class _Step(NamedTuple):
    """One move of the walk: what it adds, the scene it is run in, and the chained span if it is one."""

    to: int
    minutes: int
    cost_s: float
    clock: int
    span: Span | None


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
class Walk:
    """The choices between places_m, (place,). dry_s: (place,) seconds to them that no way can beat. must: odds from
    which a stretch is never run unchained; never_on: places where chains are not to be hung; may_pass_over: leave out
    stops to which a nearer one, at no higher a price, is to be preferred. on: chains that are on at the first place;
    they stay on to the place where they are taken off."""

    places_m: Array
    dry_s: Array
    scene: Callable[[int], Scene]
    params: PlanParams
    must: float
    never_on: Set[int] = field(default_factory=frozenset)
    may_pass_over: bool = True
    on: ChainsOn | None = None
    _on_time_s: list[float] = field(default_factory=list, init=False)
    _moves: dict[tuple[int, int], tuple[_Step | None, tuple[_Choice, ...]]] = field(default_factory=dict, init=False)
    _runs: dict[tuple[int, int, int, int, int], list[_Step]] = field(default_factory=dict, init=False)
    _prices: dict[int, tuple[Scene, Array, Array]] = field(default_factory=dict, init=False)

    def is_must(self, stretch: Stretch) -> bool:
        return stretch.probability >= self.must

    def clock(self, place: int, minute: int) -> int:
        """Which scene a truck meets that leaves this place so many minutes after departure."""
        if not self._on_time_s:
            self._on_time_s += self.scene(0).reach_s.tolist()
        return max(round((minute * 60.0 - self._on_time_s[place]) / DELAY_STEP_S), 0)

    def steps(self, place: int, minute: int) -> Iterator[_Step]:
        """Every way on from a place: unchained to the next, or chained to any later one."""
        clock = self.clock(place, minute)
        known = self._moves.get((place, clock))
        if known is None:
            if self.on is not None and place == 0:
                known = None, self._while_on(self.on, self.scene(clock))
            else:
                known = self._unchained(place, clock), self._choices(place, clock)
            self._moves[place, clock] = known
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

    def _unchained(self, place: int, clock: int) -> _Step:
        scene = self.scene(clock)
        from_s, to_s = float(scene.reach_s[place]), float(scene.reach_s[place + 1])
        minutes = round(to_s / 60.0) - round(from_s / 60.0)  # so that rounding adds up to no delay over many places
        return _Step(place + 1, minutes, to_s - from_s + self.risk_s(scene, place), clock, None)

    def _choices(self, place: int, clock: int) -> tuple[_Choice, ...]:
        scene = self.scene(clock)
        if not np.isfinite(scene.price_s[place]):
            return ()
        ahead = next((n for n, x in enumerate(scene.stretches) if x.end_m > self.places_m[place]), None)
        if ahead is None or place in self.never_on or (self.may_pass_over and self._passed_over(scene, place, ahead)):
            return ()
        found = []
        for last in range(ahead, len(scene.stretches)):
            # Chains are hung for what needs them; what only may is then worth keeping them on for, or not.
            if any(self.is_must(x) for x in scene.stretches[ahead : last + 1]):
                hang_s = hang_time_s(scene.chains(ahead, last).hanging, self.params)
                offs = tuple(off for off in self._offs(scene, last) if off > place)
                found.append(_Choice(ahead, last, hang_s, offs))
        return tuple(found)

    def _while_on(self, on: ChainsOn, scene: Scene) -> tuple[_Choice, ...]:
        """How far chains that are on stay on: to a place before the first stretch ahead, or past any of them."""
        here_m = float(self.places_m[0])
        ahead = next((n for n, x in enumerate(scene.stretches) if x.end_m > here_m), len(scene.stretches))
        found = []
        for last in range(ahead - 1, len(scene.stretches)):
            offs = tuple(self._offs(scene, last, float(np.nextafter(here_m, np.inf))))
            if offs:
                more_n = len(missing(on, scene.chains(ahead, last))) if last >= ahead else 0
                add_s = self.params.hang_s_per_chain * more_n
                found.append(_Choice(ahead, last, add_s, offs))
        return tuple(found)

    def _chained(self, on: int, off: int, decided_on: int, choice: _Choice, clock: int) -> _Step:
        """Hang chains as chosen in one scene, and run to `off` in the scene that is there when they hang."""
        p, decided, scene = self.params, self.scene(decided_on), self.scene(clock)
        has_on = self.on is not None and on == 0
        chains = decided.chains(choice.first, choice.last) if choice.last >= choice.first else NONE_ASKED
        reach = scene.chained_s(chains.speed_limit_mps)
        run_s = float(reach[off] - reach[on])
        wear_s = p.wear_s_per_m * float(scene.bare_m[off] - scene.bare_m[on])
        price_s = (0.0 if has_on else self.on_price_s(decided, on)) + self.off_price_s(scene, off)
        worn_out_s = WORN_OUT_S * self._worn_out(scene, on, off)
        slow_s = run_s - float(scene.reach_s[off] - scene.reach_s[on])
        stretches = decided.stretches[choice.first : choice.last + 1]
        span = Span(on, off, decided_on, stretches, clock, chains, choice.hang_s, run_s, slow_s, wear_s, price_s)
        takes_s = choice.hang_s + run_s + p.remove_s
        return _Step(off, round(takes_s / 60.0), takes_s + wear_s + price_s + worn_out_s, clock, span)

    def risk_s(self, scene: Scene, place: int) -> float:
        """What running unchained from a place to the next is worth avoiding."""
        p, cost = self.params, 0.0
        a_m, b_m = float(self.places_m[place]), float(self.places_m[place + 1])
        for x in scene.stretches:
            over_m = min(b_m, x.end_m) - max(a_m, x.start_m)
            if over_m <= 0.0:
                continue
            if self.is_must(x):
                cost += UNCHAINED_S_PER_M * over_m + (NEVER_S if b_m >= x.end_m else 0.0)
            else:
                cost += (p.missed_s * x.probability + p.stuck_s * x.short) * over_m / (x.end_m - x.start_m)
        return cost

    def on_price_s(self, scene: Scene, place: int) -> float:
        """The price of hanging chains at a place; more at the very edge of the snow."""
        return float(self._prices_of(scene)[0][place])

    def off_price_s(self, scene: Scene, place: int) -> float:
        """The price of taking chains off at a place."""
        return float(self._prices_of(scene)[1][place])

    def _prices_of(self, scene: Scene) -> tuple[Array, Array]:
        """(place,) prices of hanging chains, and of taking them off."""
        if id(scene) not in self._prices:
            at_m, p = self.places_m[:, None], self.params
            before_m = np.asarray([x.start_m for x in scene.stretches]) - at_m
            past_m = at_m - np.asarray([x.end_m for x in scene.stretches])
            on, off = (np.any((m >= 0.0) & (m < p.stop_clearance_m), axis=1) for m in (before_m, past_m))
            on, off = np.append(False, on[1:]), np.append(off[:-1], False)
            self._prices[id(scene)] = scene, scene.price_s + p.edge_s * on, scene.price_s + p.edge_s * off
        return self._prices[id(scene)][1:]

    def _passed_over(self, scene: Scene, place: int, ahead: int) -> bool:
        """True where another place is nearer to the snow ahead, or less far in it, and costs no more."""
        start_m, at_m = scene.stretches[ahead].start_m, float(self.places_m[place])
        prices_s, _ = self._prices_of(scene)
        if at_m <= start_m:
            last = int(np.searchsorted(self.places_m, start_m, side="right"))
            rivals = range(place + 1, min(last, self.places_m.size - 1))
        else:
            rivals = range(max(int(np.searchsorted(self.places_m, start_m, side="left")), 1), place)
        cheap = np.flatnonzero(prices_s[rivals.start : max(rivals.stop, rivals.start)] <= prices_s[place])
        return any(rivals.start + r not in self.never_on for r in cheap.tolist())

    def _offs(self, scene: Scene, last: int, here_m: float = 0.0) -> list[int]:
        """Places to take chains off between this stretch and the next, and the end of the trip; none before `here_m`.

        last: -1, or that of a stretch behind, for those before the first stretch ahead.
        """
        end_m = max(scene.stretches[last].end_m if last >= 0 else here_m, here_m)
        behind = last + 1 < len(scene.stretches)
        until_m = scene.stretches[last + 1].start_m if behind else np.inf
        found: list[int] = []
        least_s = np.inf
        final = self.places_m.size - 1
        for place in np.flatnonzero((self.places_m >= end_m) & (self.places_m <= until_m)).tolist():
            price_s = self.off_price_s(scene, place)
            if place != final and (price_s < least_s or not self.may_pass_over):
                found.append(place)
                least_s = price_s
        return found if behind else [*found, final]

    def _worn_out(self, scene: Scene, on: int, off: int) -> int:
        """How many bare runs within a chained one are longer than chains bear."""
        a_m, b_m = float(self.places_m[on]), float(self.places_m[off])
        inside = [x for x in scene.stretches if x.end_m >= a_m and x.start_m <= b_m]
        p = self.params
        if not inside:
            return int(self.on is None or on > 0 or b_m - a_m > p.longest_bare_run_m)
        # Chains that are on can come off before the snow, so they bear no more there than between two stretches.
        before_m = p.longest_bare_gap_m if self.on is not None and on == 0 else p.longest_bare_run_m
        gaps = [(inside[0].start_m - a_m, before_m), (b_m - inside[-1].end_m, p.longest_bare_run_m)]
        gaps += [(y.start_m - x.end_m, p.longest_bare_gap_m) for x, y in pairwise(inside)]
        return sum(gap > longest for gap, longest in gaps)


def flaws_at(scene: Scene, place: int) -> tuple[str, ...]:
    """What is wrong with a place to stand at, in words."""
    return tuple(name for name, has in scene.flaws.items() if has[place])


def best_way(walk: Walk, most_s: float = np.inf) -> Way | None:
    """The way of least cost, or None when it would cost more than `most_s`.

    Where no road must be chained for there is nothing to choose. Else best first (A*): a place is looked at in the
    order of what its way has cost and at least will cost yet, so the first way to reach the end is the best, and ways
    that break the order are hardly ever looked at.
    """
    final = walk.places_m.size - 1
    now = walk.scene(0)
    if walk.on is None and not any(walk.is_must(x) for x in now.stretches):
        run_s = float(now.reach_s[-1])
        cost_s = run_s + sum(walk.risk_s(now, place) for place in range(final))
        return Way(cost_s, (), (0,) * final, (), round(run_s / 60.0))
    left_s = (walk.dry_s[-1] - walk.dry_s).tolist()
    best: dict[tuple[int, int], float] = {(0, 0): 0.0}
    before: dict[tuple[int, int], tuple[tuple[int, int], _Step]] = {}
    queue: list[tuple[float, int, int, float]] = [(left_s[0], 0, 0, 0.0)]
    while queue:
        at_least_s, place, minute, cost_s = heappop(queue)
        if at_least_s > most_s:
            return None
        if place == final:
            return _traced(before, final, minute, cost_s)
        if cost_s > best[place, minute]:
            continue
        for step in walk.steps(place, minute):
            there, cost = (step.to, minute + step.minutes), cost_s + step.cost_s
            if cost < best.get(there, np.inf):
                best[there] = cost
                before[there] = (place, minute), step
                heappush(queue, (cost + left_s[step.to], *there, cost))
    return None


def _traced(
    before: Mapping[tuple[int, int], tuple[tuple[int, int], _Step]], final: int, minute: int, cost_s: float
) -> Way:
    at, spans, on_minutes, clocks = (final, minute), [], [], [0] * final
    while at in before:
        came_from, step = before[at]
        clocks[came_from[0] : step.to] = [step.clock] * (step.to - came_from[0])
        if step.span is not None:
            spans.append(step.span)
            on_minutes.append(came_from[1])
        at = came_from
    return Way(cost_s, tuple(reversed(spans)), tuple(clocks), tuple(reversed(on_minutes)), minute)

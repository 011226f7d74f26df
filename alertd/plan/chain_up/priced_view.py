"""Prices the steps of a search in one view: driving on unchained, and the runs with chains that a place allows.

Departures a quarter of an hour apart meet the same views, and each view is priced once for all of them.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import inf
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet, hang_time_s
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.road_view import WORTH_IT, ChainStretch, DepartureView
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.rules.requirements import Hanging
from alertd.rules.rig import Tire

Array: TypeAlias = NDArray[np.float64]

# These are not prices but an order. Wearing chains out on bare road is better than entering a control without them.
# Anything is better than leaving a stretch that needs chains without ever hanging them.
UNCHAINED_S_PER_M: Final = 1e3
WORN_OUT_S: Final = 6e6
INFEASIBLE_S: Final = 1e9

NONE_ASKED: Final = ChainSet(
    hanging=Hanging(tires=(), singles_n=0, singles_used=0, doubles_used=0, singles_short=0, demands=()),
    postings=(),
    speed_limit_mps=None,
    speed_section="",
    barred="",
)


class SearchTerms(NamedTuple):
    """What a search asks of its ways, see `ChainSearch`."""

    required_odds: float
    excluded_stops: frozenset[int] = frozenset()
    prune_dominated: bool = True

    def is_required(self, stretch: ChainStretch) -> bool:
        """True for a stretch that must be driven chained: likely enough, or cheaper to chain for than not."""
        return stretch.probability >= self.required_odds or stretch.worth >= WORTH_IT - SAME_PROBABILITY


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Chains to hang for stretches first to last of a view, and the places to remove them."""

    first: int
    last: int
    chains: ChainSet
    hang_s: float
    offs: tuple[int, ...]


class ChainedRun(NamedTuple):
    """Chains on until place `off` as chosen: whole minutes with hanging and removing, and the cost."""

    off: int
    minutes: int
    cost_s: float
    choice: Choice


def missing(on: ChainsOn, chains: ChainSet) -> tuple[Tire, ...]:
    """Tires that a road requires and the chains on do not cover; none where the chains on are unknown."""
    if on.tires is None or all(any(c <= on.tires for c in d.choices) for d in chains.hanging.demands):
        return ()
    return tuple(t for t in chains.hanging.tires if t not in on.tires)


def _steps(minutes: list[int]) -> list[int]:
    return [b - a for a, b in pairwise(minutes)]


class PricedView:
    """The prices of one view over places_m, (place,), as lists by place.

    reach_s, bare_m: see DepartureView.
    on_price_s, off_price_s: of hanging chains there, higher at the very edge of the snow, and of removing them, s.
    risk_s: price of the risk of driving unchained from each place to the next, s, (place - 1,).
    ride_minutes, ride_cost_s: of that step as a whole.
    may_hang: whether chains may be hung at a place for a stretch ahead.
    """

    def __init__(self, view: DepartureView, places_m: Array, params: PlanParams, terms: SearchTerms) -> None:
        self.view, self.params, self.terms = view, params, terms
        self._at_m: list[float] = places_m.tolist()
        self.reach_s: list[float] = view.reach_s.tolist()
        self.bare_m: list[float] = view.bare_m.tolist()
        self._starts_m, self._ends_m = [x.start_m for x in view.stretches], [x.end_m for x in view.stretches]
        self._long_gaps = self._count_long_gaps()
        self._required = [terms.is_required(x) for x in view.stretches]
        self.on_price_s, self.off_price_s = self._prices()
        self.risk_s = self._risk()
        self.ride_cost_s = [b - a + risk_s for (a, b), risk_s in zip(pairwise(self.reach_s), self.risk_s, strict=True)]
        # Whole minutes from whole minutes, so that rounding causes no delay over many places.
        self.ride_minutes: list[int] = _steps(np.rint(view.reach_s / 60.0).astype(np.int64).tolist())
        self._chained_s: dict[float | None, list[float]] = {}
        self._options: dict[int, tuple[Choice, ...]] = {}
        self._choices: dict[int, tuple[Choice, ...]] = {}
        self._runs: dict[tuple[int, int, int, int], tuple[PricedView, list[ChainedRun]]] = {}
        self._ahead, self.may_hang = self._hanging_places()

    def excluding(self, stops: frozenset[int]) -> "PricedView":
        """The same prices for a search that must not hang chains at these places."""
        other = copy(self)
        other.terms = self.terms._replace(excluded_stops=stops)
        other._ahead, other.may_hang = other._hanging_places()
        return other

    def _prices(self) -> tuple[list[float], list[float]]:
        """(place,) prices of hanging chains, and of removing them, s."""
        price_s: list[float] = self.view.price_s.tolist()
        edge_s, clear_m = self.params.edge_s, self.params.stop_clearance_m
        on_s, off_s, final = price_s.copy(), price_s.copy(), len(price_s) - 1
        for x in self.view.stretches:
            for place in range(bisect_left(self._at_m, x.start_m - clear_m), bisect_right(self._at_m, x.start_m)):
                if place > 0 and 0.0 <= x.start_m - self._at_m[place] < clear_m:
                    on_s[place] = price_s[place] + edge_s
            for place in range(bisect_left(self._at_m, x.end_m), bisect_right(self._at_m, x.end_m + clear_m)):
                if place < final and 0.0 <= self._at_m[place] - x.end_m < clear_m:
                    off_s[place] = price_s[place] + edge_s
        return on_s, off_s

    def _risk(self) -> list[float]:
        at_m = self._at_m
        risk_s = [0.0] * (len(at_m) - 1)
        for x, required in zip(self.view.stretches, self._required, strict=True):
            for n in range(max(bisect_right(at_m, x.start_m) - 1, 0), min(bisect_left(at_m, x.end_m), len(risk_s))):
                over_m = min(at_m[n + 1], x.end_m) - max(at_m[n], x.start_m)
                if over_m <= 0.0:
                    continue
                if required:
                    risk_s[n] += UNCHAINED_S_PER_M * over_m + INFEASIBLE_S * (at_m[n + 1] >= x.end_m)
                else:
                    risk_s[n] += x.loss_s * over_m / (x.end_m - x.start_m)
        return risk_s

    def _hanging_places(self) -> tuple[list[int], list[bool]]:
        """The first stretch ahead of each place, their number for none, and whether chains may be hung there for it.

        A place is no choice where another is nearer to the snow ahead, or less far into it, and costs no more.
        """
        at_m, stretches, prices, excluded = self._at_m, self.view.stretches, self.on_price_s, self.terms.excluded_stops
        n_places, begin = len(at_m), 0
        ahead, may = [len(stretches)] * n_places, [False] * n_places
        for n, x in enumerate(stretches):
            here = range(begin, max(bisect_left(at_m, x.end_m), begin))  # the places behind the last stretch
            begin = here.stop
            if not here:
                continue
            waits_s = self._cheapest_later(n)
            for p in here:
                ahead[p], price_s = n, prices[p]
                may[p] = price_s < inf and p not in excluded and waits_s > max(price_s, self.params.unlisted_s)
            if self.terms.prune_dominated:
                before = range(here.start, min(bisect_right(at_m, x.start_m, here.start, here.stop), n_places - 1))
                self._drop_dominated(before[::-1], may)
                # Places at the very start of the stretch are rivals of those behind it, the first place of all is not.
                inside = range(max(bisect_left(at_m, x.start_m), 1), here.stop)
                self._drop_dominated(inside, may, from_m=x.start_m)
        return ahead, may

    def _drop_dominated(self, order: Sequence[int], may: list[bool], from_m: float = -inf) -> None:
        """Drop each place, beyond `from_m`, that costs no less than one before it in this order."""
        least_s = inf
        for p in order:
            price_s = self.on_price_s[p]
            if self._at_m[p] > from_m:
                may[p] = may[p] and least_s > price_s
            if price_s < least_s and p not in self.terms.excluded_stops:
                least_s = price_s

    def _cheapest_later(self, ahead: int) -> float:
        """Least price of hanging between a stretch that may be run unchained and the first that may not.

        Infinite where there is none. Chains stay on for road that may need them, but nobody hangs them for it and then
        drives on to the storm.
        """
        required = next((n for n in range(ahead, len(self._required)) if self._required[n]), ahead)
        if required == ahead:
            return inf
        from_m, to_m = self.view.stretches[required - 1].end_m, self.view.stretches[required].start_m
        between = range(bisect_left(self._at_m, from_m), bisect_right(self._at_m, to_m))
        fit = [b for b in between if 0 < b < len(self._at_m) - 1 and b not in self.terms.excluded_stops]
        return min((self.on_price_s[b] for b in fit), default=inf)

    def choices(self, place: int) -> tuple[Choice, ...]:
        """The chains that may be hung at a place."""
        if not self.may_hang[place]:
            return ()
        if place not in self._choices:
            found = []
            for x in self._options_from(self._ahead[place]):
                offs = tuple(off for off in x.offs if off > place)
                found.append(x if offs == x.offs else Choice(x.first, x.last, x.chains, x.hang_s, offs))
            self._choices[place] = tuple(found)
        return self._choices[place]

    def _options_from(self, ahead: int) -> tuple[Choice, ...]:
        """The choices of any place before this stretch.

        Only required stretches justify hanging chains; other stretches only decide whether to keep them on.
        """
        if ahead not in self._options:
            found = []
            for last in range(ahead, len(self._required)):
                if any(self._required[ahead : last + 1]):
                    chains = self.view.chains(ahead, last)
                    hang_s = hang_time_s(chains.hanging, self.params)
                    found.append(Choice(ahead, last, chains, hang_s, tuple(self._offs(last))))
            self._options[ahead] = tuple(found)
        return self._options[ahead]

    def while_on(self, on: ChainsOn) -> tuple[Choice, ...]:
        """Choices for chains already on: until a place before the first stretch ahead, or past any of them."""
        ahead, options = self._ahead[0], []
        for last in range(ahead - 1, len(self._required)):
            offs = tuple(self._offs(last, float(np.nextafter(self._at_m[0], np.inf))))
            if offs:
                chains = self.view.chains(ahead, last) if last >= ahead else NONE_ASKED
                more_n = len(missing(on, chains)) if last >= ahead else 0
                options.append(Choice(ahead, last, chains, self.params.hang_s_per_chain * more_n, offs))
        return tuple(options)

    def _offs(self, last: int, here_m: float = 0.0) -> list[int]:
        """Places to remove chains between this stretch and the next, and the end of the trip; none before `here_m`.

        last: index of the stretch, or -1 (or that of a stretch behind) for places before the first stretch ahead.
        """
        stretches = self.view.stretches
        end_m = max(stretches[last].end_m if last >= 0 else here_m, here_m)
        has_next = last + 1 < len(stretches)
        until_m = stretches[last + 1].start_m if has_next else inf
        offs: list[int] = []
        least_s = inf
        final = len(self._at_m) - 1
        for place in range(bisect_left(self._at_m, end_m), bisect_right(self._at_m, until_m)):
            price_s = self.off_price_s[place]
            if place != final and (price_s < least_s or not self.terms.prune_dominated):
                offs.append(place)
                least_s = price_s
        return offs if has_next else [*offs, final]

    def runs(self, place: int, choice: Choice, then: "PricedView", on: ChainsOn | None = None) -> list[ChainedRun]:
        """The runs of a choice at a place, with chains chosen in this view and driven in the view `then`.

        on: chains already on at this place.
        """
        if on is not None:
            return [self._run(place, off, choice, then, on) for off in choice.offs]
        key = place, choice.first, choice.last, id(then.view)  # the same whatever stops are excluded
        if key not in self._runs:
            self._runs[key] = then, [self._run(place, off, choice, then, None) for off in choice.offs]
        return self._runs[key][1]

    def _run(self, on: int, off: int, choice: Choice, then: "PricedView", has_on: ChainsOn | None) -> ChainedRun:
        p = self.params
        run_s = then.chained_s(choice.chains.speed_limit_mps, on, off)
        wear_s = p.wear_s_per_m * (then.bare_m[off] - then.bare_m[on])
        price_s = (0.0 if has_on is not None else self.on_price_s[on]) + then.off_price_s[off]
        worn_out_s = WORN_OUT_S * then.worn_out(on, off, has_on)
        takes_s = choice.hang_s + run_s + p.remove_s
        return ChainedRun(off, round(takes_s / 60.0), takes_s + wear_s + price_s + worn_out_s, choice)

    def chained_s(self, limit_mps: float | None, on: int, off: int) -> float:
        """Seconds from one place to another with chains on, under a legal limit."""
        if limit_mps not in self._chained_s:
            self._chained_s[limit_mps] = self.view.chained_s(limit_mps).tolist()
        reach_s = self._chained_s[limit_mps]
        return reach_s[off] - reach_s[on]

    def worn_out(self, on: int, off: int, has_on: ChainsOn | None) -> int:
        """Number of runs within a chained run with more bare road than chains can endure."""
        a_m, b_m, bare_a_m, bare_b_m = self._at_m[on], self._at_m[off], self.bare_m[on], self.bare_m[off]
        first, past = bisect_left(self._ends_m, a_m), bisect_right(self._starts_m, b_m)
        most_m = self.params.longest_bare_run_m
        if first >= past:
            return int(has_on is None or bare_b_m - bare_a_m > most_m)
        ahead, last = self.view.stretches[first], self.view.stretches[past - 1]
        worn = self._long_gaps[past - 1] - self._long_gaps[first]
        worn += ahead.bare_from_m - bare_a_m > _longest_before_m(ahead, has_on, self.params)
        return worn + (bare_b_m - last.bare_to_m > most_m)

    def _count_long_gaps(self) -> list[int]:
        """Number of gaps before each stretch that chains cannot endure, from the first stretch on."""
        gaps = (b.bare_from_m - a.bare_to_m > self.params.longest_bare_gap_m for a, b in pairwise(self.view.stretches))
        return [0, *accumulate(map(int, gaps))]


def _longest_before_m(stretch: ChainStretch, on: ChainsOn | None, p: PlanParams) -> float:
    """Longest bare run from a place to the first stretch ahead of it, m.

    Chains already on can come off before the snow, so the limit there is the one between two stretches. But chains
    that a plan may have had hung for this stretch stay on, or it would ask to remove them where it asked for them.
    """
    if on is None:
        return p.longest_bare_run_m
    hung_for_it = on.hung_m is not None and stretch.start_m - on.hung_m <= p.longest_bare_run_m
    return p.longest_bare_run_m if hung_for_it else p.longest_bare_gap_m

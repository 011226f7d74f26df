"""The values that a search for chain stops works on: stretches that may need chains, and the road at one departure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet

Array: TypeAlias = NDArray[np.float64]

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

"""Scores probabilities against what happened, with a confidence that respects that days in a row are alike.

Weather of one storm lasts for days, so cases of one day are one piece of evidence. The confidence comes from a
bootstrap of whole blocks of days (Künsch 1989, Ann. Statist. 17, 1217; Wilks 2011, Statistical Methods in the
Atmospheric Sciences, chapter 5). Blocks are drawn with replacement, and each score is computed from the drawn blocks.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.verification import Array, BrierParts, Reliability, brier, reliability

BLOCK_DAYS: Final = 3  # [A] a storm and the cold after it last two to three days
DRAWS: Final = 2000
LEVEL: Final = 0.90  # [A] of the intervals, as in the guide
LEAST_BLOCKS: Final = 5  # [A] an interval from fewer blocks is not given


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProbabilityCases:
    """Forecasts of one event and what happened, (case,) each.

    prob_frac: 0-1. happened: true or false. before: whether the event was seen when the forecast was made, 0 or 1, NaN
    where not known. day: whole days since any date. place: number of the place.
    """

    prob_frac: Array
    happened: NDArray[np.bool_]
    before: Array
    day: NDArray[np.int64]
    place: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A figure and its 90 % range; low and high are NaN with too few blocks."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockScore:
    """Scores of one event at one lead time. parts and bins are None without a case.

    climatology_skill: 1 - Brier / Brier of the event's share on all other blocks at the same place.
    persistence_skill: 1 - Brier / Brier of what was seen when the forecast was made, over cases where that is known.
    """

    cases_n: int
    happened_n: int
    blocks_n: int
    brier: Interval
    climatology_skill: Interval
    persistence_skill: Interval
    persistence_n: int
    parts: BrierParts | None
    bins: Reliability | None


def score_blocks(cases: ProbabilityCases, *, block_days: int = BLOCK_DAYS, draws: int = DRAWS) -> BlockScore:
    """Brier score, skill and reliability with intervals by blocks of days; the draws come from a fixed seed.

    Raises ValueError for probabilities outside 0 to 1 or arrays of different shapes.
    """
    block, of_case = np.unique(cases.day // block_days, return_inverse=True)
    of_case = of_case.reshape(-1)
    happened = cases.happened.astype(np.float64)
    error = (cases.prob_frac - happened) ** 2
    usual = (share_elsewhere(happened, of_case, cases.place) - happened) ** 2
    stayed = (cases.before - happened) ** 2
    rng = np.random.default_rng(1)
    weight = (
        rng.multinomial(block.size, np.full(block.size, 1.0 / block.size), draws) if block.size else np.ones((1, 0))
    )

    def sums(values: Array, known: NDArray[np.bool_]) -> Array:
        return np.bincount(of_case[known], values[known], block.size).astype(np.float64)

    def interval(top: Array, bottom: Array, as_skill: bool) -> Interval:
        with np.errstate(invalid="ignore", divide="ignore"):
            value = top.sum() / bottom.sum()
            drawn = (weight @ top) / (weight @ bottom)
        if as_skill:
            value, drawn = 1.0 - value, 1.0 - drawn
        drawn = drawn[np.isfinite(drawn)]
        if block.size < LEAST_BLOCKS or not drawn.size:
            return Interval(value=float(value), low=np.nan, high=np.nan)
        low, high = np.quantile(drawn, (0.5 - LEVEL / 2.0, 0.5 + LEVEL / 2.0))
        return Interval(value=float(value), low=float(low), high=float(high))

    every, known, seen = np.ones(error.shape, dtype=np.bool_), np.isfinite(usual), np.isfinite(stayed)
    return BlockScore(
        cases_n=int(error.size),
        happened_n=int(cases.happened.sum()),
        blocks_n=int(block.size),
        brier=interval(sums(error, every), sums(np.ones(error.shape), every), False),
        climatology_skill=interval(sums(error, known), sums(usual, known), True),
        persistence_skill=interval(sums(error, seen), sums(stayed, seen), True),
        persistence_n=int(seen.sum()),
        parts=brier(cases.prob_frac, cases.happened) if error.size else None,
        bins=reliability(cases.prob_frac, cases.happened) if error.size else None,
    )


def share_elsewhere(happened: Array, block: NDArray[np.int64], place: NDArray[np.int64]) -> Array:
    """(case,): share of the event at the same place in all other blocks; NaN without any other block there.

    A share that contains the scored day itself would flatter the climatology.
    """
    if not happened.size:
        return happened.copy()
    _, at_place = np.unique(place, return_inverse=True)
    both, pair = np.unique(np.stack([at_place.reshape(-1), block]), axis=1, return_inverse=True)
    pair = pair.reshape(-1)
    own_sum, own_n = np.bincount(pair, happened), np.bincount(pair).astype(np.float64)
    place_sum, place_n = np.bincount(both[0], own_sum), np.bincount(both[0], own_n)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (place_sum[both[0]] - own_sum) / (place_n[both[0]] - own_n)
    return np.asarray(share[pair])

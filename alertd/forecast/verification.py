"""Computes the usual scores of yes-no forecasts from pairs of forecast and outcome arrays.

Notes
-----
Murphy 1973 (J. Appl. Meteor. 12, 595-600) splits the Brier score into reliability - resolution + uncertainty. The split
is exact only where all forecasts of a bin are the same. The remainder from forecasts that vary inside their bins is
given separately (Stephenson, Coelho and Jolliffe 2008, Wea. Forecasting 23, 752-757, call its two parts the within-bin
variance and covariance). Contingency scores follow Jolliffe and Stephenson 2012, Forecast Verification, chapter 3.
"""

from dataclasses import dataclass
from math import nan, sqrt
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array: TypeAlias = NDArray[np.float64]

TENTHS: Final = 10
_Z90: Final = 1.6449  # standard normal quantile, 5 % beyond it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reliability:
    """Reliability by bin, arrays (bin,); mean_prob_frac and happened_frac are NaN in an empty bin.

    low_frac, high_frac: range that would contain the observed share nine times out of ten if the forecasts were
        reliable.
    """

    edge_frac: Array
    count: NDArray[np.int64]
    mean_prob_frac: Array
    happened_frac: Array
    low_frac: Array
    high_frac: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class BrierParts:
    """The Brier score and its parts: score = reliability - resolution + uncertainty + within_bins.

    skill: 1 - score / uncertainty, NaN without uncertainty.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bins: float
    skill: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contingency:
    """Counts of yes-no forecasts and their scores; a score is NaN without the events that it divides by."""

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int

    @property
    def pod(self) -> float:
        """Probability of detection: the forecast share of the events."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def far(self) -> float:
        """False alarm ratio: the share of forecast events that did not happen."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def csi(self) -> float:
        """Critical success index: hits over all events that were forecast or happened."""
        return _ratio(self.hits, self.hits + self.false_alarms + self.misses)

    @property
    def bias(self) -> float:
        """Number of forecast events over number of events."""
        return _ratio(self.hits + self.false_alarms, self.hits + self.misses)


def contingency(forecast: ArrayLike, happened: ArrayLike) -> Contingency:
    """Counts from two boolean arrays of the same shape. Raises ValueError for different shapes."""
    f, h = np.asarray(forecast, dtype=np.bool_), np.asarray(happened, dtype=np.bool_)
    _same_shape(f, h)
    return Contingency(
        hits=int((f & h).sum()),
        false_alarms=int((f & ~h).sum()),
        misses=int((~f & h).sum()),
        correct_negatives=int((~f & ~h).sum()),
    )


def reliability(prob_frac: ArrayLike, happened: ArrayLike, bins_n: int = TENTHS) -> Reliability:
    """Forecast probabilities (0 to 1) in even bins against the observed frequency of the event.

    Pairs with a NaN probability are omitted. Raises ValueError for different shapes or values outside 0 to 1.
    """
    p, h = _pairs(prob_frac, happened)
    edge = np.linspace(0.0, 1.0, bins_n + 1)
    at = _bin_of(p, bins_n)
    count = np.bincount(at, minlength=bins_n)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(at, p, bins_n) / count
        share = np.bincount(at, h, bins_n) / count
    spread = np.array([_Z90 * sqrt(m * (1.0 - m) / n) if n else nan for m, n in zip(mean, count, strict=True)])
    return Reliability(
        edge_frac=edge,
        count=count.astype(np.int64),
        mean_prob_frac=mean,
        happened_frac=share,
        low_frac=np.clip(mean - spread, 0.0, 1.0),
        high_frac=np.clip(mean + spread, 0.0, 1.0),
    )


def brier(prob_frac: ArrayLike, happened: ArrayLike, bins_n: int = TENTHS) -> BrierParts:
    """The Brier score and its parts by the same bins. Raises as `reliability`, and ValueError without any pair."""
    p, h = _pairs(prob_frac, happened)
    if not p.size:
        raise ValueError("no forecast to score")
    at, base = _bin_of(p, bins_n), float(h.mean())
    count = np.bincount(at, minlength=bins_n)
    mean, share = (np.bincount(at, x, bins_n) / np.maximum(count, 1) for x in (p, h))
    score = float(np.mean((p - h) ** 2))
    reliable = float(np.sum(count * (mean - share) ** 2) / p.size)
    resolved = float(np.sum(count * (share - base) ** 2) / p.size)
    uncertain = base * (1.0 - base)
    return BrierParts(
        score=score,
        reliability=reliable,
        resolution=resolved,
        uncertainty=uncertain,
        within_bins=score - (reliable - resolved + uncertain),
        skill=1.0 - score / uncertain if uncertain > 0.0 else nan,
    )


def _pairs(prob_frac: ArrayLike, happened: ArrayLike) -> tuple[Array, Array]:
    p, h = np.asarray(prob_frac, dtype=np.float64), np.asarray(happened, dtype=np.float64)
    _same_shape(p, h)
    known = ~np.isnan(p)
    p, h = p[known], h[known]
    if p.size and not (p.min() >= 0.0 and p.max() <= 1.0 and np.isin(h, (0.0, 1.0)).all()):
        raise ValueError("probabilities must be within 0 to 1, and what happened true or false")
    return p, h


def _bin_of(p: Array, bins_n: int) -> NDArray[np.int64]:
    return np.minimum((p * bins_n).astype(np.int64), bins_n - 1)


def _same_shape(a: NDArray[np.generic], b: NDArray[np.generic]) -> None:
    if a.shape != b.shape:
        raise ValueError(f"forecasts have shape {a.shape}, what happened {b.shape}")


def _ratio(part: int, whole: int) -> float:
    return part / whole if whole else nan

"""Refits OUR ESTIMATE of postings to records: a coefficient for the habit of each zone, one for each level.

Both shift the log odds of the estimate: logit(posted) = logit(estimate) + u(zone) + theta(level). The odds of a lasting
state are in proportion to its rate of posting, so u is the zone's own `u` of `posting.hazard`; theta is the threshold
of a level. The coefficients are the most probable ones (Newton's method) under normal priors with a mean of 0: few
records leave them near 0.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.rules.posting.hazard import HABIT_SIGMA

Array: TypeAlias = NDArray[np.float64]

LEVEL_SIGMA: Final = 0.7  # [A] spread of thetas; no figure is published, so as wide as that of the habits
EDGE: Final = 0.005  # an estimate is never more certain than this
STEPS_N: Final = 50
CONVERGED: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingRecord:
    """One estimate that a level is posted, made before it was known, and what was found.

    day: local date; the records of one day, zone and level count as one, because one storm caused them.
    """

    zone: str
    level: str
    day: str
    probability: float
    posted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """A fitted shift of the log odds. sigma: its standard deviation. days_n: days of records behind it."""

    name: str
    value: float
    sigma: float
    days_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingFit:
    """Coefficients by name, and the log likelihood per day before and after; both estimates."""

    zones: tuple[Coefficient, ...]
    levels: tuple[Coefficient, ...]
    days_n: int
    before: float
    after: float


def fit_posting(records: Sequence[PostingRecord]) -> PostingFit:
    """Fit the coefficients of every zone and level in the records."""
    zones, levels = sorted({r.zone for r in records}), sorted({r.level for r in records})
    storms = Counter((r.zone, r.level, r.day) for r in records)
    weight = np.asarray([1.0 / storms[r.zone, r.level, r.day] for r in records])
    p = np.clip(np.asarray([r.probability for r in records], dtype=np.float64), EDGE, 1.0 - EDGE)
    offset, posted = np.log(p / (1.0 - p)), np.asarray([r.posted for r in records], dtype=np.float64)
    design = np.zeros((len(records), len(zones) + len(levels)))
    for n, r in enumerate(records):
        design[n, zones.index(r.zone)] = design[n, len(zones) + levels.index(r.level)] = 1.0
    precision = np.asarray([HABIT_SIGMA**-2.0] * len(zones) + [LEVEL_SIGMA**-2.0] * len(levels))
    value, curvature = _most_probable(design, offset, posted, weight, precision)
    sigma = np.sqrt(np.diag(np.linalg.inv(curvature))) if value.size else value
    days_n = len({r.day for r in records})
    total = weight.sum() or 1.0

    def coefficients(names: list[str], first: int, of: list[str]) -> tuple[Coefficient, ...]:
        return tuple(
            Coefficient(
                name=name,
                value=float(value[first + n]),
                sigma=float(sigma[first + n]),
                days_n=len({r.day for r, own in zip(records, of, strict=True) if own == name}),
            )
            for n, name in enumerate(names)
        )

    return PostingFit(
        zones=coefficients(zones, 0, [r.zone for r in records]),
        levels=coefficients(levels, len(zones), [r.level for r in records]),
        days_n=days_n,
        before=_likelihood(offset, posted, weight) / total,
        after=_likelihood(offset + design @ value, posted, weight) / total,
    )


def shifted(probability: float, shift: float) -> float:
    """A probability with its log odds shifted by a coefficient."""
    odds = probability * np.exp(shift)
    return float(odds / (1.0 - probability + odds))


def _most_probable(design: Array, offset: Array, posted: Array, weight: Array, precision: Array) -> tuple[Array, Array]:
    """Coefficients of the logistic regression with normal priors, and the curvature there. The problem is convex."""
    value = np.zeros(design.shape[1])
    curvature = np.diag(precision)
    for _ in range(STEPS_N):
        expected = 1.0 / (1.0 + np.exp(-(offset + design @ value)))
        slope = design.T @ (weight * (posted - expected)) - precision * value
        curvature = (design.T * (weight * expected * (1.0 - expected))) @ design + np.diag(precision)
        step = np.linalg.solve(curvature, slope)
        value = value + np.clip(step, -1.0, 1.0)
        if np.abs(step).max(initial=0.0) < CONVERGED:
            break
    return value, curvature


def _likelihood(log_odds: Array, posted: Array, weight: Array) -> float:
    return float(-(weight * np.logaddexp(0.0, np.where(posted > 0.0, -log_odds, log_odds))).sum())

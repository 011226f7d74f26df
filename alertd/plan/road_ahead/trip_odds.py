"""Computes the probability that a trip needs chains anywhere, from controls that are posted apart and correlate.

Each pass has one posting state in each land that it lies in. In one member, which is one storm, a state is posted where
a normal variable of its own falls below the quantile of its probability. These variables correlate by PASS within a
pass and by STORM between passes [A]: an authority that posted one pass has crews, traffic and habits like the next.

Integrals over the common parts are sums over nodes of Gauss and Hermite, so no draw decides.
"""

from functools import lru_cache
from statistics import NormalDist
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.road_ahead.chain_need import LawSpan
from alertd.plan.road_ahead.control_zones import ZonesOfSections
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.sections import Sections

Array: TypeAlias = NDArray[np.float64]

STORM: Final = 0.4
PASS: Final = 0.7
_NODES_N: Final = 7
_STEPS: Final = 400  # of the probability in the tables


class _Runs(NamedTuple):
    """Runs of sections in one land and of one pass: the first section of each, (run,), and the pass of each, (run,)."""

    first: NDArray[np.intp]
    pass_of: NDArray[np.intp]


def trip_odds(hourly_need: HourlyNeed, need: NDArray[np.floating]) -> Array:
    """Probability that chains are needed anywhere, (...,).

    need: probability in each member and section, (..., member, section). It rises with each of them, and is never below
    the mean over members of the largest.
    """
    runs = _runs(hourly_need.sections, hourly_need.posting.zones, hourly_need.laws)
    largest = np.maximum.reduceat(need, runs.first, axis=-1)  # (..., member, run)
    anywhere = largest.max(axis=-1)
    apart = (largest > 0.0).sum(axis=-1) > 1
    if not apart.any():
        return np.asarray(anywhere.mean(axis=-1, dtype=np.float64))
    joint = np.asarray(anywhere, dtype=np.float64)
    joint[apart] = np.maximum(joint[apart], any_of(largest[apart], runs.pass_of))
    return np.asarray(joint.mean(axis=-1))


def any_of(probability: NDArray[np.floating], pass_of: NDArray[np.intp]) -> Array:
    """Probability that any of several posting states is posted, (case,).

    probability: of each state, (case, state). pass_of: pass of each state, (state,).
    """
    at = np.clip(np.asarray(probability, dtype=np.float64), 0.0, 1.0) * _STEPS
    low = np.minimum(at.astype(np.intp), _STEPS - 1)
    part = (at - low)[..., None]
    of_one, of_several = _tables()
    none = np.ones((at.shape[0], _NODES_N))
    for n in np.unique(pass_of):
        states = np.flatnonzero(pass_of == n)
        if states.size == 1:
            i = low[:, states[0]]
            none *= of_one[i] + (of_one[i + 1] - of_one[i]) * part[:, states[0]]
            continue
        beside = np.ones((at.shape[0], _NODES_N, _NODES_N))
        for state in states.tolist():
            i = low[:, state]
            beside *= of_several[i] + (of_several[i + 1] - of_several[i]) * part[:, state, :, None]
        none *= beside @ _weights()
    return np.asarray(1.0 - none @ _weights())


@lru_cache(maxsize=32)
def _runs(sections: Sections, zones: ZonesOfSections, laws: tuple[LawSpan, ...]) -> _Runs:
    land = np.zeros(sections.count, dtype=np.intp)
    for n, law in enumerate(laws):
        land[law.at] = n
    passes = [0.5 * (z.start_m + z.end_m) for z in zones.zones if z.is_pass] or [0.0]
    # Level road counts with the nearest pass: its parts are our own division and not the authority's.
    nearest = np.abs(sections.middle_m[:, None] - np.asarray(passes)).argmin(axis=1)
    of_zone = np.cumsum([z.is_pass for z in zones.zones]) - 1
    on_pass = np.asarray([z.is_pass for z in zones.zones])[zones.zone_of]
    pass_of = np.where(on_pass, of_zone[zones.zone_of], nearest)
    first = np.flatnonzero((np.diff(pass_of, prepend=-1) != 0) | (np.diff(land, prepend=-1) != 0))
    return _Runs(first=first, pass_of=pass_of[first])


@lru_cache(maxsize=1)
def _weights() -> Array:
    return np.asarray(np.polynomial.hermite_e.hermegauss(_NODES_N)[1] / np.sqrt(2.0 * np.pi))


@lru_cache(maxsize=1)
def _tables() -> tuple[Array, Array]:
    """Probability that a state is not posted: (step, storm node), and (step, storm node, pass node)."""
    nodes, normal = np.polynomial.hermite_e.hermegauss(_NODES_N)[0], NormalDist()
    limit = [normal.inv_cdf(n / _STEPS) for n in range(1, _STEPS)]
    common = np.sqrt(STORM) * nodes[:, None] + np.sqrt(PASS - STORM) * nodes[None, :]
    own = (np.asarray(limit)[:, None, None] - common) / np.sqrt(1.0 - PASS)
    inner = 1.0 - np.vectorize(normal.cdf)(own)
    both = np.concatenate((np.ones((1, *common.shape)), inner, np.zeros((1, *common.shape))))
    return np.asarray(both @ _weights()), both

"""How much each source counts: its weight by skill and age, and the members that make it count so much."""

from collections.abc import Sequence
from math import floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.series import Array

AGE_STEP_H: Final = 6.0  # two issues of the large global models


def age_weight(overdue_h: float) -> float:
    """1 for an issue up to six hours old, then half as much with every six hours more; see `Credit.overdue_h`.

    Without a source but that older forecasts are worse. In steps, so that the members of a source, and with them the
    road's state, stay what they are from one planning to the next.
    """
    return float(0.5 ** floor(max(overdue_h, 0.0) / AGE_STEP_H))


def member_counts(weights: Sequence[float] | Array, total: int) -> NDArray[np.intp]:
    """(source,) members that sum to `total`, in the ratio of the weights, at least one each.

    By largest remainder: each source gets its share rounded down, one at least, and what is left goes one by one to
    whoever is farthest below its share, the first of equals; what the least of one took too much comes from whoever is
    farthest above. Equal weights that divide the total give equal counts. Raises ValueError for fewer members than
    sources, or a weight that is not above zero.
    """
    weight = np.asarray(weights, dtype=np.float64)
    if weight.size == 0 or total < weight.size or not (np.isfinite(weight) & (weight > 0.0)).all():
        raise ValueError("members need a source each, and weights above zero")
    share = total * (weight / weight.sum())
    count: NDArray[np.intp] = np.maximum(np.floor(share + 1e-9), 1.0).astype(
        np.intp
    )  # a share of 31 must not be 30.999...
    while count.sum() < total:
        count[np.argmax(share - count)] += 1
    while count.sum() > total:
        count[np.argmax(np.where(count > 1, count - share, -np.inf))] -= 1
    return count

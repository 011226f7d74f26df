"""Which labels of the search for rests can be dropped, because another one is no worse in anything."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.labels import BETTER, Col, Labels

BLOCK: Final = 256  # labels compared at once
_COUNTS: Final = (Col.SHORT_LEFT, Col.SPLIT, Col.HALF, Col.LONG_LEFT, Col.REDUCED_LEFT)  # not minutes that may differ


def undominated(labels: Labels, own: Sequence[Col], *, same_time: bool, most: int | None) -> NDArray[np.intp]:
    """Indices of the labels that no other one dominates in the columns `own`.

    same_time: only labels of the same minute are compared. most: beyond so many, labels that differ by minutes count
    as one.
    """
    order = np.lexsort((labels[:, Col.DRIVEN], labels[:, Col.PRICE], labels[:, Col.TIME]))
    if most is not None and order.size > most:
        order = _coarse(labels, order, own, most)
    signed = np.ascontiguousarray((labels[order][:, own] * BETTER[own]).T.astype(np.int32))
    split = labels[order, Col.SPLIT].astype(np.int32)
    equal_in = own.index(Col.TIME) if same_time else -1
    alive_before = np.zeros(0, dtype=np.intp)  # indices into `order`
    for begin in range(0, order.size, BLOCK):
        block = np.arange(begin, min(begin + BLOCK, order.size))
        rivals = np.concatenate((alive_before, block))
        beats = split[rivals][:, None] == split[block][None, :]
        equal = beats.copy()
        for n, values in enumerate(signed):
            a, b = values[rivals][:, None], values[block][None, :]
            beats &= (a == b) if n == equal_in else (a <= b)
            equal &= a == b
        beats &= ~equal | (rivals[:, None] < block[None, :])  # of equal labels the first stays
        alive = block[~beats.any(axis=0)]
        alive_before = np.concatenate((alive_before, alive))
    return np.asarray(order[alive_before])


def _coarse(labels: Labels, order: NDArray[np.intp], own: Sequence[Col], most: int) -> NDArray[np.intp]:
    """One label, the cheapest, of those whose minutes agree, to the quarter hour or as coarsely as it takes."""
    minutes = [c for c in own if c not in (Col.PRICE, *_COUNTS)]
    by_cost = order[np.argsort(labels[order, Col.TIME] + labels[order, Col.PRICE], kind="stable")]
    for step in (15, 30, 60, 120):
        keys = np.concatenate((labels[by_cost][:, minutes] // step, labels[by_cost][:, _COUNTS]), axis=1)
        _, first = np.unique(keys, axis=0, return_index=True)
        if first.size <= most:
            break
    kept = by_cost[first]
    return np.asarray(kept[np.lexsort((labels[kept, Col.DRIVEN], labels[kept, Col.PRICE], labels[kept, Col.TIME]))])

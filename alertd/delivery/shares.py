"""Which worker sends on which channel.

A channel has one sender at a time, so that its circuit breaker, its pauses and its pace stay those of one process.
"""

from collections import Counter
from collections.abc import Iterable, Mapping


def share_channels(channels: Iterable[str], workers: Iterable[str], given: Mapping[str, str]) -> dict[str, str]:
    """Return the worker of each channel; without workers nothing.

    `given`: the present workers. A channel stays with its worker, unless that has two more than another one: a new
    sender knows the channel's state, but not its pauses.
    """
    living = sorted(workers)
    if not living:
        return {}
    wanted = sorted(channels)
    shared = {target: given[target] for target in wanted if given.get(target) in living}
    held = Counter(dict.fromkeys(living, 0) | Counter(shared.values()))
    for target in wanted:
        if target not in shared:
            shared[target] = _least(held)
            held[shared[target]] += 1
    for target, owner in list(shared.items()):
        other = _least(held)
        if held[owner] - held[other] >= 2:
            shared[target] = other
            held[owner] -= 1
            held[other] += 1
    return shared


def _least(held: Mapping[str, int]) -> str:
    return min(sorted(held), key=held.__getitem__)

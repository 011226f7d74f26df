"""Results of costly pure functions, kept within one process: many tests plan the same road.

A result is keyed by the content of every argument, so a changed input is computed.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import fields
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar

import numpy as np

from alertd.forecast.model import Forecast
from alertd.road.corridor import MemberQuantiles, RoadCells

P = ParamSpec("P")
R = TypeVar("R")
KEPT: Final = 6  # a road field of the demo takes about 15 MB


def once(function: Callable[P, R], key: Callable[P, Hashable | None], kept_n: int = KEPT) -> Callable[P, R]:
    """Return `function` with its last `kept_n` results kept by `key`; a key of None is computed each time."""
    kept: OrderedDict[Hashable, R] = OrderedDict()

    def computed_once(*args: P.args, **kwargs: P.kwargs) -> R:
        found = key(*args, **kwargs)
        if found is None:
            return function(*args, **kwargs)
        if found not in kept:
            kept[found] = function(*args, **kwargs)
        kept.move_to_end(found)
        while len(kept) > kept_n:
            kept.popitem(last=False)
        return kept[found]

    return computed_once


def corridor_key(forecast: Forecast, cells: RoadCells, **options: Any) -> Hashable | None:
    """Return the content of the arguments of `run_corridor`; None for a run from a previous field or a generator."""
    quantiles: MemberQuantiles | None = options.pop("quantiles", None)
    if quantiles is None or options.pop("previous", None) is not None or options.pop("rng", None) is not None:
        return None
    options.pop("changed", None)
    whole = blake2b(digest_size=16)
    for value in (forecast, cells, quantiles):
        for field in fields(value):
            part = getattr(value, field.name)
            if isinstance(part, np.ndarray):
                whole.update(f"{field.name} {part.shape} {part.dtype}".encode())
                whole.update(np.ascontiguousarray(part).tobytes())
            else:
                whole.update(f"{field.name} {part!r}".encode())
    return whole.digest(), repr(sorted(options.items()))


def folder_key(folder: Path) -> Hashable | None:
    """Return the names and contents of the TOML files of a folder."""
    return files_key(*sorted(folder.glob("*.toml")))


def files_key(*paths: Path) -> Hashable | None:
    """Return the names and contents of files; None where there are none or one cannot be read."""
    try:
        return tuple((path.name, path.read_bytes()) for path in paths) or None
    except OSError:
        return None


def file_key(path: Path, **options: object) -> Hashable | None:
    """Return the name and content of a file; None where it cannot be read, or with options."""
    try:
        return None if options else (path, path.read_bytes())
    except OSError:
        return None

"""Compare the search for rests on long roads with one that drops no label for being near another, and with the plan.

    nice python -m tests.benchmarks.rest_search [--roads NAME,...] [--skies NAME,...]

A row has the cost of both searches with the same stands and waits on offer, in minutes, and the minutes to the end by
the search and by the solution with its rests. The second search compares labels of the same minute only, so that it is
exact, and takes up to minutes; it is bounded by the cost of the first.
"""

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.dominance import undominated
from alertd.plan.days.labels import Labels
from alertd.plan.days.naive import best_plan
from alertd.plan.days.search import RestSearch
from alertd.plan.drive import plan_drive
from tests.acceptance.test_long_trips import ROADS, SKIES, request_of


@dataclass
class ExactSearch(RestSearch):
    """The search without approximations, on the same choices."""

    def _undominated(self, labels: Labels) -> NDArray[np.intp]:
        return undominated(labels, self._compared, same_time=True, most=None)


def row(name: str, sky: str) -> str:
    """One road under one sky."""
    with tempfile.TemporaryDirectory() as folder:
        days = plan_drive(request_of(ROADS[name], sky, Path(folder))).days
    if days is None:
        return f"{name:30} {sky:12} no night needed"
    search = days.trip.search
    begun = time.process_time()
    quick = best_plan(search)
    quick_s = time.process_time() - begun
    if quick is None:
        return f"{name:30} {sky:12} no legal way"
    fields = {k: v for k, v in vars(search).items() if not k.startswith("_") and k in RestSearch.__dataclass_fields__}
    begun = time.process_time()
    exact = replace(ExactSearch(**fields), bound=quick.cost).best()
    exact_s = time.process_time() - begun
    if exact is None:
        raise SystemExit(f"{name}, {sky}: the exact search finds nothing within the cost of the quick one")
    end_s = float(days.solution.reach_s(days.solution.sections.route.length_m))
    return (
        f"{name:30} {sky:12} {search.table.places:4} places  {quick.cost:6.0f} in {quick_s:4.1f} s  "
        f"exact {exact.cost:6.0f} in {exact_s:6.1f} s  apart {100.0 * (quick.cost / exact.cost - 1.0):5.2f} %  "
        f"end {days.rests.minutes:5} min by the search, {end_s / 60.0:7.1f} min by the plan"
    )


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--roads", default=",".join(ROADS))
    parser.add_argument("--skies", default=",".join(SKIES))
    args = parser.parse_args()
    for name in args.roads.split(","):
        for sky in args.skies.split(","):
            print(row(name, sky), flush=True)


if __name__ == "__main__":
    main()

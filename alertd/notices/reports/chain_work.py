"""Assigns reports that work on chains has begun to the periods of chains on that they belong to."""

from collections.abc import Sequence
from dataclasses import dataclass

from alertd.notices.reports.chain_log import HANGING_FOR, ChainReport


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkBegun:
    """When the work before chains on, and that before chains off, began.

    repeats: further reports of the same, in order of time.
    """

    hanging: ChainReport | None = None
    removing: ChainReport | None = None
    repeats: tuple[ChainReport, ...] = ()


def begun_of(
    pairs: Sequence[tuple[ChainReport | None, ChainReport | None, tuple[ChainReport, ...]]],
    begun: Sequence[ChainReport],
) -> tuple[list[WorkBegun], list[WorkBegun]]:
    """Return the begin of work for each pair of reports in order, and work that has no pair.

    Work belongs to the first end of its kind that follows within `HANGING_FOR`; the first report of its begin counts,
    because a driver who takes a break taps again. A report without an end is never left out.
    """
    of_pair: list[list[ChainReport]] = [[] for _ in pairs]
    alone: list[list[ChainReport]] = []
    for report in sorted(begun, key=lambda r: (r.at, r.id)):
        ends = [on if report.on else off for on, off, _ in pairs]
        there = [(end.at, n) for n, end in enumerate(ends) if end and report.at <= end.at <= report.at + HANGING_FOR]
        if there:
            of_pair[min(there)[1]].append(report)
        elif alone and alone[-1][0].on is report.on and report.at <= alone[-1][0].at + HANGING_FOR:
            alone[-1].append(report)
        else:
            alone.append([report])
    return [_work(reports) for reports in of_pair], [_work(reports) for reports in alone]


def _work(reports: Sequence[ChainReport]) -> WorkBegun:
    hanging = next((r for r in reports if r.on), None)
    removing = next((r for r in reports if not r.on), None)
    return WorkBegun(
        hanging=hanging,
        removing=removing,
        repeats=tuple(r for r in reports if r is not hanging and r is not removing),
    )

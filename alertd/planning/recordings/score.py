"""Scores an archive: every kept forecast through the chain, against what stations saw at 12, 24, 48 and 72 h."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import numpy as np

from alertd.forecast.block_scores import BlockScore, ProbabilityCases, score_blocks
from alertd.planning.recordings.archived_run import Archived, ArchivedRun, Place, near_place, road_of
from alertd.planning.recordings.truth import EVENTS, Chances, Seen, chances_of, freezing, icy, snowing
from alertd.planning.weather import WeatherSources
from alertd.units import HOUR_S

LEADS_H: Final = (12, 24, 48, 72)
AROUND_H: Final = 3.0  # hours that end within so many of a lead time count for it
_DAY_S: Final = 24.0 * HOUR_S


@dataclass(slots=True)
class _Rows:
    """Cases of one event and lead time, grown run by run."""

    prob: list[float] = field(default_factory=list)
    happened: list[bool] = field(default_factory=list)
    before: list[float] = field(default_factory=list)
    day: list[int] = field(default_factory=list)
    place: list[int] = field(default_factory=list)

    def cases(self) -> ProbabilityCases:
        return ProbabilityCases(
            prob_frac=np.array(self.prob, dtype=np.float64),
            happened=np.array(self.happened, dtype=np.bool_),
            before=np.array(self.before, dtype=np.float64),
            day=np.array(self.day, dtype=np.int64),
            place=np.array(self.place, dtype=np.int64),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArchiveScore:
    """scores: by event and lead time [h]. runs_n: forecasts that were run; unusable_n: those without any source."""

    scores: dict[tuple[str, int], BlockScore]
    runs_n: int
    unusable_n: int
    places: tuple[str, ...]
    reports_n: int
    surfaces_n: int


def score_archive(
    archived: Archived, sources: WeatherSources, progress: Callable[[int], None] = lambda _n: None
) -> ArchiveScore:
    """Run every forecast of an archive and score it. progress: called with the number of runs done."""
    rows: dict[tuple[str, int], _Rows] = defaultdict(_Rows)
    places: dict[Place, int] = {}
    runs_n = unusable_n = 0

    @cache
    def of_place(place: Place) -> tuple[Any, Any, Any]:
        return near_place(place, archived.reports), Seen(place, archived.reports), Seen(place, archived.surfaces)

    for run in archived.runs:
        runs_n += 1
        if not run.forecasts:
            unusable_n += 1
            continue
        number = places.setdefault(run.place, len(places))
        near, weather, surface = of_place(run.place)
        chances = chances_of(road_of(run, near, sources))
        for event, lead_h, row in cases_of(run, chances, weather, surface):
            into = rows[event, lead_h]
            into.prob.append(row[0])
            into.happened.append(row[1])
            into.before.append(row[2])
            into.day.append(int(row[3] // _DAY_S))
            into.place.append(number)
        progress(runs_n)
    return ArchiveScore(
        scores={(event, lead): score_blocks(rows[event, lead].cases()) for event in EVENTS for lead in LEADS_H},
        runs_n=runs_n,
        unusable_n=unusable_n,
        places=tuple(p.name for p in places),
        reports_n=len(archived.reports),
        surfaces_n=len(archived.surfaces),
    )


def cases_of(
    run: ArchivedRun, chances: Chances, weather: Seen[Any], surface: Seen[Any]
) -> Iterator[tuple[str, int, tuple[float, bool, float, float]]]:
    """(event, lead time [h], (probability, happened, happened before, end of the hour)) of each hour that was seen.

    The mean air and the snow of an hour are compared with a report near its middle, the road with one near its end.
    """
    made_s = run.made_at.timestamp()
    kinds = ((EVENTS[0], chances.freezing, weather, freezing, 0.5), (EVENTS[1], chances.snowing, weather, snowing, 0.5))
    for event, prob, seen, is_so, back_h in (*kinds, (EVENTS[2], chances.icy, surface, icy, 0.0)):
        last = seen.last_before(made_s)
        was = None if last is None else is_so(last)
        before = np.nan if was is None else float(was)
        for lead_h in LEADS_H:
            ahead = np.abs(chances.end_s - made_s - lead_h * HOUR_S) <= AROUND_H * HOUR_S
            for i in np.flatnonzero(ahead & np.isfinite(prob)):
                report = seen.nearest(chances.end_s[i] - back_h * HOUR_S)
                so = None if report is None else is_so(report)
                if so is not None:
                    yield event, lead_h, (float(prob[i]), so, before, float(chances.end_s[i]))

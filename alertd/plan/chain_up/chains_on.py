"""Chains that a truck has on already, from what was reported of it: reports come late, twice, or contradict."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from alertd.plan.model import PositionFix
from alertd.rules.rig import Tire
from alertd.units import to_mps

CLOCKS_APART: Final = timedelta(minutes=5)  # a device's clock may be so far ahead of ours
LASTS: Final = timedelta(hours=36)  # an older report says nothing about a trip that still runs
# Assumed: no truck runs this fast with chains on (the usual limit is 25-30 mph), and a single position is no proof.
TOO_FAST_MPS: Final = to_mps(45.0)
FAST_FOR: Final = timedelta(minutes=10)


class Report(StrEnum):
    """What is reported of a truck besides its place. ARRIVED_SEEN: its positions showed the arrival."""

    CHAINS_ON = "chains_on"
    CHAINS_OFF = "chains_off"
    ARRIVED = "arrived"
    ARRIVED_SEEN = "arrived_seen"


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckReport:
    """One report. `at` is aware. tires: of chains on, the tires that the plan of that time asked for; None if unknown.

    place_m: along the route, where the report names a place of that plan; None else.
    """

    at: datetime
    what: Report
    tires: tuple[Tire, ...] | None = None
    place_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainsOn:
    """Chains as reported on. since: when they first were, without a report of chains off in between.

    tires: see TruckReport. placed: it is known where the truck was then, or is. doubt: why the reports are not
    believed, "" where they are.
    """

    since: datetime
    tires: frozenset[Tire] | None = None
    placed: bool = True
    doubt: str = ""

    @property
    def counts(self) -> bool:
        """Whether a plan can count with them."""
        return self.placed and not self.doubt


def chains_on(reports: Iterable[TruckReport], now_utc: datetime) -> ChainsOn | None:
    """What the reports until now come to; None where chains are off, or nothing was reported lately.

    The newest report decides. Of two at the same moment, "off" decides: it silences nothing.
    """
    taps = [r for r in reports if r.what in (Report.CHAINS_ON, Report.CHAINS_OFF) and r.at <= now_utc + CLOCKS_APART]
    since, newest = None, None
    for tap in sorted(taps, key=lambda r: (r.at, r.what is Report.CHAINS_OFF)):
        newest = tap if tap.what is Report.CHAINS_ON else None
        since = None if newest is None else since or tap.at
    if newest is None or since is None or now_utc - newest.at > LASTS:
        return None
    return ChainsOn(since=since, tires=None if newest.tires is None else frozenset(newest.tires))


def ran_fast(seen: Sequence[PositionFix], since: datetime) -> PositionFix | None:
    """The place from which a truck ran too fast for chains on after `since`; None where it did not.

    seen: oldest first. Over at least `FAST_FOR`, so that no error of one position decides.
    """
    after = [fix for fix in seen if fix.at >= since]
    for n, first in enumerate(after):
        last = next((fix for fix in after[n + 1 :] if fix.at - first.at >= FAST_FOR), None)
        if last is None:
            return None
        if last.distance_m - first.distance_m > TOO_FAST_MPS * (last.at - first.at).total_seconds():
            return first
    return None

"""Derives the chains on a truck from its reports, which can be late, repeated or contradictory."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from alertd.plan.model.notes import PositionFix
from alertd.rules.rig import Tire
from alertd.units import to_mps

CLOCKS_APART: Final = timedelta(minutes=5)  # maximum lead of a device's clock over ours
LASTS: Final = timedelta(hours=36)  # an older report does not apply to a trip under way
# Assumed: no truck drives this fast with chains on (the usual limit is 25-30 mph). A single position is no proof.
TOO_FAST_MPS: Final = to_mps(45.0)
FAST_FOR: Final = timedelta(minutes=10)


class Report(StrEnum):
    """Kinds of reports besides positions.

    HANGING_BEGUN, REMOVING_BEGUN: the work has begun; CHAINS_ON, CHAINS_OFF: it is done.
    ARRIVED_SEEN: the positions of the truck showed the arrival. SENT_PLACE: a place to chain was sent to the driver.
    """

    HANGING_BEGUN = "hanging_begun"
    CHAINS_ON = "chains_on"
    REMOVING_BEGUN = "removing_begun"
    CHAINS_OFF = "chains_off"
    ARRIVED = "arrived"
    ARRIVED_SEEN = "arrived_seen"
    SENT_PLACE = "sent_place"


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckReport:
    """One report.

    at: aware time of the report.
    tires: for chains on, the tires that the plan of that time required; None if unknown.
    place_m: distance along the route where the report names a place of that plan, else None.
    stop_id: of a sent place.
    takes_s: for hanging begun, how long it takes by the plan of that time; None if unknown.
    """

    at: datetime
    what: Report
    tires: tuple[Tire, ...] | None = None
    place_m: float | None = None
    stop_id: str = ""
    takes_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainsOn:
    """Chains reported on.

    since: time of the first such report without a report of chains off after it.
    tires: see TruckReport.
    placed: True when the position of the truck at that time, or now, is known.
    hung_m: distance along the route of its last known position by that time; None if unknown.
    doubt: the reason why the reports are not believed, "" where they are.
    """

    since: datetime
    tires: frozenset[Tire] | None = None
    placed: bool = True
    hung_m: float | None = None
    doubt: str = ""

    @property
    def counts(self) -> bool:
        """True when a plan can rely on these chains."""
        return self.placed and not self.doubt


def chains_on(reports: Iterable[TruckReport], now_utc: datetime) -> ChainsOn | None:
    """The chains on, from the reports until now; None where chains are off, or without a recent report.

    The newest report decides. Of two at the same moment "off" decides, which suppresses no warning.
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
    """The place from which a truck drove too fast for chains after `since`, or None.

    seen: oldest first.

    The speed is over at least `FAST_FOR`, so that the error of a single position does not decide.
    """
    after = [fix for fix in seen if fix.at >= since]
    for n, first in enumerate(after):
        last = next((fix for fix in after[n + 1 :] if fix.at - first.at >= FAST_FOR), None)
        if last is None:
            return None
        if last.distance_m - first.distance_m > TOO_FAST_MPS * (last.at - first.at).total_seconds():
            return first
    return None

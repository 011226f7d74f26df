"""Derives from reports whether a driver is hanging chains now, and for how long this can go on."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.plan.chain_up.chains_on import CLOCKS_APART, Report, TruckReport

# Assumed: hanging takes at most this long. After that its end was not reported, or it was given up.
LASTS: Final = timedelta(hours=4)
_CHAINS: Final = (Report.HANGING_BEGUN, Report.CHAINS_ON, Report.REMOVING_BEGUN, Report.CHAINS_OFF)


@dataclass(frozen=True, slots=True, kw_only=True)
class HangingNow:
    """Hanging that has begun and is not reported done.

    since: aware time of its first report.
    takes_s: its length by the plan of that time; None if unknown.
    """

    since: datetime
    takes_s: float | None = None

    def begins_at(self, now_utc: datetime, default_s: float) -> datetime:
        """When a plan lets the work begin, so that it is not over before now.

        Work that takes longer than planned is about to be done: nobody knows how much longer it takes.
        """
        takes = timedelta(seconds=default_s if self.takes_s is None else self.takes_s)
        return max(self.since, now_utc - takes)


def hanging_now(reports: Iterable[TruckReport], now_utc: datetime) -> HangingNow | None:
    """The hanging in progress; None where the newest report on chains is another one, or is older than `LASTS`."""
    known = [r for r in reports if r.what in _CHAINS and r.at <= now_utc + CLOCKS_APART]
    begun: TruckReport | None = None
    for report in sorted(known, key=lambda r: r.at):
        if report.what is not Report.HANGING_BEGUN:
            begun = None
        elif begun is None:
            begun = report
    if begun is None or now_utc - begun.at > LASTS:
        return None
    return HangingNow(since=begun.at, takes_s=begun.takes_s)

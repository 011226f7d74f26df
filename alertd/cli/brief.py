"""The morning brief of the trips file, as it stands now; nothing is stored or sent."""

from dataclasses import dataclass
from datetime import timedelta

from alertd.errors import ConfigError
from alertd.notices.dispatcher import brief_text
from alertd.plan.result import Plan
from alertd.service.clock import Clock
from alertd.service.known import known_now
from alertd.service.planner import NotPlanned, planner
from alertd.service.settings import Settings
from alertd.sources.tripfile import read_trips


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefNow:
    text: str
    partial: bool
    used: str


async def brief_now(settings: Settings, clock: Clock) -> BriefNow:
    """Plan every trip of the trips file that leaves within the look-ahead. Raises ConfigError when no file is set."""
    if settings.trips is None:
        raise ConfigError(str(settings.where), "daemon.trips", "no trips file is set", 'write e.g. trips = "trips.csv"')
    now = clock()
    ends = now + timedelta(hours=settings.look_ahead_h)
    trips = [t for t in read_trips(settings.trips) if now < t.depart_at <= ends]
    async with planner(settings, clock) as planning:
        known = await known_now(planning, now)
        outcomes = await planning.plan(trips, now, posted=known.closures, controls=known.posted)
    plans = [o for o in outcomes if isinstance(o, Plan)]
    missed = [(o.trip.id, o.reason) for o in outcomes if isinstance(o, NotPlanned)]
    text = brief_text(settings.fleet, plans, missed, now, settings.brief_zone)
    return BriefNow(text=text, partial=bool(missed) or any(p.partial for p in plans), used=known.used)

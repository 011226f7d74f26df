"""Counts the messages that each person gets over a rehearsed day of the demo's fleet, by person and kind.

The demo's roads, rigs and trips under a described sky, with few forecast members and few cycles, so that a day takes
seconds to minutes. Trips beyond the demo's four are copies that share the plans of one of these, with their own
drivers and messages.
"""

import asyncio
import tempfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final
from unittest import mock

from alertd.notices.model import Audience, Notice
from alertd.plan.model.plan import Plan
from alertd.planning.corridors.job import NotPlanned, Outcome
from alertd.planning.planner import Planner
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest, read_trips
from alertd.testing.rehearsal import RehearsedEvent, rehearse
from alertd.testing.weather.sky import read_sky

PROJECT: Final = Path(__file__).resolve().parents[2]
SKIES: Final = ("storm", "light-snow", "freezing-rain", "zero-at-summit", "drifting-snow", "thaw-refreeze")
HOURS: Final = 26.0
LEAD: Final = timedelta(hours=11)  # from the evening before on, so that the outlook is part of the day
SUMMIT_M: Final = 1400.0  # the skies' temperatures hold here, near the height of the demo's passes

Tape = dict[datetime, dict[str, Plan]]  # by the time of a cycle and the id of the first trip with that plan


@dataclass(slots=True)
class Counts:
    """Messages of one day. driver: by trip, the kinds of what its driver gets, at once or through the office.

    digests, urgent: to the office, by the kind of each message; `brief` is counted apart from both.
    """

    driver: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    digests_n: int = 0
    briefs_n: int = 0
    urgent: Counter[str] = field(default_factory=Counter)
    texts: list[tuple[datetime, str, str, str]] = field(default_factory=list)
    acting: set[str] = field(default_factory=set)

    def add(self, notice: Notice) -> None:
        """Count one notice to a person."""
        if notice.audience is Audience.FLEET:
            return
        self.texts.append((notice.created_at, notice.trip_id, f"{notice.audience}/{notice.kind}", notice.text))
        if notice.audience is Audience.DRIVER or notice.passed_on:
            self.driver[notice.trip_id].append(notice.kind.value)
        if notice.audience is not Audience.DISPATCHER:
            return
        if notice.kind.value == "digest":
            self.digests_n += 1
        elif notice.kind.value == "brief":
            self.briefs_n += 1
        elif notice.sent_alone:
            self.urgent[notice.kind.value] += 1

    @property
    def pass_days(self) -> list[int]:
        """Messages of each driver whose plan asked for action."""
        return sorted(len(self.driver[trip]) for trip in self.acting)


def light_settings(every_min: int) -> Settings:
    """The demo's settings with few members, no comparison of departures, and few cycles."""
    read = read_settings(PROJECT / "fixtures" / "demo" / "alertd.toml")
    return replace(
        read,
        forecast=replace(read.forecast, members=7),
        plan=replace(read.plan, compare_h=0.0),
        plan_every_min=every_min,
    )


def copies(trips: Sequence[TripRequest], trucks_n: int, language: str = "") -> tuple[TripRequest, ...]:
    """Return `trucks_n` trips: the given ones, then copies of them in turn with drivers of their own."""
    out = []
    for i in range(trucks_n):
        trip = trips[i % len(trips)]
        more = {"id": f"{trip.id}-{i}", "driver": f"{trip.driver} {i}"} if i >= len(trips) else {}
        out.append(trip.model_copy(update={**more, **({"language": language} if language else {})}))
    return tuple(out)


def count_day(
    sky: str,
    trucks_n: int,
    tape: Tape | None = None,
    *,
    language: str = "",
    hours: float = HOURS,
    every_min: int = 30,
) -> Counts:
    """Rehearse one day and count its messages. tape: plans of an earlier day under this sky; filled where empty."""
    trips = tuple(read_trips(PROJECT / "fixtures" / "demo" / "trips.csv"))
    begins = min(t.depart_at for t in trips) - LEAD
    kept, counts = {} if tape is None else tape, Counts()
    known = dict(kept)
    plan_all = Planner.plan

    async def plan(self: Planner, trips: Sequence[TripRequest], now_utc: datetime, *reports: Any, **more: Any) -> Any:
        first: dict[str, TripRequest] = {}
        for trip in trips:
            first.setdefault(_alike(trip), trip)
        by_kind = known.get(now_utc)
        if by_kind is None:
            outcomes = await plan_all(self, list(first.values()), now_utc, *reports, **more)
            found = dict(zip(first, outcomes, strict=True))
            by_kind = kept[now_utc] = {k: p for k, p in found.items() if not isinstance(p, NotPlanned)}
        return [_copied(by_kind.get(_alike(trip)), trip) for trip in trips]

    def emit(event: RehearsedEvent) -> None:
        if event.notice is not None:
            counts.add(event.notice)
        elif event.plan is not None and event.plan.advice.value in ("ready", "chain", "hold"):
            counts.acting.add(event.trip_id)

    with tempfile.TemporaryDirectory(prefix="alertd-counts-") as folder, mock.patch.object(Planner, "plan", plan):
        fleet = copies(trips, trucks_n, language)
        table = Path(folder) / "trips.csv"
        _write(table, fleet)
        settings = replace(light_settings(every_min), trips=table)
        described = read_sky(PROJECT / "fixtures" / "skies" / f"{sky}.toml", begins.timestamp(), SUMMIT_M)
        asyncio.run(rehearse(settings, described, fleet, hours, Path(folder), emit))
    return counts


def _alike(trip: TripRequest) -> str:
    return f"{trip.route} {trip.rig} {trip.depart_at.isoformat()}"


def _copied(plan: Plan | None, trip: TripRequest) -> Outcome:
    if plan is None:
        return NotPlanned(trip=trip, reason="no plan on the tape")
    if plan.trip_id == trip.id and plan.language == trip.language:
        return plan
    return replace(plan, trip_id=trip.id, driver=trip.driver, id=f"{plan.id}-{trip.id}", language=trip.language)


def _write(path: Path, trips: Sequence[TripRequest]) -> None:
    rows = ["id,route,rig,driver,dispatcher,depart,drive_hours_used,language"]
    for t in trips:
        used = t.drive_hours_used or 0.0
        rows.append(f"{t.id},{t.route},{t.rig},{t.driver},{t.dispatcher},{t.depart_at.isoformat()},{used},{t.language}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")

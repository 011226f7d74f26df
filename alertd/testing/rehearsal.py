"""Runs virtual hours of the daemon's jobs, offline, under a described sky, with the operator's settings and trips."""

import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from alertd.daemon.channels import open_channels
from alertd.daemon.jobs import Daemon
from alertd.delivery.channels.file import SPEC as FOLDER
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, Notice
from alertd.plan.model.plan import Plan
from alertd.planning.planner import Planner, create_planner
from alertd.records.driver_reports import save_report
from alertd.records.posted_controls import known_places, save_posted
from alertd.route.model import Route
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.requests.driver_reports import parse_report
from alertd.sources.requests.posted_controls import parse_posted, to_control
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo
from alertd.testing.trucks import Trucks
from alertd.testing.weather.roads import ground_of
from alertd.testing.weather.sky import Sky, SkyPosted, SkyReport

STEP: Final = timedelta(minutes=5)


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedEvent:
    """A notice that a person would get, or else a trip's plan that is new or has other advice or stretches."""

    at: datetime
    trip_id: str
    notice: Notice | None = None
    plan: Plan | None = None


@dataclass(slots=True, kw_only=True)
class RehearsalSummary:
    """notices: number by person and kind. arrived_at: of each trip, None while under way. plans: the latest by trip."""

    notices: Counter[tuple[str, str]] = field(default_factory=Counter)
    arrived_at: dict[str, datetime | None] = field(default_factory=dict)
    plans: dict[str, Plan] = field(default_factory=dict)


async def rehearse(
    settings: Settings,
    sky: Sky,
    trips: Iterable[TripRequest],
    hours: float,
    folder: Path,
    emit: Callable[[RehearsedEvent], None],
) -> RehearsalSummary:
    """Run the daemon's jobs from the sky's start on, every five minutes of a virtual clock, and emit what happens.

    The sky is the only forecast source. Notices become files in `folder`, which also holds the store. Trucks follow
    their plans, read their messages, and report positions and chains. Raises ConfigError and InputError.
    """
    clock = ManualClock(sky.starts_at)
    with ExitStack() as stack:
        forecasts = stack.enter_context(FakeOpenMeteo(now_utc=clock(), storm=sky))
        settings = offline_settings(settings, folder, forecasts.base_url)
        store = stack.enter_context(Store(settings.store))
        async with create_planner(settings, clock) as planner, open_channels(settings) as channels:
            worker = DeliveryWorker(store.outbox, channels, owner="rehearsal", rng=random.Random(1))
            daemon = Daemon(planner, store, worker, clock)
            routes = {trip.id: await planner.route(trip.route, trip.id) for trip in trips}
            forecasts.ground = ground_of(routes.values())
            day = _Day(planner, store, sky, routes, emit)
            next_cycle, end = clock(), clock() + timedelta(hours=hours)
            while clock() <= end:
                now = forecasts.now_utc = clock()
                forecasts.set_fault(sky_fault(sky, now))
                day.post(now)
                if now >= next_cycle:
                    next_cycle = now + timedelta(minutes=settings.plan_every_min)
                    await daemon.cycle()
                for job in (daemon.brief, daemon.send_scheduled, daemon.deliver):
                    await job()
                day.move_trucks(now)
                day.emit_new(now)
                clock.advance(STEP)
            return day.summary


def offline_settings(settings: Settings, folder: Path, forecasts: str) -> Settings:
    """Return the settings with the fake server as the only source, and files as the only channel, in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rehearsal.db").unlink(missing_ok=True)
    for name in ("rehearsal-http", "rehearsal-notices"):
        shutil.rmtree(folder / name, ignore_errors=True)
    forecast = replace(settings.forecast, sources=("open-meteo",), weights={}, alerts=False, observations=False)
    return replace(
        settings,
        noncommercial=True,
        contact=settings.contact or "rehearsal@example.org",
        forecast=forecast.with_keys(open_meteo_url=forecasts, open_meteo_key_file=""),
        feeds=None,
        channels=(FOLDER.configure(name="notices", path=str(folder / "rehearsal-notices"), audiences=["driver"]),),
        targets={audience: ("notices",) for audience in Audience},
        store=folder / "rehearsal.db",
        cache=folder / "rehearsal-http",
        archive=None,
        heartbeat_url="",
    )


def sky_fault(sky: Sky, now_utc: datetime) -> ApiFault | None:
    """Return the fault of the forecast server at this time, None for none."""
    hour = (now_utc - sky.starts_at) / timedelta(hours=1)
    for fault in sky.described.fault:
        if fault.from_h <= hour < fault.to_h:
            return ApiFault(kind=fault.api_kind, slow_s=1.0)
    return None


class _Day:
    """What happens on the virtual day beside the daemon's jobs."""

    def __init__(
        self,
        planner: Planner,
        store: Store,
        sky: Sky,
        routes: dict[str, Route],
        emit: Callable[[RehearsedEvent], None],
    ) -> None:
        self._planner, self._store, self._sky, self._routes, self._emit = planner, store, sky, routes, emit
        self._trucks = Trucks(store)
        self._shown: dict[str, object] = {}
        self._due: list[SkyPosted | SkyReport] = [*sky.described.posted, *sky.described.report]
        self._seen = set[str]()
        self.summary = RehearsalSummary(arrived_at=dict.fromkeys(routes))

    def post(self, now_utc: datetime) -> None:
        """Report the posted controls and the drivers' reports that are due."""
        hour = (now_utc - self._sky.starts_at) / timedelta(hours=1)
        for what in [x for x in self._due if x.at_h <= hour]:
            self._due.remove(what)
            if isinstance(what, SkyPosted):
                self._post(what, now_utc)
            else:
                row = {"what": what.what, "at": now_utc.isoformat()}
                save_report(self._store, what.trip, parse_report(row, "report"))

    def _post(self, control: SkyPosted, now_utc: datetime) -> None:
        until = None if control.for_h is None else now_utc + timedelta(hours=control.for_h)
        row = {
            "id": f"rehearsed-{len(self._due)}",
            "jurisdiction": control.jurisdiction,
            "level": control.level,
            "from": list(control.start),
            "to": list(control.end),
            "since": now_utc.isoformat(),
            "until": None if until is None else until.isoformat(),
            "source": "rehearsal",
        }
        reference = self._planner.reference
        request = parse_posted(row, "posted")
        names = known_places(reference, request.jurisdiction)
        control_here = to_control(request, reference.rulesets, names, now_utc, "posted")
        save_posted(self._store, request, control_here, now_utc)

    def move_trucks(self, now_utc: datetime) -> None:
        """Move every truck as far as the clock allows."""
        for trip_id, route in self._routes.items():
            self._trucks.move(trip_id, route, now_utc)

    def emit_new(self, now_utc: datetime) -> None:
        """Emit the notices and plans since the last call."""
        for audience in Audience:
            for notice in self._store.notices_since(audience, now_utc - 2 * STEP):
                if notice.id not in self._seen:
                    self._seen.add(notice.id)
                    self.summary.notices[audience.value, notice.kind.value] += 1
                    self._emit(RehearsedEvent(at=notice.created_at, trip_id=notice.trip_id, notice=notice))
        for trip_id, plan in self._planner.latest.plans.items():
            shape = (plan.advice, tuple((s.advice, s.chain_up.name, s.chain_off.name) for s in plan.stretches))
            self.summary.plans[trip_id] = plan
            self.summary.arrived_at[trip_id] = plan.arrived_at
            if self._shown.get(trip_id) != shape:
                self._shown[trip_id] = shape
                self._emit(RehearsedEvent(at=now_utc, trip_id=trip_id, plan=plan))

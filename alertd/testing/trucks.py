"""Invented trucks that follow their plans and report, and two stations that observe the storm."""

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import nan
from typing import Any, Final

import numpy as np

from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.notices.model import Audience
from alertd.records.driver_reports import save_report
from alertd.records.observations import save_observations
from alertd.records.positions import save_position
from alertd.route.model import Route
from alertd.sources.requests.driver_reports import (
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    READ,
    REMOVING_BEGUN,
    parse_report,
)
from alertd.sources.requests.positions import PositionRequest
from alertd.store.store import Store
from alertd.testing.weather.weather_model import WeatherModel
from alertd.units import to_mps

AT_STOP_M: Final = 300.0
READS_AFTER: Final = timedelta(minutes=2)
REMOVE_S: Final = 1200.0
REPORTS_EVERY: Final = timedelta(minutes=3)
# A truck that is behind its plan catches up at these speeds: the cruise speed and the chained one of `PlanParams`.
FASTEST_MPS: Final = to_mps(62.0)
CHAINED_MPS: Final = to_mps(25.0)
STATIONS: Final = ((-115.694, "DEMO-LOOKOUT"), (-114.05, "DEMO-MISSOULA"))  # longitudes along the demo's road


@dataclass(slots=True)
class Truck:
    """One trip's truck. `at_m`: its position [m], which never decreases; None before departure.

    `off_m`: where its chains come off by the plan; None while they are not on. `busy_until`: it stays there until then
    to install or remove chains, whatever a newer plan says. `does`: which of the two, "" for neither. `moves_from`:
    when it was at `at_m` and free to drive.
    """

    at_m: float | None = None
    off_m: float | None = None
    does: str = ""
    place: str = ""
    busy_until: datetime | None = None
    read: set[str] = field(default_factory=set)
    seen_at: datetime | None = None
    moves_from: datetime | None = None
    arrived: bool = False


class Trucks:
    """All trucks. Call `move` periodically; each call does as much as the clock allows."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._trucks: dict[str, Truck] = {}
        self._plans: dict[str, tuple[str, dict[str, Any]]] = {}  # by trip, the id of its latest plan and that plan

    def move(self, trip_id: str, route: Route, now_utc: datetime) -> None:
        """Report the present state of a trip's truck: position, chains, and messages that its driver has read."""
        stored = self._store.latest_plan(trip_id)
        if stored is None:
            return
        known = self._plans.get(trip_id)
        if known is None or known[0] != stored.id:
            known = self._plans[trip_id] = (stored.id, json.loads(stored.body)["plan"])
        plan, truck = known[1], self._trucks.setdefault(trip_id, Truck())
        self._read(trip_id, truck, now_utc)
        if truck.arrived or (truck.seen_at is not None and now_utc - truck.seen_at < REPORTS_EVERY):
            return
        self._work(trip_id, truck, now_utc)
        if truck.busy_until is None:
            there_m = place_m(plan, now_utc)
            if there_m is None:
                return
            truck.at_m = _driven_m(truck, there_m, now_utc)
            self._stop(truck, plan, now_utc)
            if truck.does:
                begun = HANGING_BEGUN if truck.does == CHAINS_ON else REMOVING_BEGUN
                self._report(trip_id, begun, now_utc, place=truck.place)
        if truck.at_m is None:
            return
        truck.seen_at = now_utc
        truck.arrived = truck.at_m >= float(route.distance_m[-1])
        lat, lon = (float(np.interp(truck.at_m, route.distance_m, v)) for v in (route.lat_deg, route.lon_deg))
        save_position(self._store, trip_id, PositionRequest(at=now_utc.isoformat(), lat=lat, lon=lon))

    def _work(self, trip_id: str, truck: Truck, now_utc: datetime) -> None:
        """Report chains on or off when the work is finished."""
        if truck.busy_until is not None and now_utc >= truck.busy_until:
            self._report(trip_id, truck.does, truck.busy_until, place=truck.place)
            truck.does, truck.moves_from, truck.busy_until = "", truck.busy_until, None

    def _stop(self, truck: Truck, plan: dict[str, Any], now_utc: datetime) -> None:
        """Start to install or remove chains at the plan's places."""
        if truck.at_m is None:
            return
        if truck.off_m is not None:
            on = plan["chains"]
            if on is not None and on["off"] is not None:
                truck.off_m, truck.place = on["off"]["distance_m"], on["off"]["name"]
            if truck.at_m >= truck.off_m - AT_STOP_M:
                takes_s = max((s["remove_s"] for s in plan["stretches"]), default=REMOVE_S)
                truck.at_m = max(truck.at_m, min(truck.off_m, truck.at_m + AT_STOP_M))
                truck.does, truck.busy_until = CHAINS_OFF, now_utc + timedelta(seconds=takes_s)
                truck.off_m = None
            return
        for s in plan["stretches"]:
            on, off = s["chain_up"], s["chain_off"]
            here = on["distance_m"] - AT_STOP_M <= truck.at_m < off["distance_m"] - AT_STOP_M
            if s["advice"] == "chain" and not s["chained"] and here:
                truck.off_m, truck.place = off["distance_m"], on["name"]
                truck.does, truck.busy_until = CHAINS_ON, now_utc + timedelta(seconds=s["hang_s"])
                return

    def _read(self, trip_id: str, truck: Truck, now_utc: datetime) -> None:
        for notice in self._store.notices(trip_id):
            fresh = notice.id not in truck.read and notice.audience is Audience.DRIVER
            if fresh and now_utc - notice.created_at >= READS_AFTER:
                truck.read.add(notice.id)
                self._report(trip_id, READ, now_utc, notice_id=notice.id)

    def _report(self, trip_id: str, what: str, at: datetime, **more: str) -> None:
        save_report(self._store, trip_id, parse_report({"what": what, "at": at.isoformat(), **more}, "demo"))


def _driven_m(truck: Truck, there_m: float, now_utc: datetime) -> float:
    """Return how far the truck has come towards its place by the plan; a truck that stood does not jump there."""
    since, truck.moves_from = truck.moves_from, now_utc
    if truck.at_m is None or since is None:
        return there_m
    speed_mps = FASTEST_MPS if truck.off_m is None else CHAINED_MPS
    return max(truck.at_m, min(there_m, truck.at_m + speed_mps * (now_utc - since).total_seconds()))


def place_m(plan: dict[str, Any], now_utc: datetime) -> float | None:
    """Return where the truck of a stored plan is [m]; None before departure.

    It obeys a hold: it stays at the start, or waits at the place to wait, until its plan has none.
    """
    along = plan["along"]
    if (hold := plan["hold"]) is not None and hold["at_start"]:
        return None if now_utc < datetime.fromisoformat(plan["depart_at"]) else 0.0
    reach_s = (now_utc - datetime.fromisoformat(along["begins_at"])) / timedelta(seconds=1)
    if not along["reach_s"] or reach_s < 0.0:
        return None
    at_m = float(np.interp(reach_s, along["reach_s"], along["distance_m"]))
    if now_utc >= datetime.fromisoformat(plan["arrive_at"]):
        at_m = float(plan["route_length_m"])
    # Between two samples `reach_s` includes the stop, so a truck on it would creep up to the place for hours.
    ups: list[dict[str, Any]] = [
        s["chain_up"] for s in plan["stretches"] if s["advice"] == "chain" and not s["chained"]
    ]
    reached_m = (float(up["distance_m"]) for up in ups if now_utc >= datetime.fromisoformat(up["arrive_at"]))
    at_m = max([at_m, *reached_m])
    waits_m: list[float] = [s["chain_up"]["distance_m"] for s in plan["stretches"] if s["advice"] == "hold"]
    waits_m += [] if hold is None else [hold["wait"]["distance_m"]]
    return min([at_m, *(m for m in waits_m if m >= along["distance_m"][0])])


def observe(store: Store, route: Route, storm: WeatherModel, now_utc: datetime) -> None:
    """Save the stations' present observations of the storm, as the daemon saves real ones."""
    reports = []
    for lon_deg, name in STATIONS:
        i = int(np.argmin(np.abs(route.lon_deg - lon_deg)))
        lat, lon, height = (float(a[i]) for a in (route.lat_deg, route.lon_deg, route.elevation_m))
        weather = {k: float(v) for k, v in storm.weather(lat, lon, height, now_utc.timestamp()).items()}
        falls = (
            Phenomenon.SNOW
            if weather["snowfall_water_equivalent"] >= 0.5 * weather["precipitation"]
            else Phenomenon.RAIN
        )
        reports.append(
            StationReport(
                station=Station(id=name, lat_deg=lat, lon_deg=lon, elevation_m=height),
                source="invented",
                observed_at=now_utc,
                air_temp_c=weather["temperature_2m"],
                dew_point_c=weather["dew_point_2m"],
                rh_frac=weather["relative_humidity_2m"] / 100.0,
                wind_mps=weather["wind_speed_10m"],
                gust_mps=weather["wind_gusts_10m"],
                wind_from_deg=weather["wind_direction_10m"],
                visibility_m=nan,
                precip_last_hour_mmwe=nan,
                weather=(falls,) if weather["precipitation"] > 0.0 else (),
                raw="",
            )
        )
    save_observations(store, reports)

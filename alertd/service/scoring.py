"""Compares stored plans of a period with reports, posted controls and observations."""

import asyncio
import json
import logging
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.errors import AlertdError, InputError
from alertd.forecast.model import Array
from alertd.forecast.observations import StationReport, distances_m
from alertd.notices.reports.scores import LEADS_H, Case, Score, score_cases
from alertd.plan.model.stretches import Advice
from alertd.plan.position.map_match import PositionReport
from alertd.plan.verification import CHAINS_RULE, ROAD_RULE, TripEvidence, chains_needed, winter_weather
from alertd.planning.planner import Planner
from alertd.records.driver_reports import load_reports
from alertd.records.observations import OBSERVATIONS
from alertd.records.positions import load_positions as positions_of
from alertd.route.model import Route
from alertd.sources.files.trips import parse_trip
from alertd.sources.requests.driver_reports import ARRIVED, CHAINS_ON, ROAD_SEEN, ReportRequest
from alertd.store.store import Store

log = logging.getLogger(__name__)

NEAR_M: Final = 10_000.0
SAME_HEIGHT_M: Final = 150.0
AT_THE_HOUR: Final = timedelta(minutes=45)
PAST_M: Final = 2_000.0
ON_ROAD_M: Final = 1_000.0
_SIGN_WITHIN_H: Final = 3.0  # a plan this close ahead includes the signs that the truck met


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanSnapshot:
    """The scored part of a stored plan. place_m: where chains are most likely; there_at: arrival time there.

    Arrays over the points along the road. signs: a posted control requires chains of this rig. none_posted: (from, to)
    [m] of roads whose control was posted as none.
    """

    made_at: datetime
    zone: str
    probability: float
    called: bool
    place_m: float
    there_at: datetime
    begins_at: datetime
    distance_m: Array
    reach_s: Array
    winter_frac: Array
    signs: bool
    none_posted: tuple[tuple[float, float], ...]

    @property
    def lead_h(self) -> float:
        return (self.there_at - self.made_at) / timedelta(hours=1)


async def scores(planner: Planner, store: Store, since: datetime, until: datetime) -> tuple[Score, Score]:
    """Scores of chains by trip and of winter weather by station, for the plans made in [since, until)."""
    snapshot = await asyncio.to_thread(_load_snapshots, store, since, until)
    stations = await asyncio.to_thread(_observed, store, since)
    chains: list[Case] = []
    weather: list[Case] = []
    for trip_id, plans in snapshot.items():
        route = await _route(planner, store, trip_id)
        reports, positions = await asyncio.to_thread(
            lambda id_: (load_reports(store, id_), positions_of(store, id_)), trip_id
        )
        chains += chain_cases(plans, route, reports, positions)
        if route is not None:
            weather += weather_cases(plans, route, stations)
    return (
        score_cases("Chains needed on the trip", CHAINS_RULE, chains, CHAINS_SENTENCE),
        score_cases("Winter weather at stations on the way", ROAD_RULE, weather, WEATHER_SENTENCE),
    )


CHAINS_SENTENCE: Final = (
    "Of {called} trips told to chain, {hits} needed chains; {misses} that needed them were not told."
)
WEATHER_SENTENCE: Final = (
    "Of {called} calls of winter weather, {hits} were right; {misses} times it came without a call."
)


def chain_cases(
    plans: Sequence[PlanSnapshot],
    route: Route | None,
    reports: Sequence[ReportRequest],
    positions: Sequence[PositionReport],
) -> list[Case]:
    """One case per lead time, from the newest plan in it."""
    furthest_m = _furthest_m(route, positions)
    out = []
    near = [t for t in plans if 0.0 <= t.lead_h <= _SIGN_WITHIN_H]
    for t in newest_by_lead(plans, [t.lead_h for t in plans]):
        evidence = TripEvidence(
            chained=any(r.what == CHAINS_ON for r in reports),
            sign=any(n.signs for n in near),
            none_posted=any(a <= t.place_m <= b for n in near for a, b in n.none_posted),
            passed=furthest_m >= min(t.place_m + PAST_M, t.distance_m[-1] - PAST_M),
            advised=any(r.what not in (ARRIVED, ROAD_SEEN) for r in reports),
        )
        v = chains_needed(evidence)
        out.append(
            Case(
                lead_h=t.lead_h, probability=t.probability, called=t.called, happened=v.happened, because=v.because,
                day=_day(t, t.there_at),
            )
        )  # fmt: skip
    return out


def weather_cases(
    plans: Sequence[PlanSnapshot], route: Route, stations: Mapping[str, Sequence[StationReport]]
) -> list[Case]:
    """One case per station on the route and lead time."""
    out = []
    for reports in stations.values():
        station = reports[0].station
        far_m = distances_m(np.array([station.lat_deg]), np.array([station.lon_deg]), route.lat_deg, route.lon_deg)[0]
        level = np.abs(route.elevation_m - station.elevation_m) <= SAME_HEIGHT_M
        near = np.where(level, far_m, np.inf)
        if not near.min() <= NEAR_M:
            continue
        at_m = float(route.distance_m[near.argmin()])
        ahead = [t for t in plans if t.distance_m[0] <= at_m <= t.distance_m[-1]]
        hours = [t.begins_at + timedelta(seconds=float(np.interp(at_m, t.distance_m, t.reach_s))) for t in ahead]
        leads = [(h - t.made_at) / timedelta(hours=1) for t, h in zip(ahead, hours, strict=True)]
        for t in newest_by_lead(ahead, leads):
            i = ahead.index(t)
            close = [r for r in reports if abs(r.observed_at - hours[i]) <= AT_THE_HOUR]
            v = winter_weather(min(close, key=lambda r, at=hours[i]: abs(r.observed_at - at), default=None))  # type: ignore[misc]
            p = float(np.interp(at_m, t.distance_m, t.winter_frac))
            if np.isfinite(p):
                out.append(
                    Case(
                        lead_h=leads[i], probability=p, called=p >= 0.5, happened=v.happened, because=v.because,
                        day=_day(t, hours[i]),
                    )
                )  # fmt: skip
    return out


def newest_by_lead(plans: Sequence[PlanSnapshot], leads_h: Sequence[float]) -> list[PlanSnapshot]:
    """The newest plan in each lead time, which is what people had received by then."""
    best: dict[int, PlanSnapshot] = {}
    for t, lead_h in zip(plans, leads_h, strict=True):
        at = next((i for i, (a, b) in enumerate(LEADS_H) if a <= lead_h < b), None)
        if at is not None and (at not in best or best[at].made_at < t.made_at):
            best[at] = t
    return list(best.values())


def _furthest_m(route: Route | None, positions: Sequence[PositionReport]) -> float:
    """Furthest position of the truck along the route [m]; -inf without positions."""
    if route is None or not positions:
        return float("-inf")
    lat, lon = (np.array([getattr(p, name) for p in positions]) for name in ("lat_deg", "lon_deg"))
    far_m = distances_m(lat, lon, route.lat_deg, route.lon_deg)
    on = far_m.min(axis=1) <= ON_ROAD_M
    return float(route.distance_m[far_m.argmin(axis=1)[on]].max()) if on.any() else float("-inf")


def _load_snapshots(store: Store, since: datetime, until: datetime) -> dict[str, list[PlanSnapshot]]:
    """By trip, the last plan of each hour: enough for every lead time, and few to read."""
    chosen: dict[tuple[str, int], str] = {}
    for id_, trip_id, made_at in store.plans_made(since, until):
        chosen[trip_id, int(made_at.timestamp() // 3600)] = id_
    out: dict[str, list[PlanSnapshot]] = defaultdict(list)
    for stored in store.stored_plans.read(chosen.values()):
        try:
            out[stored.trip_id].append(snapshot_of(json.loads(stored.body)["plan"]))
        except (KeyError, TypeError, ValueError) as exc:  # stored by another version in another form
            log.warning("plan %s is not scored: %s", stored.id, type(exc).__name__)
    return {trip_id: sorted(of_trip, key=lambda s: s.made_at) for trip_id, of_trip in out.items()}


def snapshot_of(plan: dict[str, Any]) -> PlanSnapshot:
    """The snapshot of a stored plan. Raises KeyError, TypeError or ValueError for another form."""
    along, stretches = plan["along"], plan["stretches"]
    distance, reach, need, winter = (
        np.array([np.nan if v is None else v for v in along[name]], dtype=np.float64)
        for name in ("distance_m", "reach_s", "need_frac", "winter_frac")
    )
    if not distance.size:
        raise ValueError("no road")
    begins_at = datetime.fromisoformat(along["begins_at"])
    likeliest = int(np.lexsort((np.nan_to_num(winter), np.nan_to_num(need)))[-1])
    asked = [s for s in stretches if s["advice"] != Advice.CLEAR.value]
    place_m = float(asked[0]["start_m"]) if asked else float(distance[likeliest])
    there_at = (
        datetime.fromisoformat(asked[0]["enter_at"])
        if asked
        else begins_at + timedelta(seconds=float(reach[likeliest]))
    )
    return PlanSnapshot(
        made_at=datetime.fromisoformat(plan["made_at"]),
        zone=plan["depart_zone"],
        probability=float(plan["chain_probability"]),
        called=plan["advice"] in (Advice.CHAIN.value, Advice.HOLD.value),
        place_m=place_m,
        there_at=there_at,
        begins_at=begins_at,
        distance_m=distance,
        reach_s=reach,
        winter_frac=winter,
        signs=any(p["posted"] and p["tires_n"] > 0 for s in stretches for p in s["postings"]),
        none_posted=tuple(
            (float(p["start_m"]), float(p["end_m"]))
            for p in plan["posted"]
            if p["level_id"] == "none" and p["start_m"] is not None and p["believed_frac"] > 0.0
        ),
    )


def _observed(store: Store, since: datetime) -> dict[str, list[StationReport]]:
    out: dict[str, list[StationReport]] = defaultdict(list)
    for event in OBSERVATIONS.load_since(store, since):
        out[event.value.station.id].append(event.value)
    return out


async def _route(planner: Planner, store: Store, trip_id: str) -> Route | None:
    stored = await asyncio.to_thread(store.trip, trip_id)
    try:
        if stored is None:
            return None
        trip = parse_trip(json.loads(stored.body), f"trip {trip_id}")
        return await planner.route(trip.route, f"trip {trip_id}")
    except (AlertdError, InputError) as exc:
        log.warning("score: %s", exc)
        return None


def _day(snapshot: PlanSnapshot, at: datetime) -> str:
    return at.astimezone(ZoneInfo(snapshot.zone)).date().isoformat()

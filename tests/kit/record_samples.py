"""Makes one body of every event type by the code that sends them. Run as a script to record them in shared/kit/samples.

The fleet, its trips and its passes are invented.
"""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from alertd.delivery.circuit_breaker import Alarm
from alertd.notices.formats.webhook_event import brief_event
from alertd.notices.model import Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice
from alertd.notices.triggers.digest import DigestInput, digest_notice
from alertd.notices.triggers.late_delivery import SentDelivery, delivery_notices
from alertd.notices.triggers.missing_data import missing_forecast_notice
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.make_plan import make_plan
from alertd.plan.model.days import DeliveryNote
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import Summit
from alertd.service.channel_alarms import _notice as delivery_alarm
from alertd.service.recording.plan_recorder import not_planned_notice
from alertd.testing.factories import (
    IMMEDIATE_POLICY,
    at_hour,
    make_rig,
    make_route,
    make_rules,
    make_stop,
    make_weather,
)
from alertd.watch.beacon import beacon_of
from alertd.watch.silence import _office, _office_text

SAMPLES: Final = Path(__file__).resolve().parents[2] / "shared" / "kit" / "samples"
FLEET: Final = "Quillback Freight"


def sample_plan() -> Plan:
    """Chains over one invented pass, for an invented driver."""
    stops = [make_stop(n, m, milepost=f"I-90 MP {n}") for n, m in (("1", 30e3), ("2", 60e3))]
    summit = Summit(distance_m=45e3, elevation_m=1400.0, prominence_m=300.0, name="Larch Pass")
    route = make_route(80e3, stops=stops, summits=[summit])
    weather = make_weather(route, lambda m, d, h: np.where((d >= 40e3) & (d <= 50e3), RoadClass.SNOW, RoadClass.DRY))
    trip = TripInput(id="T-1041", depart_at=at_hour(6), driver="O. Fenwright", dispatcher="M. Oddleifson")
    return make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), at_hour(2)))


def sample_bodies() -> dict[str, dict[str, Any]]:
    """One body by type."""
    plan, now = sample_plan(), at_hour(2)
    sent, _ = plan_notices(plan, None, now, IMMEDIATE_POLICY)
    late = DeliveryNote(
        opens_at=None,
        closes_at=plan.arrive_at - timedelta(minutes=40),
        zone=plan.arrive_zone,
        late_s=2400.0,
        late_unchained_s=None,
        late_chained_s=None,
        late_probability=0.9,
    )
    delivery, _ = delivery_notices(replace(plan, delivery=late), SentDelivery(), now, Policy())
    office = [n for n in sent if n.audience.value == "dispatcher"]
    marked = [_marked_for_digest(n) for n in office]
    of = DigestInput(fleet=FLEET, zone=plan.arrive_zone, plans={plan.trip_id: plan}, lines={})
    digest = digest_notice(of, marked, now, Policy())
    assert digest is not None
    rows = [{"row": "row 3", "trip_id": "T-1044", "problem": 'rig: "tractor-99" is no rig of the folder'}]
    words = f"TRIPS NOT READ: 1 row of trips.csv. {phrases.SIGNS}"
    beacon = beacon_of(FLEET, plan.arrive_zone, [plan], at_hour(1), timedelta(hours=1))
    notices = [
        *sent,
        *delivery,
        digest,
        not_planned_notice("T-1042", "A. Driver", "no forecast reaches its road", now),
        *missing_forecast_notice(FLEET, [replace(plan, partial=True)], now),
        office_notice("fleet.trips_file", ("sample",), words, timedelta(hours=24), now, file="trips.csv", rows=rows),
        delivery_alarm(
            "texts", [Alarm(target="texts", kind="failing", text="texts: no answer", trip_id="T-1041")], now
        ),
        _office(beacon, now, ("silent",), _office_text(beacon)),
    ]
    bodies = {event["type"]: event for event in (json.loads(n.body) for n in reversed(notices))}
    brief = brief_event("ntc_" + "0" * 32, FLEET, "2026-01-05", f"MORNING BRIEF  {FLEET}. {phrases.SIGNS}", now)
    return bodies | {brief["type"]: brief}


def _marked_for_digest(notice: Notice) -> Notice:
    body = json.loads(notice.body)
    body["data"]["digest"] = True
    return replace(notice, kind=NoticeKind.CHANGED, body=json.dumps(body, separators=(",", ":"), ensure_ascii=False))


def main() -> None:
    SAMPLES.mkdir(parents=True, exist_ok=True)
    for name, body in sample_bodies().items():
        text = json.dumps(body, ensure_ascii=False, indent=1)
        (SAMPLES / f"{name}.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

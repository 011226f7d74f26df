"""Trips, plans, notices with their deliveries, channels and alerts, as they are on record."""

from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
import xmlschema

from alertd.notices.formats.cap import NAMESPACE
from alertd.notices.formats.cap_feed import ATOM
from alertd.service.cap_alerts import CapAlerts
from alertd.service.cycle import run_cycle
from alertd.service.retention import apply_retention
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.web.app import make_api

Open = Callable[..., Any]
TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00", "driver": "Ann"}
CAP = {"cap": NAMESPACE}


class Cycled:
    """A client on a store in which cycles have run, and the alerts made of them."""

    def __init__(self, client: Any, alerts: CapAlerts, again: Callable[[], Any]) -> None:
        self.client, self.alerts, self.again = client, alerts, again


@pytest.fixture
async def cycled(open_client: Open, open_planner: Any, make_settings: Any, morning: Any) -> AsyncIterator[Cycled]:
    client = await open_client()
    await client.post("/v1/trips", json=TRIP)
    clock: ManualClock = client.clock
    with FakeOpenMeteo(now_utc=morning) as forecasts:
        settings = make_settings(forecasts=forecasts.base_url, trips=None)
        settings = replace(settings, notices=replace(settings.notices, digest_every=timedelta(0)))  # each message alone
        async with open_planner(settings, clock) as planning:
            alerts = CapAlerts(client.store, settings.fleet)
            client._transport.app = make_api(planning, client.store, clock, lambda: None, alerts=alerts)

            async def again() -> None:
                await alerts.update(planning, await run_cycle(planning, client.store, clock()), clock())

            yield Cycled(client, alerts, again)


async def test_a_trip_by_its_id(open_client: Open) -> None:
    client = await open_client()
    assert (await client.get("/v1/trips/T-1")).status_code == 404
    assert (await client.get("/v1/trips/T-1/notices")).status_code == 404
    await client.post("/v1/trips", json=TRIP)
    trip = (await client.get("/v1/trips/T-1")).json()
    assert TRIP.items() <= trip.items()
    assert (trip["created_at"], trip["cancelled"]) == ("2027-01-14T10:30:00Z", False)
    await client.delete("/v1/trips/T-1")
    assert (await client.get("/v1/trips/T-1")).json()["cancelled"] is True
    assert (await client.get("/v1/trips/T-1/notices")).json() == {"trip_id": "T-1", "notices": []}


async def test_what_was_said_of_a_trip_with_how_far_each_target_has_it(cycled: Cycled) -> None:
    client = cycled.client
    await cycled.again()
    notices = (await client.get("/v1/trips/T-1/notices")).json()["notices"]
    assert {n["audience"] for n in notices} >= {"driver", "dispatcher", "fleet"}
    targets = client.settings.targets
    for notice in notices:
        assert [d["target"] for d in notice["deliveries"]] == list(
            next(names for audience, names in targets.items() if audience.value == notice["audience"])
        )
        assert {d["state"] for d in notice["deliveries"]} <= {"waiting"}
        assert (await client.get(f"/v1/notices/{notice['id']}")).json() == notice
    plan = (await client.get("/v1/trips/T-1/plan")).json()
    assert (plan.pop("stale"), plan.pop("stale_why")) == (False, "")
    assert (await client.get(f"/v1/plans/{plan['id']}")).json() == plan
    for unknown in ("/v1/notices/ntc_0", "/v1/plans/plan_0"):
        assert (await client.get(unknown)).status_code == 404


async def test_thinned_plan_is_one_line_with_what_remains(cycled: Cycled) -> None:
    """A replaced plan reads the same when it lies in a pack; once it is thinned, one line says what, when and why."""
    client, store = cycled.client, cycled.client.store
    await cycled.again()
    named = (await client.get("/v1/trips/T-1/plan")).json()["id"]
    text = store.plan(named).body
    plans = {f"plan_{n:032}": text.replace(named, f"plan_{n:032}") for n in range(3)}
    for n, (plan_id, body) in enumerate(plans.items(), start=1):
        store.record_plan(plan_id, "T-1", client.clock() + timedelta(hours=n), body, [], {})
    in_force, old, _ = plans  # the first was in force at the departure
    before = (await client.get(f"/v1/plans/{old}")).json()
    now = client.clock() + timedelta(days=4)
    assert store.packing.pack_plans(now) == 4
    assert (await client.get(f"/v1/plans/{old}")).json() == before
    apply_retention(store, client.settings.keep, now)
    answer = await client.get(f"/v1/plans/{old}")
    assert (answer.status_code, answer.json()["type"]) == (404, "urn:alertd:problem:no-such-plan")
    assert answer.json()["detail"] == (
        f"plan {old} of trip T-1, made at 2027-01-14T12:30:00Z, was removed at 2027-01-18T10:30:00Z by "
        "daemon.keep_days.every_plan, since no notice rests on it; it had "
        f"advice {before['advice']}, chain probability {before['chain_probability']}, departure {before['depart_at']}, "
        f"arrival {before['arrive_at']}; the plan kept before it is {in_force}"
    )
    for kept in (named, in_force):
        assert (await client.get(f"/v1/plans/{kept}")).status_code == 200


async def test_a_delivery_that_is_done_is_told_so(cycled: Cycled) -> None:
    client = cycled.client
    await cycled.again()
    (first, *_) = (await client.get("/v1/trips/T-1/notices")).json()["notices"]
    delivery = client.store.outbox.of_notice(first["id"])[0]
    client.store.outbox.claim_due(client.clock(), 100, 60.0, "me")
    client.store.outbox.mark_done(delivery.id, client.clock())
    (result, *_) = (await client.get(f"/v1/notices/{first['id']}")).json()["deliveries"]
    assert (result["state"], result["settled_at"], result["next_try"]) == ("done", "2027-01-14T10:30:00Z", None)


async def test_channels_with_what_waits_there(cycled: Cycled) -> None:
    await cycled.again()
    channels = (await cycled.client.get("/v1/health")).json()["channels"]
    assert {c["target"] for c in channels} == set(cycled.client.settings.channel_names)
    waiting = {c["target"]: c["waiting_n"] for c in channels}
    notices = (await cycled.client.get("/v1/trips/T-1/notices")).json()["notices"]
    for target in waiting:
        assert waiting[target] == sum(d["target"] == target for n in notices for d in n["deliveries"])


async def test_feed_is_absent_before_the_first_cycle(cycled: Cycled) -> None:
    """An empty feed would read as an all-clear."""
    assert (await cycled.client.get("/v1/alerts.atom")).status_code == 503
    await cycled.again()
    assert (await cycled.client.get("/v1/alerts.atom")).status_code == 200


async def test_the_feed_leads_to_alerts_that_are_cap_1_2(cycled: Cycled) -> None:
    await cycled.again()
    answer = await cycled.client.get("/v1/alerts.atom")
    assert answer.headers["content-type"] == "application/atom+xml; charset=utf-8"
    feed = ET.fromstring(answer.content)
    (link,) = feed.iterfind(f"{{{ATOM}}}entry/{{{ATOM}}}link")
    own = feed.find(f"{{{ATOM}}}link")
    assert own is not None
    assert own.get("href") == "http://localhost/v1/alerts.atom"
    alert = await cycled.client.get(str(link.get("href")))
    assert (alert.status_code, alert.headers["content-type"]) == (200, "application/cap+xml; charset=utf-8")
    xmlschema.XMLSchema(str(Path(__file__).parents[2] / "fixtures/cap/CAP-v1.2.xsd")).validate(alert.text)
    assert ET.fromstring(alert.content).findtext("cap:msgType", namespaces=CAP) == "Alert"
    assert (await cycled.client.get("/v1/alerts/alertd.plan_0.xml")).status_code == 404


async def test_later_alert_replaces_the_one_before_after_a_restart_too(cycled: Cycled) -> None:
    await cycled.again()
    first = cycled.alerts.active()[0]
    await cycled.again()  # the same plan of the same moment is the same alert
    assert cycled.alerts.active() == [first]
    cycled.client.clock.advance(timedelta(minutes=30))
    cycled.alerts._shown.clear()  # as a new process has it
    await cycled.again()
    (second,) = cycled.alerts.active()
    result = ET.fromstring(second.xml)
    assert result.findtext("cap:msgType", namespaces=CAP) == "Update"
    references = str(result.findtext("cap:references", namespaces=CAP))
    assert references == f"{cycled.alerts.sender.id},{first.identifier},2027-01-14T10:30:00-00:00"


async def test_a_cancelled_trip_has_no_alert(cycled: Cycled) -> None:
    await cycled.again()
    await cycled.client.delete("/v1/trips/T-1")
    assert cycled.alerts.active() == []


async def test_alerts_come_back_from_the_store_after_a_restart(
    cycled: Cycled, make_settings: Any, open_planner: Any
) -> None:
    """Until the first cycle has ended: the same bytes, under the time of the plan that they come from."""
    await cycled.again()
    before = cycled.alerts.active()
    assert before
    store, clock = cycled.client.store, cycled.client.clock
    clock.advance(timedelta(minutes=20))
    restarted = CapAlerts(store, cycled.alerts.sender.name)
    async with open_planner(make_settings(trips=None), clock) as planning:
        await restarted.restore(planning, clock())
        assert restarted.active() == before
        assert restarted.made_at == clock() - timedelta(minutes=20)
        over = CapAlerts(store, cycled.alerts.sender.name)
        await over.restore(planning, clock() + timedelta(days=3))
        assert (over.active(), over.made_at) == ([], None)


async def test_an_old_plan_is_marked_stale(cycled: Cycled) -> None:
    await cycled.again()
    fresh = (await cycled.client.get("/v1/trips/T-1/plan")).json()
    assert (fresh["stale"], fresh["stale_why"]) == (False, "")
    cycled.client.clock.advance(timedelta(hours=2))
    old = (await cycled.client.get("/v1/trips/T-1/plan")).json()
    assert old["stale"]
    assert old["stale_why"] == "the plan is 120 min old; no newer one was made"

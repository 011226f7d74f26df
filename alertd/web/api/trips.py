"""Routes of trips: register, list, cancel, and read them with their plans, notices and deliveries."""

import asyncio
import json
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse

from alertd.clock import Clock
from alertd.notices.model import Notice
from alertd.notices.sent_state import facts_from_plain
from alertd.notices.upheld import raised, upheld
from alertd.plan.serialize import FORMAT, to_plain
from alertd.planning.latest_plans import read_plan
from alertd.planning.planner import Planner
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.store.rows import Delivery, StoredPlan
from alertd.store.store import Store
from alertd.web.api.resources import KNOWN, After, JsonBody, Limit, page, parse_body, request_body
from alertd.web.api.trip_register import TripRegister, trip_etag
from alertd.web.problems import ProblemError

STALE_CYCLES: Final = 2.5  # [A] one cycle may fail or take long; two in a row are a fault


def trips_router(register: TripRegister, planner: Planner, store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")

    @router.post("", status_code=201, openapi_extra=request_body(TripRequest), responses=KNOWN)
    async def post_trip(body: JsonBody) -> Response:
        """Register a trip: 201 when new, 200 when it was known just so, 409 when the id is another trip's."""
        trip = parse_body(body, "trip", parse_trip)
        new = await register.add(trip)
        if new:
            register.wake()
        return JSONResponse(trip.model_dump(mode="json", by_alias=True), status_code=201 if new else 200)

    @router.get("")
    async def list_trips(
        limit: Limit = None,
        after: After = "",
        driver: Annotated[str, Query(max_length=200)] = "",
        rig: Annotated[str, Query(max_length=200)] = "",
    ) -> dict[str, Any]:
        """Every trip that is not cancelled, in the order of its registration; with `limit`, a page of them.

        `next_after` of a page is null on the last one. `driver` and `rig` select by the whole name.
        """
        rows = [json.loads(t.body) for t in await asyncio.to_thread(store.trips)]
        return page(
            "trips",
            rows,
            limit,
            after,
            keep=lambda r: driver in ("", r.get("driver")) and rig in ("", r.get("rig")),
        )

    @router.get("/{trip_id}/plan")
    async def get_plan(trip_id: str) -> dict[str, Any]:
        """The newest plan of a trip; while data are missing, never below what was sent before."""
        stored = await asyncio.to_thread(store.latest_plan, trip_id)
        if stored is None:
            raise ProblemError(404, "no plan", f"trip {trip_id} is unknown or not planned yet")
        why = stale_reason(stored, planner, clock())
        return {"format": FORMAT, **_as_seen(json.loads(stored.body), clock()), "stale": bool(why), "stale_why": why}

    @router.delete("/{trip_id}", status_code=204)
    async def cancel_trip(trip_id: str) -> None:
        """Stop planning a trip. What was already decided about it still goes out."""
        if not await asyncio.to_thread(store.cancel_trip, trip_id):
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")

    return router


def stale_reason(stored: StoredPlan, planner: Planner, now_utc: datetime) -> str:
    """Why a plan is no news of now; "" for a fresh one."""
    if missed := planner.latest.missed.get(stored.trip_id):
        return f"the last cycle could not plan this trip: {missed}"
    age_min = (now_utc - stored.made_at).total_seconds() / 60.0
    if age_min > STALE_CYCLES * planner.settings.plan_every_min:
        return f"the plan is {age_min:.0f} min old; no newer one was made"
    return ""


def _as_seen(body: dict[str, Any], now_utc: datetime) -> dict[str, Any]:
    """A stored plan as shown to people, see `notices.upheld`; unchanged when another version stored it."""
    plain: dict[str, Any] = body["plan"]
    plan = read_plan(json.loads(json.dumps(plain)))
    if plan is None:
        return plain
    seen = raised(plan, upheld(plan, facts_from_plain(body["said"]), now_utc), now_utc)
    if seen is plan:
        return plain
    for row, stretch in zip(plain["stretches"], seen.stretches, strict=True):
        row["advice"], row["hold_until"] = stretch.advice.value, to_plain(stretch.hold_until)
    return plain | {"advice": seen.advice.value, "cautions": list(seen.cautions)}


def _why_not_kept(store: Store, plan_id: str) -> str:
    """Why a plan cannot be shown, and for a thinned one what remains of it."""
    thinned = store.pruning.thinned_plan(plan_id)
    if thinned is None:
        return f"plan {plan_id} is unknown, or older than daemon.keep_days.plans"
    names = ("advice", "chain probability", "departure", "arrival")
    facts = ", ".join(f"{name} {value}" for name, value in zip(names, thinned.facts, strict=False))
    before = store.plan_before(thinned.trip_id, thinned.made_at)
    return (
        f"plan {plan_id} of trip {thinned.trip_id}, made at {to_plain(thinned.made_at)}, was removed at "
        f"{to_plain(thinned.thinned_at)} by daemon.keep_days.every_plan, since no notice rests on it; it had "
        f"{facts or 'a form that is unknown'}; the plan kept before it is {before or 'none'}"
    )


def records_router(store: Store) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/trips/{trip_id}")
    async def get_trip(trip_id: str, response: Response) -> dict[str, Any]:
        """A trip as it was registered, and whether it was cancelled."""
        stored = await asyncio.to_thread(store.trip, trip_id)
        if stored is None:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")
        about = {"created_at": to_plain(stored.created_at), "cancelled": stored.cancelled}
        response.headers["ETag"] = trip_etag(stored)
        return {**json.loads(stored.body), **about}

    @router.get("/trips/{trip_id}/notices")
    async def list_notices(trip_id: str, limit: Limit = None, after: After = "") -> dict[str, Any]:
        """What was said about a trip, oldest first, each with its deliveries; with `limit`, a page of them."""
        if await asyncio.to_thread(store.trip, trip_id) is None:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")
        return {"trip_id": trip_id, **page("notices", await asyncio.to_thread(_notices, store, trip_id), limit, after)}

    @router.get("/notices/{notice_id}")
    async def get_notice(notice_id: str) -> dict[str, Any]:
        """One notice with its deliveries."""
        notice = await asyncio.to_thread(store.notice, notice_id)
        if notice is None:
            raise ProblemError(404, "no such notice", f"notice {notice_id} is unknown")
        return _plain(notice, await asyncio.to_thread(store.outbox.of_notice, notice_id))

    @router.get("/plans/{plan_id}")
    async def get_plan_by_id(plan_id: str) -> dict[str, Any]:
        """One plan, also one that a newer plan of its trip has replaced."""
        stored = await asyncio.to_thread(store.plan, plan_id)
        if stored is None:
            raise ProblemError(404, "no such plan", await asyncio.to_thread(_why_not_kept, store, plan_id))
        return {"format": FORMAT, **json.loads(stored.body)["plan"]}

    return router


def _notices(store: Store, trip_id: str) -> list[dict[str, Any]]:
    return [_plain(notice, store.outbox.of_notice(notice.id)) for notice in store.notices(trip_id)]


def _plain(notice: Notice, deliveries: list[Delivery]) -> dict[str, Any]:
    return {
        "id": notice.id,
        "kind": notice.kind.value,
        "audience": notice.audience.value,
        "trip_id": notice.trip_id or None,
        "plan_id": notice.plan_id or None,
        "created_at": to_plain(notice.created_at),
        "expires_at": to_plain(notice.expires_at),
        "text": notice.text,
        "deliveries": [
            {
                "target": d.target,
                "state": d.state,
                "attempts": d.attempts,
                "next_try": to_plain(d.next_try) if d.settled_at is None else None,
                "settled_at": to_plain(d.settled_at),
                "note": d.note,
            }
            for d in deliveries
        ],
    }

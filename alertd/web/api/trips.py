"""Routes of stored records by id: a trip, a plan, and notices with their deliveries."""

import asyncio
import json
from typing import Any

from fastapi import APIRouter

from alertd.notices.model import Notice
from alertd.plan.serialize import FORMAT, to_plain
from alertd.store.rows import Delivery
from alertd.store.store import Store
from alertd.web.problems import ProblemError


def records_router(store: Store) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/trips/{trip_id}")
    async def get_trip(trip_id: str) -> dict[str, Any]:
        """A trip as it was registered, and whether it was cancelled."""
        stored = await asyncio.to_thread(store.trip, trip_id)
        if stored is None:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")
        about = {"created_at": to_plain(stored.created_at), "cancelled": stored.cancelled}
        return {**json.loads(stored.body), **about}

    @router.get("/trips/{trip_id}/notices")
    async def list_notices(trip_id: str) -> dict[str, Any]:
        """What was said about a trip, oldest first, each with its deliveries."""
        if await asyncio.to_thread(store.trip, trip_id) is None:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")
        return {"trip_id": trip_id, "notices": await asyncio.to_thread(_notices, store, trip_id)}

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
            raise ProblemError(404, "no such plan", f"plan {plan_id} is unknown")
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

"""Builds the HTTP application, with the routes for trips, positions and closures."""

import asyncio
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.responses import JSONResponse

import alertd
from alertd.clock import Clock
from alertd.errors import InputError
from alertd.notices.sent_state import facts_from_plain
from alertd.notices.upheld import raised, upheld
from alertd.plan.serialize import FORMAT, to_plain
from alertd.planning.latest_plans import read_plan
from alertd.planning.planner import Planner
from alertd.records.closures import IdConflict, active_closures, save_closure, withdraw
from alertd.records.positions import save_position
from alertd.service.cap_alerts import CapAlerts
from alertd.service.cycle import save_trip
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.service.tokens import TokenAuthenticator
from alertd.sources.files.toml import FileModel
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.closures import ClosureRequest, parse_closure
from alertd.sources.requests.driver_reports import ReportRequest
from alertd.sources.requests.positions import PositionRequest, parse_position
from alertd.store.store import Store
from alertd.web.api.alerts import alerts_router
from alertd.web.api.chain_log import chainlog_router
from alertd.web.api.driver_reports import reports_router
from alertd.web.api.health import channels_router, health_router, metrics_router
from alertd.web.api.posted_controls import posted_router
from alertd.web.api.route_uploads import GPX_LIMITS
from alertd.web.api.routes import ROUTES_PATH, routes_router
from alertd.web.api.scores import score_router
from alertd.web.api.trips import records_router
from alertd.web.auth import Authorizer
from alertd.web.exposure import exposed_by
from alertd.web.hosts import HostCheck, hosts_of
from alertd.web.idempotency import PARAMETER, IdempotencyMiddleware, IdempotencyStore, ReplayedAnswer, replay_answer
from alertd.web.middleware import RequestGuardMiddleware
from alertd.web.pages.router import pages_router
from alertd.web.problems import PROBLEM_RESPONSES, ProblemError, install_handlers

CLOCKS_APART = timedelta(minutes=5)  # largest tolerated lead of a device's clock


def _request_body(model: type[FileModel]) -> dict[str, Any]:
    """OpenAPI fields for a JSON body of this shape."""
    content = {"application/json": {"schema": model.model_json_schema()}}
    return {"requestBody": {"required": True, "content": content}, "parameters": [PARAMETER]}


_UNCHANGED: dict[int | str, dict[str, Any]] = {200: {"description": "It was known so."}}


def make_api(
    planner: Planner,
    store: Store,
    clock: Clock,
    wake: Callable[[], None],
    watched: tuple[Liveness, Metrics] | None = None,
    alerts: CapAlerts | None = None,
) -> FastAPI:
    """The application. `wake` triggers a cycle soon after a trip was added or changed. watched: liveness and metrics.

    `app.state.authenticator.allowed(token, scope)` checks a token, for pages that ask for one themselves.
    """
    app = FastAPI(title="alertd", version=alertd.__version__, docs_url=None, redoc_url=None, redirect_slashes=False)
    install_handlers(app)
    app.add_exception_handler(ReplayedAnswer, replay_answer)
    settings, once = planner.settings, IdempotencyStore(store, clock)
    app.state.authenticator = TokenAuthenticator(
        store, settings.http_token, clock, open_without=not exposed_by(settings)
    )
    authorizer = Authorizer(app.state.authenticator, settings.http_limits)
    liveness, metrics = watched or (Liveness(), Metrics())

    def serve(router: APIRouter, write: str) -> None:
        """Include a router: GET needs scope `read`, all other methods need scope `write`."""
        guards = [Depends(authorizer.require_scope(write)), Depends(once.look_up)]
        app.include_router(router, dependencies=guards, responses=PROBLEM_RESPONSES)

    serve(_trips(planner, store, clock, wake), "trips")
    serve(records_router(store), "trips")
    serve(routes_router(planner), "trips")
    serve(_positions(store, clock), "reports")
    serve(reports_router(store, clock, _body, _json, _request_body(ReportRequest)), "reports")
    serve(_closures(store, clock, wake), "posted")
    serve(posted_router(planner, store, clock, wake, _body, _json), "posted")
    serve(chainlog_router(planner, store, clock, _body, _json), "reports")
    serve(score_router(planner, store, clock), "admin")
    serve(channels_router(settings, store, clock), "admin")
    serve(alerts_router(alerts or CapAlerts(store, settings.fleet)), "admin")
    serve(metrics_router(store, clock, metrics), "admin")
    app.include_router(health_router(planner, store, clock, liveness, metrics), responses=PROBLEM_RESPONSES)
    app.include_router(pages_router(planner, store, clock, wake, authorizer))
    app.add_middleware(IdempotencyMiddleware, once=once)
    app.add_middleware(HostCheck, hosts=hosts_of(settings))
    app.add_middleware(
        RequestGuardMiddleware, larger={ROUTES_PATH: GPX_LIMITS.max_bytes}
    )  # the last middleware added is outermost
    return app


def _as_seen(body: dict[str, Any], now_utc: datetime) -> dict[str, Any]:
    """A stored plan as shown to people, see `notices.upheld`; unchanged when another version stored it."""
    plain: dict[str, Any] = body["plan"]
    plan = read_plan(json.loads(json.dumps(plain)))
    if plan is None:
        return plain
    seen = raised(plan, upheld(plan, facts_from_plain(body["said"]), now_utc), now_utc)
    if seen is plan:
        return plain
    for told, stretch in zip(plain["stretches"], seen.stretches, strict=True):
        told["advice"], told["hold_until"] = stretch.advice.value, to_plain(stretch.hold_until)
    return plain | {"advice": seen.advice.value, "cautions": list(seen.cautions)}


def _trips(planner: Planner, store: Store, clock: Clock, wake: Callable[[], None]) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")
    one_at_a_time = asyncio.Lock()  # between looking up an id and saving it

    @router.post("", status_code=201, openapi_extra=_request_body(TripRequest), responses=_UNCHANGED)
    async def post_trip(body: Annotated[bytes, Depends(_body)]) -> Response:
        """Register a trip: 201 when new, 200 when it was known just so, 409 when the id is another trip's."""
        now = clock()
        trip = parse_trip(_json(body, "trip"), "request")
        if trip.depart_at <= now:
            raise InputError(
                "request",
                "depart",
                f"{trip.depart} is in the past, it is {now.isoformat(timespec='seconds')}",
                "give a departure that is still to come",
            )
        for name in (trip.route, *trip.other_routes):
            planner.reference.gpx(name, "request")
        planner.reference.rig(trip.rig, "request")
        async with one_at_a_time:
            known = await asyncio.to_thread(store.trip, trip.id)
            if known is not None and known.cancelled:
                raise ProblemError(409, "the id is taken", f"trip {trip.id} was cancelled; give a new id")
            if known is not None and known.body != trip.model_dump_json():
                raise ProblemError(
                    409, "the id is taken", f"trip {trip.id} is there with another content; give a new id"
                )
            new = await asyncio.to_thread(save_trip, store, trip, now)
        if new:
            wake()
        return JSONResponse(trip.model_dump(mode="json"), status_code=201 if new else 200)

    @router.get("")
    async def list_trips() -> dict[str, Any]:
        """Every trip that is not cancelled."""
        return {"trips": [json.loads(t.body) for t in await asyncio.to_thread(store.trips)]}

    @router.get("/{trip_id}/plan")
    async def get_plan(trip_id: str) -> dict[str, Any]:
        """The newest plan of a trip; while data are missing, never below what was sent before."""
        stored = await asyncio.to_thread(store.latest_plan, trip_id)
        if stored is None:
            raise ProblemError(404, "no plan", f"trip {trip_id} is unknown or not planned yet")
        return {"format": FORMAT, **_as_seen(json.loads(stored.body), clock())}

    @router.delete("/{trip_id}", status_code=204)
    async def cancel_trip(trip_id: str) -> None:
        """Stop planning a trip. What was already decided about it still goes out."""
        if not await asyncio.to_thread(store.cancel_trip, trip_id):
            raise ProblemError(404, "no such trip", f"trip {trip_id} is unknown")

    return router


def _positions(store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/trips")

    @router.post(
        "/{trip_id}/positions", status_code=201, openapi_extra=_request_body(PositionRequest), responses=_UNCHANGED
    )
    async def post_position(trip_id: str, body: Annotated[bytes, Depends(_body)]) -> Response:
        """Report where the truck of a trip is: 201 when new, 200 when known just so. The next cycle plans from it."""
        now = clock()
        position = parse_position(_json(body, "position"), "request")
        if position.seen_at > now + CLOCKS_APART:
            raise InputError(
                "request",
                "at",
                f"{position.at} is in the future, it is {now.isoformat(timespec='seconds')}",
                "send when the truck was there; check the device's clock",
            )
        trip = await asyncio.to_thread(store.trip, trip_id)
        if trip is None or trip.cancelled:
            raise ProblemError(404, "no such trip", f"trip {trip_id} is {'unknown' if trip is None else 'cancelled'}")
        new = await asyncio.to_thread(save_position, store, trip_id, position)
        return JSONResponse({"trip_id": trip_id, **position.model_dump()}, status_code=201 if new else 200)

    return router


def _closures(store: Store, clock: Clock, wake: Callable[[], None]) -> APIRouter:
    router = APIRouter(prefix="/v1/closures")

    @router.post("", status_code=201, openapi_extra=_request_body(ClosureRequest), responses=_UNCHANGED)
    async def post_closure(body: Annotated[bytes, Depends(_body)]) -> Response:
        """Post a closed road: 201 when new, 200 when it was known just so, 409 when the id is another closure's."""
        closure = parse_closure(_json(body, "closure"), "request")
        try:
            new = await asyncio.to_thread(save_closure, store, closure, clock())
        except IdConflict as exc:
            raise ProblemError(409, "the id is taken", str(exc)) from exc
        if new:
            wake()
        return JSONResponse(closure.model_dump(mode="json", by_alias=True), status_code=201 if new else 200)

    @router.get("")
    async def list_closures() -> dict[str, Any]:
        """Every closure that is neither taken back nor over."""
        found = await asyncio.to_thread(active_closures, store, clock())
        return {"closures": [c.model_dump(mode="json", by_alias=True) for c in found]}

    @router.delete("/{closure_id}", status_code=204)
    async def delete_closure(closure_id: str) -> None:
        """Take a closure back: the road is open. Its id is not given again."""
        if not await asyncio.to_thread(withdraw, store, closure_id, clock()):
            raise ProblemError(404, "no such closure", f"closure {closure_id} is unknown")
        wake()

    return router


async def _body(request: Request) -> bytes:
    """The request's body; the middleware limits its size.

    JSON only: a web page in a browser on this machine can post other types here without permission.
    """
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "application/json":
        raise ProblemError(415, "not JSON", "send it with Content-Type: application/json")
    return await request.body()


def _json(body: bytes, what: str) -> Any:
    try:
        return json.loads(body)
    except ValueError as exc:
        raise InputError("request", "", "the body is not JSON", f"send one {what} as a JSON object") from exc
    except RecursionError as exc:
        raise InputError("request", "", "the body is nested too deep", f"send one {what} as a JSON object") from exc

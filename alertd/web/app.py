"""Builds the HTTP application from its routers and middleware."""

from collections.abc import Callable

from fastapi import APIRouter, Depends, FastAPI

import alertd
from alertd.clock import Clock
from alertd.planning.planner import Planner
from alertd.service.cap_alerts import CapAlerts
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.service.tokens import TokenAuthenticator
from alertd.store.store import Store
from alertd.web.api.alerts import alerts_router
from alertd.web.api.beacon import beacon_router
from alertd.web.api.chain_log import chainlog_router
from alertd.web.api.closures import closures_router
from alertd.web.api.driver_reports import reports_router
from alertd.web.api.event_log import event_log_router
from alertd.web.api.health import channels_router, health_router, metrics_router
from alertd.web.api.positions import positions_router
from alertd.web.api.posted_controls import posted_router
from alertd.web.api.route_uploads import GPX_LIMITS
from alertd.web.api.routes import ROUTES_PATH, routes_router
from alertd.web.api.scores import score_router
from alertd.web.api.trip_changes import position_batch_router, trip_changes_router
from alertd.web.api.trip_register import TripRegister
from alertd.web.api.trips import records_router, trips_router
from alertd.web.auth import Authorizer
from alertd.web.exposure import exposed_by
from alertd.web.hosts import HostCheck, hosts_of
from alertd.web.idempotency import IdempotencyMiddleware, IdempotencyStore, ReplayedAnswer, replay_answer
from alertd.web.middleware import RequestGuardMiddleware
from alertd.web.openapi.document import install_document, operation_id
from alertd.web.pages.router import pages_router
from alertd.web.problems import PROBLEM_RESPONSES, install_handlers
from alertd.web.reads import ReadsMiddleware


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
    app = FastAPI(
        title="alertd",
        version=alertd.__version__,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=operation_id,
    )
    install_document(app)
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

    register = TripRegister(planner, store, clock, wake)
    serve(trips_router(register, planner, store, clock), "trips")
    serve(trip_changes_router(register), "trips")
    serve(records_router(store), "trips")
    serve(routes_router(planner), "trips")
    serve(positions_router(store, clock), "reports")
    serve(position_batch_router(store, clock), "reports")
    serve(reports_router(store, clock), "reports")
    serve(event_log_router(store, settings, clock), "admin")
    serve(closures_router(planner, store, clock, wake), "posted")
    serve(posted_router(planner, store, clock, wake), "posted")
    serve(chainlog_router(planner, store, clock), "reports")
    serve(beacon_router(settings), "admin")
    serve(score_router(planner, store, clock), "admin")
    serve(channels_router(settings, store, clock), "admin")
    serve(alerts_router(alerts or CapAlerts(store, settings.fleet)), "admin")
    serve(metrics_router(store, clock, metrics), "admin")
    app.include_router(health_router(planner, store, clock, liveness, metrics), responses=PROBLEM_RESPONSES)
    app.include_router(pages_router(planner, store, clock, wake, authorizer))
    app.add_middleware(ReadsMiddleware)
    app.add_middleware(IdempotencyMiddleware, once=once)
    app.add_middleware(HostCheck, hosts=hosts_of(settings))
    app.add_middleware(
        RequestGuardMiddleware, larger={ROUTES_PATH: GPX_LIMITS.max_bytes}
    )  # the last middleware added is outermost
    return app

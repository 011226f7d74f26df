"""Routes of health, readiness, channel states and metrics."""

import asyncio
import logging
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Header, Response
from fastapi.responses import JSONResponse
from prometheus_client.exposition import choose_encoder

import alertd
from alertd.clock import Clock
from alertd.delivery.health import channel_health
from alertd.errors import StoreError
from alertd.plan.serialize import to_plain
from alertd.planning.planner import Planner
from alertd.service.clock_guard import GuardedClock
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.web.problems import PROBLEM_RESPONSES

PROBE_EVERY_S = 10.0  # shortest interval between probe writes to the store


MIN_FREE_BYTES = 200_000_000


STALE_AFTER_S = 1800.0  # age of an undelivered notice


PROBE = "probe"


_LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


_HUNG: dict[int | str, dict[str, Any]] = {503: {"description": "The work hangs; start the daemon anew."}}


def health_router(planner: Planner, store: Store, clock: Clock, liveness: Liveness, metrics: Metrics) -> APIRouter:
    router = APIRouter()
    can_write = _WriteProbe(store, clock)

    @router.get("/healthz", responses=_HUNG)
    async def healthz() -> Response:
        """The daemon's own work has moved on within the last minute; 503 when it hangs.

        Says nothing of sources, store or receivers: a restart mends none of them.
        """
        problem = liveness.problem()
        body = {"status": "hung" if problem else "up", "version": alertd.__version__}
        return JSONResponse(body | ({"problem": problem} if problem else {}), status_code=503 if problem else 200)

    @router.get("/readyz", responses=PROBLEM_RESPONSES)
    async def readyz() -> dict[str, Any]:
        """The store can be written; 503 when it cannot. Beside that what is worse than it should be, in `degraded`."""
        now = clock()
        await asyncio.to_thread(can_write)
        outbox = await asyncio.to_thread(store.outbox.health, now)
        ages_s, free = metrics.forecast_ages_s(now), await asyncio.to_thread(_free_bytes, planner)
        stale_s = planner.settings.forecast.stale_h * 3600.0
        degraded = [
            *([f"a notice has been undelivered for {outbox.oldest_waiting_age_s / 60.0:.0f} min"]
              if outbox.oldest_waiting_age_s > STALE_AFTER_S else []),
            *([f"{outbox.parked_n} deliveries are parked; `alertd parked` lists them"] if outbox.parked_n else []),
            *(f"the forecast of {name} is {age_s / 3600.0:.0f} h old" for name, age_s in ages_s.items()
              if age_s > stale_s),
            *(f"{host}: {why}" for host, why in sorted(metrics.doubted.items())),
            *(["no forecast has come since the start"] if metrics.blind else []),
            *([f"{_n(len(planner.latest.missed), 'trip')} cannot be planned; the board says why"]
              if planner.latest.missed else []),
            *([f"{_n(len(planner.latest.unread), 'row')} of trips cannot be read; `alertd check` and the board say why"]
              if planner.latest.unread else []),
            *([f"{clock.problem}: nothing is skipped, removed or expired"]
              if isinstance(clock, GuardedClock) and clock.problem else []),
            *([f"{free // 1_000_000} MB free on the disk"] if free < MIN_FREE_BYTES else []),
        ]  # fmt: skip
        return {
            "status": "ready",
            "undelivered": outbox.waiting_n,
            "oldest_undelivered_s": round(outbox.oldest_waiting_age_s),
            "parked": outbox.parked_n,
            "degraded": degraded,
            "forecast_age_s": {name: round(age_s) for name, age_s in ages_s.items()},
            "disk_free_bytes": free,
            "leading": metrics.leading,
        }

    return router


def _n(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


class _WriteProbe:
    """Writes one dummy row to the store, at most every `PROBE_EVERY_S`. Raises StoreError."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._done_s = float("-inf")

    def __call__(self) -> None:
        if time.monotonic() - self._done_s < PROBE_EVERY_S:
            return
        now = self._clock()
        self._store.due.put(PROBE, PROBE, _LONG_AGO)
        self._store.due.claim(now, 1, 0.0, PROBE, PROBE)  # each claim increments its epoch, so each is a write
        self._done_s = time.monotonic()


def _free_bytes(planner: Planner) -> int:
    place = planner.settings.store
    folder = place.parent if isinstance(place, Path) else planner.settings.cache
    while not folder.exists():
        folder = folder.parent
    return shutil.disk_usage(folder).free


def channels_router(settings: Settings, store: Store, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/health")
    async def get_health() -> dict[str, Any]:
        """Each channel: what waits, what is parked, when it last took something, and what is wrong with it."""
        return {"channels": await asyncio.to_thread(_channels)}

    def _channels() -> Any:
        # Channel states are read from the store, which outlives the daemon.
        kept = store.channels.by_name()
        return to_plain(channel_health(settings.channel_names, store.outbox.counts_by_channel(), (), kept, clock()))

    return router


log = logging.getLogger(__name__)


def metrics_router(store: Store, clock: Clock, meters: Metrics) -> APIRouter:
    router = APIRouter()

    @router.get("/metrics", response_class=Response)
    async def metrics(accept: Annotated[str, Header()] = "") -> Response:
        """OpenMetrics 1.0 text for who asks for it, Prometheus text 0.0.4 else. Never a trip, driver or place."""
        try:
            await asyncio.to_thread(meters.refresh, store, clock())
        except StoreError as exc:  # the other metrics are useful all the more
            log.warning("store metrics not updated: %s", exc)
        encode, content_type = choose_encoder(accept)
        return Response(encode(meters.registry), media_type=content_type)

    return router

"""Routes of the event log: what webhooks carry, for systems that fetch events or were down, and redelivery."""

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Header, Query, Request, Response
from fastapi.responses import StreamingResponse

from alertd.clock import Clock
from alertd.delivery.channels.webhook import SPEC as WEBHOOK
from alertd.errors import InputError
from alertd.notices.model import Audience
from alertd.plan.serialize import to_plain
from alertd.settings.model import Settings
from alertd.store.log.attempts import DeliveryAttempt
from alertd.store.log.event_log import EventFilter, EventPage, LoggedEvent
from alertd.store.rows import Delivery
from alertd.store.store import Store
from alertd.web.idempotency import PARAMETER
from alertd.web.problems import ProblemError

EVENT_STREAM: Final = "text/event-stream"
MAX_SEQ: Final = 2**31 - 1  # of the column in PostgreSQL
MAX_PAGE: Final = 200  # [A] events of at most 64 kB: 13 MB at most
POLL_EVERY_S: Final = 1.0  # [A] an event is seconds old when it is sent; one indexed look-up costs under a millisecond
STREAM_POLLS: Final = 600  # a stream ends after ten minutes, so that a revoked token does not keep reading
HEARTBEAT_EVERY: Final = 15
MAX_STREAMS: Final = 20  # [A] more than a fleet has systems, few enough for the store

_STREAM_CONTENT: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "description": "A page of events; a stream of them for `Accept: text/event-stream`.",
        "content": {EVENT_STREAM: {"schema": {"type": "string"}}},
    }
}
EventType = Literal[
    "trip.plan",
    "trip.message",
    "trip.delivery",
    "trip.not_planned",
    "fleet.brief",
    "fleet.digest",
    "fleet.data",
    "fleet.trips_file",
    "fleet.silent",
    "fleet.delivery",
]


class RawJson(Response):
    media_type = "application/json"


def event_log_router(store: Store, settings: Settings, clock: Clock) -> APIRouter:
    router = APIRouter(prefix="/v1/events")
    webhooks = tuple(c.name for c in settings.channels if c.spec.section == WEBHOOK.section)
    streams = _Streams(store)

    @router.get("", response_class=RawJson, responses=_STREAM_CONTENT)
    async def read_events(
        request: Request,
        after: Annotated[int, Query(ge=0, le=MAX_SEQ)] = 0,
        limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = 50,
        audience: Audience | None = None,
        types: Annotated[list[EventType] | None, Query(alias="type", max_length=10)] = None,
        trip_id: Annotated[str, Query(max_length=64)] = "",
        last_event_id: Annotated[str, Header(max_length=20)] = "",
    ) -> Response:
        """Events after a number, oldest first: the bodies that webhooks get, byte for byte, with `seq`.

        Continue with `after` = `next_after`. `missed` is true where retention has deleted events after that number.
        """
        wanted = EventFilter(audience=audience, types=tuple(types or ()), trip_id=trip_id)
        if EVENT_STREAM not in request.headers.get("accept", ""):
            page = await asyncio.to_thread(store.event_log.page, after, limit, wanted)
            _require_known(after, page)
            return RawJson(_page_json(page))
        start = _last_seen(last_event_id, after)
        _require_known(start, await asyncio.to_thread(store.event_log.page, start, 1, wanted))
        return streams.open(start, wanted)

    @router.get("/{event_id}", response_class=RawJson)
    async def read_event(event_id: str) -> Response:
        """One event with each attempt to deliver it."""
        event = await asyncio.to_thread(_event, event_id)
        deliveries, attempts = await asyncio.gather(
            asyncio.to_thread(store.outbox.of_notice, event_id), asyncio.to_thread(store.attempts.of_notice, event_id)
        )
        shown = [_delivery(d, attempts.get(d.id, [])) for d in deliveries]
        return RawJson(_event_json(event, {"deliveries": shown}))

    @router.post("/{event_id}/redeliver", status_code=202, openapi_extra={"parameters": [PARAMETER]})
    async def redeliver_event(event_id: str, target: Annotated[str, Query(max_length=64)] = "") -> dict[str, Any]:
        """Send an event again to its webhooks, or to one of them: the same bytes under the same id.

        Refused for an expired event, which the log still has, and for channels that are no webhooks.
        """
        event = await asyncio.to_thread(_event, event_id)
        if target and target not in webhooks:
            hint = f"name one of: {', '.join(webhooks)}" if webhooks else "add a [[webhook]] to the settings"
            raise InputError("request", "target", f'"{target}" is no webhook of the settings', hint)
        now = clock()
        if event.notice.expires_at <= now:
            detail = f"event {event_id} expired at {to_plain(event.notice.expires_at)}; read it with GET /v1/events"
            raise ProblemError(409, "expired", detail)
        wanted = (target,) if target else webhooks
        found = await asyncio.to_thread(store.outbox.of_notice, event_id)
        chosen = [d for d in found if d.target in wanted]
        if not chosen:
            raise ProblemError(409, "no delivery", f"event {event_id} was for no such webhook; see its deliveries")
        queued_n = await asyncio.to_thread(store.outbox.redeliver, [d.id for d in chosen], now)
        return {"id": event_id, "queued": queued_n, "targets": [d.target for d in chosen]}

    def _event(event_id: str) -> LoggedEvent:
        event = store.event_log.event(event_id)
        if event is None:
            raise ProblemError(404, "no such event", f"event {event_id} is unknown")
        return event

    return router


class _Streams:
    """Streams of server-sent events (HTML Living Standard, section 9.2). Their number is limited."""

    def __init__(self, store: Store) -> None:
        self._store, self._open_n = store, 0

    def open(self, after: int, wanted: EventFilter) -> Response:
        if self._open_n >= MAX_STREAMS:
            raise ProblemError(503, "busy", "too many streams are open; try again in 60 s", {"Retry-After": "60"})
        return StreamingResponse(
            self._frames(after, wanted), media_type=EVENT_STREAM, headers={"X-Accel-Buffering": "no"}
        )

    async def _frames(self, after: int, wanted: EventFilter) -> AsyncIterator[str]:
        self._open_n += 1
        try:
            yield "retry: 3000\n\n"
            for look in range(STREAM_POLLS):
                page = await asyncio.to_thread(self._store.event_log.page, after, MAX_PAGE, wanted)
                if page.missed:
                    yield 'event: missed\ndata: {"problem":"retention deleted events after this number"}\n\n'
                for event in page.events:
                    yield f"id: {event.seq}\nevent: {event.type}\ndata: {_event_json(event)}\n\n"
                if not page.events and look % HEARTBEAT_EVERY == 0:
                    yield f": up to {page.next_after}\n\n"
                after = page.next_after
                if not page.more:
                    await asyncio.sleep(POLL_EVERY_S)
        finally:
            self._open_n -= 1


def _last_seen(header: str, after: int) -> int:
    """The number to continue from. A browser repeats its last one in `Last-Event-ID` when it connects again."""
    if not header:
        return after
    if not (header.isascii() and header.isdigit() and int(header) <= MAX_SEQ):
        raise InputError("request", "Last-Event-ID", "is no number of an event", "send the last `id` of the stream")
    return int(header)


def _require_known(after: int, page: EventPage) -> None:
    """Refuse a number above the newest: the store was replaced, and waiting would skip its events."""
    if after > page.newest:
        hint = "the store was replaced: begin again with after=0 and drop the ids that you have"
        raise InputError("request", "after", f"is above the newest event, {page.newest}", hint)


def _page_json(page: EventPage) -> str:
    events = ",".join(_event_json(event) for event in page.events)
    rest = {"next_after": page.next_after, "more": page.more, "newest": page.newest, "missed": page.missed}
    return f'{{"events":[{events}],{_compact(rest)[1:]}'


def _event_json(event: LoggedEvent, more: dict[str, Any] | None = None) -> str:
    """One event as one line of JSON. `body` holds the stored bytes, so that it equals what a webhook gets."""
    notice = event.notice
    head = {
        "seq": event.seq,
        "id": notice.id,
        "type": event.type,
        "kind": notice.kind.value,
        "audience": notice.audience.value,
        "trip_id": notice.trip_id or None,
        "plan_id": notice.plan_id or None,
        "created_at": to_plain(notice.created_at),
        "expires_at": to_plain(notice.expires_at),
        **(more or {}),
    }
    return f'{_compact(head)[:-1]},"body":{notice.body}}}'


def _delivery(delivery: Delivery, attempts: list[DeliveryAttempt]) -> dict[str, Any]:
    return {
        "target": delivery.target,
        "state": delivery.state,
        "next_try": to_plain(delivery.next_try) if delivery.settled_at is None else None,
        "settled_at": to_plain(delivery.settled_at),
        "attempts": [{"at": to_plain(a.at), "outcome": a.outcome, "note": a.note} for a in attempts],
    }


def _compact(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))

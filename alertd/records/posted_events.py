"""The events of posted controls, all without a trip.

- posted_control: a control first seen, complete, `at` that time; from a feed, or from a person with the request sent;
- posted_read: a feed answered, `at` the time until which its answer is valid; each of its open controls applied then;
- posted_confirmed: a person confirmed that a control still applies;
- posted_ended: a feed no longer lists it, or a person withdrew it; with the time of the last confirmation.
"""

import hashlib
import json
import logging
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from pydantic import TypeAdapter

from alertd.errors import InputError
from alertd.plan.posted import PostedControl
from alertd.plan.serialize import canonical
from alertd.records.event_stream import EventStream, Retain, from_json
from alertd.sources.requests.posted_controls import PostedRequest, parse_posted
from alertd.store.rows import StoredEvent

log = logging.getLogger(__name__)

_CONTROL, _READ, _CONFIRMED, _ENDED = "posted_control", "posted_read", "posted_confirmed", "posted_ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSeen:
    """A control when it was first seen. feed: "" for a person's report; request: that report as sent, if readable."""

    key: str
    feed: str
    control: PostedControl
    request: PostedRequest | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedRead:
    """A feed's answer with the number of its controls."""

    feed: str
    controls_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlEnd:
    """The end of a control. last_confirmed: ISO time."""

    key: str
    last_confirmed: str


def control_digest(feed: str, control: PostedControl) -> str:
    """Identity of a control's content; any change makes it a different control."""
    plain = _control_form().dump_python(control, mode="json")
    del plain["confirmed_at"]
    return hashlib.sha256(canonical([feed, plain]).encode()).hexdigest()[:24]


def control_id(key: str) -> str:
    return f"{_CONTROL}_{key}"


def end_id(key: str) -> str:
    return f"{_ENDED}_{key}"


def plain_request(request: PostedRequest) -> dict[str, Any]:
    return request.model_dump(mode="json", by_alias=True)


def _dump_control(seen: FirstSeen) -> str:
    body = {"feed": seen.feed, "control": _control_form().dump_python(seen.control, mode="json")}
    return canonical(body if seen.request is None else body | {"request": plain_request(seen.request)})


def _parse_control(event: StoredEvent) -> FirstSeen:
    body = json.loads(event.body)
    control = _control_form().validate_json(json.dumps(body["control"]))
    try:
        request = parse_posted(body["request"], f"event {event.id}") if "request" in body else None
    except InputError as exc:  # the control as read at that time still counts
        log.warning("%s", exc)
        request = None
    key = event.id.removeprefix(f"{_CONTROL}_")
    return FirstSeen(key=key, feed=str(body.get("feed", "")), control=control, request=request)


CONTROLS: Final = EventStream[FirstSeen](
    kind=_CONTROL,
    id_of=lambda seen, trip_id, at: control_id(seen.key),
    dump=_dump_control,
    parse=_parse_control,
    retain=Retain.REPORTS,
)
READS: Final = EventStream[FeedRead](
    kind=_READ,
    id_of=lambda read, trip_id, at: f"{_READ}_{read.feed}_{int(at.timestamp())}",
    dump=lambda read: canonical({"feed": read.feed, "controls": read.controls_n}),
    parse=from_json(lambda body, where: FeedRead(feed=body["feed"], controls_n=body.get("controls", 0))),
    retain=Retain.REPORTS,
)
CONFIRMATIONS: Final = EventStream[str](  # by the control's key
    kind=_CONFIRMED,
    id_of=lambda key, trip_id, at: f"{_CONFIRMED}_{key}_{int(at.timestamp())}",
    dump=lambda key: canonical({"key": key}),
    parse=from_json(lambda body, where: str(body["key"])),
    retain=Retain.REPORTS,
)
ENDS: Final = EventStream[ControlEnd](
    kind=_ENDED,
    id_of=lambda end, trip_id, at: end_id(end.key),
    dump=lambda end: canonical({"key": end.key, "last_confirmed": end.last_confirmed}),
    parse=from_json(lambda body, where: ControlEnd(key=body["key"], last_confirmed=body.get("last_confirmed", ""))),
    retain=Retain.REPORTS,
)


@cache
def _control_form() -> TypeAdapter[PostedControl]:
    """Made at the first use: most commands read no posted control."""
    return TypeAdapter(PostedControl)

"""One row per operation: its tag, its answers by component, its refusals and an example."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

TAGS: Final = {
    "trips": "Register, change and read trips, their plans and notices.",
    "reports": "What trucks and drivers report.",
    "events": "What the daemon sends, as a log to read, and redelivery.",
    "roads": "Closed roads and posted controls.",
    "office": "Chain log and scores.",
    "alerts": "CAP alerts of the active plans.",
    "health": "Whether the daemon and its channels work.",
    "webhooks": "What the daemon sends by POST.",
}
_TRIP: Final = {
    "id": "T-1041",
    "route": "i90-west",
    "rig": "tractor-17",
    "depart": "2027-01-14T04:45:00-07:00",
    "driver": "O. Fenwright",
    "dispatcher": "M. Oddleifson",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """answers: component by status, "" for an answer without a described body. refusals: beyond those of every path."""

    tag: str
    summary: str
    answers: Mapping[int, str]
    refusals: tuple[int, ...] = ()
    example: Mapping[str, Any] = field(default_factory=dict)


def _get(tag: str, summary: str, component: str, *refusals: int) -> Operation:
    return Operation(tag=tag, summary=summary, answers={200: component}, refusals=refusals)


def _post(
    tag: str, summary: str, component: str, *refusals: int, example: Mapping[str, Any] | None = None
) -> Operation:
    return Operation(
        tag=tag,
        summary=summary,
        answers={201: component, 200: component},
        refusals=(413, 415, *refusals),
        example=example or {},
    )


OPERATIONS: Final[Mapping[str, Operation]] = {
    "post_trip": _post("trips", "Register a trip", "Trip", 409, example=_TRIP),
    "list_trips": _get("trips", "List trips", "TripList"),
    "get_trip": _get("trips", "Read a trip", "Trip", 404),
    "get_plan": _get("trips", "Read the newest plan of a trip", "Plan", 404),
    "cancel_trip": Operation(tag="trips", summary="Cancel a trip", answers={204: ""}, refusals=(404,)),
    "put_trip": Operation(
        tag="trips",
        summary="Change or register a trip",
        answers={200: "Trip", 201: "Trip"},
        refusals=(409, 412, 413, 415, 428),
        example=_TRIP,
    ),
    "post_trips": Operation(
        tag="trips",
        summary="Register many trips",
        answers={200: "BatchResult"},
        refusals=(413, 415),
        example={"trips": [_TRIP]},
    ),
    "list_notices": _get("trips", "Read the notices of a trip", "NoticeList", 404),
    "get_notice": _get("trips", "Read a notice", "Notice", 404),
    "get_plan_by_id": _get("trips", "Read a plan", "Plan", 404),
    "post_route": _post("trips", "Send a route", "SentRoute", 409, 507),
    "list_routes": _get("trips", "List routes", "RouteList"),
    "post_position": _post(
        "reports",
        "Report a position",
        "Position",
        404,
        example={"at": "2027-01-14T06:10:00-07:00", "lat": 47.0, "lon": -115.0},
    ),
    "post_positions": Operation(
        tag="reports",
        summary="Report many positions",
        answers={200: "BatchResult"},
        refusals=(413, 415),
        example={"positions": [{"trip_id": "T-1041", "at": "2027-01-14T06:10:00-07:00", "lat": 47.0, "lon": -115.0}]},
    ),
    "post_event": _post(
        "reports",
        "Report what a driver did",
        "Report",
        404,
        example={"what": "chains_on", "at": "2027-01-14T06:50:00-07:00", "place": "Sled Flats"},
    ),
    "list_events": _get("reports", "Read the reports of a trip", "ReportList", 404),
    "read_events": _get("events", "Read events after a number", "EventPage", 422),
    "read_event": _get("events", "Read an event with its attempts", "EventRecord", 404),
    "redeliver_event": Operation(
        tag="events", summary="Send an event again", answers={202: "Redelivery"}, refusals=(404, 409, 422)
    ),
    "post_closure": _post(
        "roads",
        "Post a closed road",
        "Closure",
        409,
        example={
            "id": "C-17",
            "from": [47.45, -115.69],
            "to": [47.49, -115.92],
            "begins_at": "2027-01-14T06:00:00-07:00",
            "what": "avalanche work",
            "source": "road authority, by telephone",
        },
    ),
    "list_closures": _get("roads", "List closures", "ClosureList"),
    "delete_closure": Operation(tag="roads", summary="Withdraw a closure", answers={204: ""}, refusals=(404,)),
    "post_posted": _post(
        "roads",
        "Report a posted control",
        "Posted",
        409,
        example={
            "id": "P-17",
            "jurisdiction": "US-ID",
            "level": "chains-required",
            "place": "Lookout Pass",
            "since": "2027-01-14T05:10:00-07:00",
            "source": "a driver, by telephone",
        },
    ),
    "list_posted": _get("roads", "List posted controls", "PostedList"),
    "delete_posted": Operation(tag="roads", summary="Withdraw a posted control", answers={204: ""}, refusals=(404,)),
    "get_chainlog": _get("office", "Read the chain log", "ChainLog", 422),
    "post_correction": _post("office", "Correct an entry of the chain log", "Correction", 404),
    "get_score": _get("office", "Read scores of plans", "Scores", 422),
    "get_beacon": _get("health", "Read the beacon", "Beacon", 404),
    "get_health": _get("health", "Read the states of channels", "ChannelList"),
    "get_alerts": _get("alerts", "Read the feed of alerts", "", 503),
    "get_alert": _get("alerts", "Read an alert", "", 404),
    "metrics": _get("health", "Read metrics", ""),
    "healthz": Operation(tag="health", summary="Whether jobs make progress", answers={200: "Alive", 503: "Alive"}),
    "readyz": _get("health", "Whether the store can be written", "Ready", 503),
}

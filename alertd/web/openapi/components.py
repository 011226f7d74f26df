"""Component schemas: the definitions of the webhook schema under names for types, and those of the answers.

Schemas of answers are open: new fields may come. Schemas of requests are closed: unknown fields are refused.
"""

from collections.abc import Mapping
from typing import Any, Final

Schema = dict[str, Any]

_EVENT_PREFIXES: Final = ("trip_", "fleet_")
TIME: Final[Schema] = {"type": "string", "format": "date-time", "examples": ["2027-01-14T11:45:00Z"]}
TEXT: Final[Schema] = {"type": "string"}
COUNT: Final[Schema] = {"type": "integer", "minimum": 0}


def component_name(definition: str) -> str:
    """The component of a definition of the webhook schema: trip_plan is TripPlanEvent, plan is EventPlan."""
    camel = "".join(part.capitalize() for part in definition.split("_"))
    return f"{camel}Event" if definition.startswith(_EVENT_PREFIXES) else f"Event{camel}"


def event_components(schema: Mapping[str, Any]) -> dict[str, Schema]:
    """The definitions of the webhook schema as components, with `Event` for any of its bodies."""
    found = {component_name(name): _renamed(one) for name, one in schema["$defs"].items()}
    return found | {"Event": {"description": schema["description"], "oneOf": _renamed(schema["oneOf"])}}


def _renamed(value: Any) -> Any:
    if isinstance(value, dict):
        out = {key: _renamed(inner) for key, inner in value.items() if (key, inner) != ("additionalProperties", False)}
        if out.get("const") is True:  # generators of Python clients write invalid code for it
            out = {key: inner for key, inner in out.items() if key != "const"} | {"type": "boolean"}
        if isinstance(ref := out.get("$ref"), str):
            out["$ref"] = f"#/components/schemas/{component_name(ref.removeprefix('#/$defs/'))}"
        return out
    return [_renamed(inner) for inner in value] if isinstance(value, list) else value


def ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def array(name: str) -> Schema:
    return {"type": "array", "items": ref(name)}


def maybe(schema: Schema) -> Schema:
    """The schema or null, which means "not known"."""
    return {**schema, "type": [schema["type"], "null"]}


def record(description: str, optional: Mapping[str, Schema] | None = None, /, **fields: Schema) -> Schema:
    """An object; all `fields` are required, `optional` ones are not."""
    return {
        "type": "object",
        "description": description,
        "properties": {**fields, **(optional or {})},
        "required": list(fields),
    }


def plan_component(schema: Mapping[str, Any]) -> Schema:
    """A plan as a `GET` answers it: the fields of an event's plan; the parts that an event shortens are open."""
    plan = _renamed(schema["$defs"]["plan"])
    # An event counts the tires of a demand and omits single tires of the law: their whole form has other fields.
    whole = {"stretches", "law"}
    properties = {
        name: {"type": "array", "items": {"type": "object"}} if name in whole else one
        for name, one in plan["properties"].items()
    }
    extra = {
        "format": {"const": "alertd.plan/1"},
        "stale": {
            "type": "boolean",
            "description": "True: older than two cycles, or not planned in the last. A floor, never clear.",
        },
        "stale_why": {"type": "string", "description": "The reason in words; empty for a fresh plan."},
    }
    return {
        "type": "object",
        "description": plan.get("description", "A plan.") + " Posted signs and officers decide.",
        "properties": {**properties, **extra},
        "required": ["id", "trip_id", "made_at", "advice", "stretches", "cautions", "partial", "format"],
    }


PROBLEM: Final = {
    **record(
        "A refusal: problem details after RFC 9457.",
        {
            "field": {"type": "string", "description": "The field of the request that is wrong."},
            "mend": {"type": "string", "description": "What to write instead."},
        },
        type={
            "type": "string",
            "format": "uri-reference",
            "description": "urn:alertd:problem:NAME, listed in api.md; about:blank where the status says all.",
        },
        title=TEXT,
        status={"type": "integer", "minimum": 400, "maximum": 599},
        detail={"type": "string", "description": "One line: where, what is wrong, and the correction."},
    ),
    "examples": [
        {
            "type": "urn:alertd:problem:no-such-trip",
            "title": "no such trip",
            "status": 404,
            "detail": "trip T-9 is unknown",
        }
    ],
}

_DELIVERY: Final[dict[str, Schema]] = {
    "target": TEXT,
    "state": {"enum": ["waiting", "done", "parked", "expired"]},
    "next_try": maybe(TIME),
    "settled_at": maybe(TIME),
}
_EVENT: Final[dict[str, Schema]] = {
    "seq": {"type": "integer", "minimum": 1, "description": "Rises with every event; has gaps, is never reused."},
    "id": {"type": "string", "description": "The webhook-id."},
    "type": {"type": "string", "description": "The type of the body."},
    "kind": TEXT,
    "audience": {"enum": ["driver", "dispatcher", "fleet"]},
    "trip_id": maybe(TEXT),
    "plan_id": maybe(TEXT),
    "created_at": TIME,
    "expires_at": TIME,
    "body": ref("Event"),
}

# Of the answers. Those of requests come from their models, under the names of these.
ANSWERS: Final[dict[str, Schema]] = {
    "Problem": PROBLEM,
    "Trip": record(
        "A trip as registered.",
        {
            "route": maybe(TEXT),
            "routes": {"type": ["array", "null"], "items": TEXT},
            "driver": TEXT,
            "dispatcher": TEXT,
            "created_at": TIME,
            "cancelled": {"type": "boolean"},
        },
        id=TEXT,
        rig=TEXT,
        depart=TEXT,
    ),
    "TripList": record("Trips.", {"next_after": maybe(TEXT)}, trips=array("Trip")),
    "BatchRow": record(
        "The outcome of one row of a batch.",
        {"id": maybe(TEXT), "trip_id": maybe(TEXT), "problem": ref("Problem")},
        index=COUNT,
        status={"type": "integer", "description": "201 new, 200 already known, or that of the problem."},
    ),
    "BatchResult": record("The outcome of each row, in the order sent.", results=array("BatchRow")),
    "Delivery": record("A delivery of a notice.", note=TEXT, attempts=COUNT, **_DELIVERY),
    "Notice": record(
        "A notice with its deliveries.",
        id=TEXT,
        kind=TEXT,
        audience={"enum": ["driver", "dispatcher", "fleet"]},
        trip_id=maybe(TEXT),
        plan_id=maybe(TEXT),
        created_at=TIME,
        expires_at=TIME,
        text=TEXT,
        deliveries=array("Delivery"),
    ),
    "NoticeList": record(
        "The notices of a trip, oldest first.", {"next_after": maybe(TEXT)}, trip_id=TEXT, notices=array("Notice")
    ),
    "LoggedEvent": record("An event of the log. `body` is what a webhook gets, byte for byte.", **_EVENT),
    "EventPage": record(
        "A page of the event log, oldest first.",
        events=array("LoggedEvent"),
        next_after={**COUNT, "description": "Send it as `after` for the next page."},
        more={"type": "boolean", "description": "More events are there now."},
        newest=COUNT,
        missed={"type": "boolean", "description": "Retention has deleted events after the given number."},
    ),
    "Attempt": record(
        "One attempt to deliver.",
        at=TIME,
        outcome={"enum": ["done", "failed", "parked", "expired", "requeued"]},
        note=TEXT,
    ),
    "EventRecord": record(
        "An event with each attempt to deliver it.",
        deliveries={
            "type": "array",
            "items": record("A delivery.", **_DELIVERY, attempts=array("Attempt")),
        },
        **_EVENT,
    ),
    "Redelivery": record("What was queued again.", id=TEXT, queued=COUNT, targets={"type": "array", "items": TEXT}),
    "Position": record("A position.", trip_id=TEXT, at=TEXT, lat={"type": "number"}, lon={"type": "number"}),
    "Report": record("A report of a driver.", what=TEXT, at=TEXT),
    "ReportList": record("The reports of a trip, oldest first.", trip_id=TEXT, events=array("Report")),
    "RoutePart": record(
        "A route that a trip may name.", name=TEXT, bytes=COUNT, changed_at=TIME, sent={"type": "boolean"}
    ),
    "RouteList": record("The routes.", {"next_after": maybe(TEXT)}, routes=array("RoutePart")),
    "SentRoute": record("A route as stored.", name=TEXT, points=COUNT, findings={"type": "array", "items": TEXT}),
    "Closure": record(
        "A closed road.",
        {
            "routes": {"type": "array", "items": TEXT, "description": "Routes of active trips that it lies on."},
            "trips": {"type": "array", "items": TEXT, "description": "Their trips."},
            "not_checked": {"type": "array", "items": TEXT, "description": "Routes that cannot be read."},
            "warning": {"type": "string", "description": "It lies on no route of an active trip."},
        },
        id=TEXT,
    ),
    "ClosureList": record("The active closures.", {"next_after": maybe(TEXT)}, closures=array("Closure")),
    "Posted": record("A posted control.", id=TEXT, jurisdiction=TEXT, level=TEXT),
    "PostedList": record("The active controls.", {"next_after": maybe(TEXT)}, posted=array("Posted")),
    "Channel": record("The state of a channel.", target=TEXT),
    "ChannelList": record("Every channel.", channels=array("Channel")),
    "ChainLog": record(
        "When chains were on.",
        entries={"type": "array", "items": {"type": "object"}},
        drivers={"type": "array", "items": {"type": "object"}},
    ),
    "Correction": record("A correction as stored.", entry=TEXT),
    "Scores": record("Scores of plans.", scores={"type": "array", "items": {"type": "object"}}),
    "Beacon": record("The signed beacon of the last good cycle."),
    "Alive": record("Whether jobs make progress.", {"problem": TEXT}, status={"enum": ["up", "hung"]}, version=TEXT),
    "Ready": record(
        "Whether the store can be written, and what is worse than it should be.",
        status={"const": "ready"},
        undelivered=COUNT,
        parked=COUNT,
        degraded={"type": "array", "items": TEXT},
    ),
}

"""Builds the OpenAPI document of an application from its routes, the components and the table of operations."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from alertd.settings.shipped import event_schema
from alertd.web.openapi.components import (
    ANSWERS,
    Schema,
    component_name,
    event_components,
    plan_component,
    ref,
)
from alertd.web.openapi.operations import OPERATIONS, TAGS, Operation
from alertd.web.problems import MEDIA_TYPE

JSON: Final = "application/json"
# Rises with a breaking change, which also needs a new `format` or a new first part of the path.
CONTRACT_VERSION: Final = 1
_METHODS: Final = ("get", "post", "put", "delete")
_ALWAYS: Final = (400, 421, 429)
_GUARDED: Final = (401, 403)
_TEXT: Final = {"type": "string"}
_SIGNATURE: Final = {
    "webhook-id": "The notice's id, the same on every attempt.",
    "webhook-timestamp": "Seconds since 1970 of this attempt.",
    "webhook-signature": "One or more `v1,` signatures with a space between, after Standard Webhooks 1.0.0.",
}
_DESCRIPTION: Final = (
    "Plans and notices for trucks on winter passes. Posted signs and officers decide. Never show a text to a driver "
    "whose truck is moving. No field, present or absent, means that chains are not needed. Answers may get new "
    "fields: ignore what you do not know."
)


def operation_id(route: APIRoute) -> str:
    """The name of the handler: short, unique, and stable for generated clients."""
    return route.name


def install_document(app: FastAPI) -> None:
    """Serve the document at /openapi.json. It is built once, at the first request."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _document(app)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def _document(app: FastAPI) -> dict[str, Any]:
    made = get_openapi(title=app.title, version=app.version, openapi_version="3.1.0", routes=app.routes)
    schema = event_schema()
    schemas: dict[str, Schema] = {**ANSWERS, "Plan": plan_component(schema), **event_components(schema)}
    used = _used_names(made, schemas)
    for path, operations in made["paths"].items():
        for method, operation in operations.items():
            if method in _METHODS:
                _complete(path, operation, OPERATIONS[operation["operationId"]], schemas)
    security = made["components"]["securitySchemes"]
    return {
        "openapi": made["openapi"],
        "info": {
            **made["info"],
            "x-contract-version": CONTRACT_VERSION,
            "summary": "Weather and chain alerts for truck trips",
            "description": _DESCRIPTION,
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": "/", "description": "The daemon that serves this document."}],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items()],
        "paths": made["paths"],
        "webhooks": {name: _webhook(name, one) for name, one in sorted(_event_types(schema).items())},
        "components": {
            "schemas": dict(sorted((schemas | used).items())),
            "responses": {_response_name(status): _refusal(status) for status in _all_refusals()},
            "securitySchemes": security,
        },
    }


def _used_names(made: dict[str, Any], schemas: Mapping[str, Schema]) -> dict[str, Schema]:
    """The components that FastAPI made itself, without those of its own validation errors."""
    own = made.get("components", {}).get("schemas", {})
    return {n: one for n, one in own.items() if n not in schemas and "ValidationError" not in n}


def _complete(path: str, operation: dict[str, Any], row: Operation, schemas: dict[str, Schema]) -> None:
    operation["tags"], operation["summary"] = [row.tag], row.summary
    _name_request(operation, row, schemas)
    found = operation["responses"]
    refusals = {*_ALWAYS, *row.refusals, *(_GUARDED if "security" in operation else ())}
    if "requestBody" in operation or operation.get("parameters"):
        refusals.add(422)
    answers: dict[str, Any] = {}
    for status, component in sorted(row.answers.items()):
        given = found.get(str(status), {})
        answer = {"description": _description(status, given)}
        content = dict(given.get("content", {}))
        if component:
            content[JSON] = {"schema": ref(component)}
        content.pop(JSON, None) if not component and len(content) > 1 else None
        answers[str(status)] = answer | ({"content": content} if content and status != 204 else {})
    for status in sorted(refusals - row.answers.keys()):
        answers[str(status)] = {"$ref": f"#/components/responses/{_response_name(status)}"}
    answers["default"] = {"$ref": f"#/components/responses/{_response_name(500)}"}
    operation["responses"] = answers
    if "security" not in operation:
        operation["security"] = []


def _name_request(operation: dict[str, Any], row: Operation, schemas: dict[str, Schema]) -> None:
    """Move the schema of a request to a component of its name, so that generated clients have a type for it."""
    media = operation.get("requestBody", {}).get("content", {}).get(JSON)
    if media is None or "title" not in media["schema"]:
        return
    schema = media["schema"]
    name = str(schema["title"])
    for inner, definition in schema.pop("$defs", {}).items():
        schemas[inner] = _without_refs_to_defs(_with_types(definition))
    schemas[name] = _without_refs_to_defs(_with_types(schema))
    media["schema"] = ref(name)
    if row.example:
        media["example"] = dict(row.example)


def _with_types(schema: Schema) -> Schema:
    """The schema with a choice of required keys as a double negation, which means the same.

    Generators of clients take `anyOf` beside `properties` for a union without types, and leave `not` alone.
    """
    either = schema.get("anyOf")
    if not either or "properties" not in schema or any(set(one) != {"required"} for one in either):
        return schema
    return {key: value for key, value in schema.items() if key != "anyOf"} | {"not": {"not": {"anyOf": either}}}


def _without_refs_to_defs(value: Any) -> Any:
    if isinstance(value, dict):
        out = {key: _without_refs_to_defs(inner) for key, inner in value.items()}
        if isinstance(out.get("$ref"), str):
            out["$ref"] = out["$ref"].replace("#/$defs/", "#/components/schemas/")
        return out
    return [_without_refs_to_defs(inner) for inner in value] if isinstance(value, list) else value


def _description(status: int, given: Mapping[str, Any]) -> str:
    text = str(given.get("description", ""))
    return (
        text
        if text and text != "Successful Response"
        else {201: "New.", 202: "Queued.", 204: "Done."}.get(status, "The answer.")
    )


def _event_types(schema: Mapping[str, Any]) -> dict[str, str]:
    """The component of each event by its type."""
    found = {}
    for one in schema["oneOf"]:
        name = one["$ref"].removeprefix("#/$defs/")
        found[schema["$defs"][name]["properties"]["type"]["const"]] = component_name(name)
    return found


def _webhook(type_: str, component: str) -> dict[str, Any]:
    name = type_.replace(".", "_")
    headers = [
        {"name": key, "in": "header", "required": True, "schema": _TEXT, "description": text}
        for key, text in _SIGNATURE.items()
    ]
    answers = {
        "204": "Taken. Any 2xx counts: answer at once and work later.",
        "400": "Not taken: about this one notice. It is parked after four attempts if you took others meanwhile.",
        "410": "Nothing more is sent to you until an operator reopens you.",
        "429": "Nothing more is sent until the time of Retry-After.",
    }
    return {
        "post": {
            "operationId": f"on_{name}",
            "tags": ["webhooks"],
            "summary": f"The event {type_}",
            "description": "Sent to each webhook of its audience, at least once.",
            "parameters": headers,
            "requestBody": {"required": True, "content": {JSON: {"schema": ref(component)}}},
            "responses": {status: {"description": text} for status, text in answers.items()},
            "security": [],
        }
    }


def _all_refusals() -> list[int]:
    rows = {status for row in OPERATIONS.values() for status in row.refusals}
    return sorted({*rows, *_ALWAYS, *_GUARDED, 422, 500})


def _response_name(status: int) -> str:
    return "".join(word.capitalize() for word in HTTPStatus(status).phrase.replace("-", " ").split())


def _refusal(status: int) -> dict[str, Any]:
    headers = {}
    if status in (429, 503):
        headers = {"Retry-After": {"schema": {"type": "integer"}, "description": "Seconds to wait."}}
    if status == 401:
        headers = {"WWW-Authenticate": {"schema": _TEXT}}
    text = "Any other refusal, or an internal error." if status == 500 else f"{HTTPStatus(status).phrase}."
    answer: dict[str, Any] = {"description": text, "content": {MEDIA_TYPE: {"schema": ref("Problem")}}}
    return answer | ({"headers": headers} if headers else {})

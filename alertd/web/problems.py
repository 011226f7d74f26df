"""HTTP errors as problem details (RFC 9457): one body shape for every kind."""

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import Match

from alertd.errors import AlertdError, InputError
from alertd.records.closures import IdConflict

MEDIA_TYPE = "application/problem+json"

# For FastAPI: every error of every path is a problem detail. `web.openapi` describes it.
PROBLEM_RESPONSES: dict[int | str, dict[str, Any]] = {
    "default": {"description": "Refused or not possible now: a problem detail (RFC 9457)."}
}

TYPE_PREFIX = "urn:alertd:problem:"
# Registered types (RFC 9457 section 3.1.1): programs decide by these, not by words. A name keeps its meaning.
PROBLEM_TYPES: Mapping[str, str] = {
    "busy": "Too much of this kind runs now; repeat after Retry-After.",
    "changed-meanwhile": "The resource differs from the one that If-Match names; read it again.",
    "compressed": "The request has a Content-Encoding.",
    "expired": "The event is of no use any more and is not sent late.",
    "if-match-is-missing": "A change needs If-Match with the ETag of the resource as you read it.",
    "internal-error": "A fault of alertd; the log has the details. May be repeated.",
    "no-beacon": "No beacon is written, or no cycle has ended yet.",
    "no-delivery": "The event was not for such a webhook.",
    "no-idempotency-key": "The header has no valid key.",
    "no-plan": "The trip is unknown or not planned yet.",
    "no-room": "The limit of stored routes is reached.",
    "no-such-alert": "No such alert is active.",
    "no-such-closure": "No such closure is known.",
    "no-such-event": "No such event is in the log.",
    "no-such-notice": "No such notice is known.",
    "no-such-plan": "No such plan is kept.",
    "no-such-report": "No such posted control was reported.",
    "no-such-trip": "The trip is unknown or cancelled.",
    "no-valid-host": "The request has no valid Host.",
    "no-valid-token": "The request has no valid token.",
    "not-a-name-of-this-daemon": "The Host is not a name of this daemon.",
    "not-allowed": "The token has no such scope.",
    "not-available-now": "The daemon cannot answer now. May be repeated.",
    "not-gpx": "The content type is not application/gpx+xml or application/octet-stream.",
    "not-json": "The content type is not application/json.",
    "still-under-way": "The first request with this key is not answered yet.",
    "the-id-is-taken": "The id belongs to another resource, or to a withdrawn one.",
    "the-key-is-taken": "The idempotency key was used for another request.",
    "the-name-is-taken": "Another file has this name.",
    "the-request-has-a-mistake": "`field` names the mistake and `mend` the correction.",
    "too-large": "The body or the headers are too large.",
    "too-many-requests": "The rate limit is reached; repeat after Retry-After.",
    "too-many-wrong-tokens": "Too many wrong tokens came from this address.",
    "too-slow": "The whole request did not come in time.",
    "two-lengths": "The request has Content-Length and Transfer-Encoding.",
}


class ProblemError(Exception):
    """A request answered with an error status and a reason."""

    def __init__(self, status: int, title: str, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail, self.headers = status, title, detail, headers


def install_handlers(app: FastAPI) -> None:
    """Convert exceptions to problem details."""

    @app.exception_handler(IdConflict)
    async def taken(request: Request, exc: IdConflict) -> Response:
        return problem(id_taken(exc))

    @app.exception_handler(ProblemError)
    async def refused(request: Request, exc: ProblemError) -> Response:
        return problem(exc)

    @app.exception_handler(InputError)
    async def mistaken(request: Request, exc: InputError) -> Response:
        return _problem(422, "the request has a mistake", str(exc), field=exc.field, mend=exc.hint)

    @app.exception_handler(AlertdError)
    async def failed(request: Request, exc: AlertdError) -> Response:
        return _problem(503, "not available now", str(exc))

    @app.exception_handler(HTTPException)
    async def unserved(request: Request, exc: HTTPException) -> Response:
        headers = {"Allow": _allowed(request)} if exc.status_code == 405 else exc.headers
        return _problem(exc.status_code, exc.detail, f"{request.method} {request.url.path}", headers=headers)

    @app.exception_handler(RequestValidationError)
    async def unfit(request: Request, exc: RequestValidationError) -> Response:
        first = exc.errors()[0]
        field = str(first["loc"][-1])
        return _problem(422, "the request has a mistake", f"request: {field}: {first['msg']}", field=field)


def _allowed(request: Request) -> str:
    """The methods of all routes of a path: each route alone names only its own (RFC 9110 section 10.2.1)."""
    methods = [
        method
        for method in ("DELETE", "GET", "PATCH", "POST", "PUT")
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in request.app.routes)
    ]
    return ", ".join(sorted([*methods, *(["HEAD"] if "GET" in methods else [])]))


def id_taken(exc: IdConflict) -> "ProblemError":
    return ProblemError(409, "the id is taken", str(exc))


def problem_of(exc: InputError | ProblemError | IdConflict) -> dict[str, Any]:
    """The problem detail of one row of a batch."""
    if isinstance(exc, InputError):
        return _body(422, "the request has a mistake", str(exc), field=exc.field, mend=exc.hint)
    refused = id_taken(exc) if isinstance(exc, IdConflict) else exc
    return _body(refused.status, refused.title, refused.detail)


def problem(exc: ProblemError) -> Response:
    return _problem(exc.status, exc.title, exc.detail, headers=exc.headers)


def internal_error() -> Response:
    """The answer to an internal error: the log has the details under the request's id."""
    return _problem(500, "internal error", "the log has the details; the request may be sent again")


def problem_type(title: str) -> str:
    """The registered type of a problem with this title; about:blank for a plain HTTP status."""
    name = "-".join(title.lower().split())
    return f"{TYPE_PREFIX}{name}" if name in PROBLEM_TYPES else "about:blank"


def _problem(
    status: int, title: str, detail: str, headers: Mapping[str, str] | None = None, **members: str
) -> Response:
    body = _body(status, title, detail, **members)
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE, headers=headers)


def _body(status: int, title: str, detail: str, **members: str) -> dict[str, Any]:
    body: dict[str, str | int] = {"type": problem_type(title), "title": title, "status": status, "detail": detail}
    body |= {name: value for name, value in members.items() if value}
    # Text of a request may contain a lone surrogate, which UTF-8 cannot encode.
    return {name: v.encode(errors="replace").decode() if isinstance(v, str) else v for name, v in body.items()}

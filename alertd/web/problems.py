"""HTTP errors as problem details (RFC 9457): one body shape for every kind."""

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from alertd.errors import AlertdError, InputError

MEDIA_TYPE = "application/problem+json"

# For the OpenAPI document: every error of every path has this shape.
PROBLEM_RESPONSES: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "Refused or not possible now: a problem detail (RFC 9457).",
        "content": {
            MEDIA_TYPE: {
                "schema": {
                    "type": "object",
                    "required": ["type", "title", "status", "detail"],
                    "properties": {
                        "type": {"type": "string", "const": "about:blank"},
                        "title": {"type": "string"},
                        "status": {"type": "integer"},
                        "detail": {"type": "string", "description": "One line: where, what is wrong, the mend."},
                        "field": {"type": "string", "description": "The field of the request that is wrong."},
                        "mend": {"type": "string", "description": "What to write instead."},
                    },
                }
            }
        },
    }
}


class ProblemError(Exception):
    """A request answered with an error status and a reason."""

    def __init__(self, status: int, title: str, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail, self.headers = status, title, detail, headers


def install_handlers(app: FastAPI) -> None:
    """Convert exceptions to problem details."""

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
        return _problem(exc.status_code, exc.detail, f"{request.method} {request.url.path}", headers=exc.headers)

    @app.exception_handler(RequestValidationError)
    async def unfit(request: Request, exc: RequestValidationError) -> Response:
        first = exc.errors()[0]
        field = str(first["loc"][-1])
        return _problem(422, "the request has a mistake", f"request: {field}: {first['msg']}", field=field)


def problem(exc: ProblemError) -> Response:
    return _problem(exc.status, exc.title, exc.detail, headers=exc.headers)


def internal_error() -> Response:
    """The answer to an internal error: the log has the details under the request's id."""
    return _problem(500, "internal error", "the log has the details; the request may be sent again")


def _problem(
    status: int, title: str, detail: str, headers: Mapping[str, str] | None = None, **members: str
) -> Response:
    body: dict[str, str | int] = {"type": "about:blank", "title": title, "status": status, "detail": detail}
    body |= {name: value for name, value in members.items() if value}
    # Text of a request may contain a lone surrogate, which UTF-8 cannot encode.
    body = {name: v.encode(errors="replace").decode() if isinstance(v, str) else v for name, v in body.items()}
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE, headers=headers)

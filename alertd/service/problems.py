"""Failures of the HTTP interface as problem details (RFC 9457): one body shape for every kind."""

from fastapi import FastAPI, Request, Response
from fastapi.responses import JSONResponse

from alertd.errors import AlertdError, InputError

MEDIA_TYPE = "application/problem+json"


class Refused(Exception):
    """A request that is answered with a status and why."""

    def __init__(self, status: int, title: str, detail: str) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail = status, title, detail


def explain(app: FastAPI) -> None:
    """Answer our own failures with problem details."""

    @app.exception_handler(Refused)
    async def refused(request: Request, exc: Refused) -> Response:
        return _problem(exc.status, exc.title, exc.detail)

    @app.exception_handler(InputError)
    async def mistaken(request: Request, exc: InputError) -> Response:
        return _problem(422, "the request has a mistake", str(exc), field=exc.field, mend=exc.mend)

    @app.exception_handler(AlertdError)
    async def failed(request: Request, exc: AlertdError) -> Response:
        return _problem(503, "not available now", str(exc))


def _problem(status: int, title: str, detail: str, **members: str) -> Response:
    body: dict[str, str | int] = {"type": "about:blank", "title": title, "status": status, "detail": detail}
    body |= {name: value for name, value in members.items() if value}
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE)

"""Shared parts of the POST handlers: JSON body, checks, saving, and the answers 201, 200 and 409."""

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Final, TypeAlias, TypeVar

from fastapi import Depends, Query, Request, Response
from fastapi.responses import JSONResponse

from alertd.errors import InputError
from alertd.plan.chain_up.chains_on import CLOCKS_APART
from alertd.records.closures import IdConflict
from alertd.sources.files.toml import FileModel
from alertd.store.store import Store
from alertd.web.idempotency import PARAMETER
from alertd.web.problems import ProblemError, id_taken

M = TypeVar("M", bound=FileModel)
Row: TypeAlias = dict[str, Any]
JSON: Final = "application/json"
MAX_PAGE: Final = 500  # rows
MAX_KEY_CHARS: Final = 200
KNOWN: Final[dict[int | str, dict[str, Any]]] = {200: {"description": "It was known so."}}


def request_body(model: type[FileModel]) -> dict[str, Any]:
    """OpenAPI fields of a POST with a JSON body of this shape."""
    content = {JSON: {"schema": model.model_json_schema()}}
    return {"requestBody": {"required": True, "content": content}, "parameters": [PARAMETER]}


async def _read_body(request: Request) -> bytes:
    """The request's body; the middleware limits its size.

    JSON only: a web page in a browser on this machine can post other types here without permission.
    """
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != JSON:
        raise ProblemError(415, "not JSON", f"send it with Content-Type: {JSON}")
    return await request.body()


JsonBody: TypeAlias = Annotated[bytes, Depends(_read_body)]
Limit: TypeAlias = Annotated[int | None, Query(ge=1, le=MAX_PAGE)]
After: TypeAlias = Annotated[str, Query(max_length=MAX_KEY_CHARS)]


def page(
    name: str,
    rows: Sequence[Row],
    limit: int | None,
    after: str,
    *,
    key: Callable[[Row], str] = lambda row: str(row["id"]),
    keep: Callable[[Row], bool] = lambda row: True,
) -> dict[str, Any]:
    """The list `name` after the row whose key is `after`; with a limit, a page of it and the `next_after` of the next.

    keep: selects rows; the row of `after` need not be among them. Raises InputError for an `after` that is not listed.
    """
    if after:
        place = next((n for n, row in enumerate(rows) if key(row) == after), None)
        if place is None:
            raise InputError("request", "after", f"{after} is not in the list", "begin again without after")
        rows = rows[place + 1 :]
    rows = [row for row in rows if keep(row)]
    if limit is None:
        return {name: rows}
    return {name: rows[:limit], "next_after": key(rows[limit - 1]) if len(rows) > limit else None}


def parse_body(body: bytes, what: str, parse: Callable[[Any, str], M]) -> M:
    """The value of a JSON body. what: the resource, for errors. Raises InputError."""
    return parse(json_value(body, what), "request")


def json_value(body: bytes, what: str) -> Any:
    """The JSON of a body. what: the resource, for errors. Raises InputError."""
    try:
        return json.loads(body)
    except ValueError as exc:
        raise InputError("request", "", "the body is not JSON", f"send one {what} as a JSON object") from exc
    except RecursionError as exc:
        raise InputError("request", "", "the body is nested too deep", f"send one {what} as a JSON object") from exc


def require_past(at: datetime, written: str, now_utc: datetime, hint: str) -> None:
    """Raise InputError for a time further in the future than a device's clock may be ahead. written: as sent."""
    if at > now_utc + CLOCKS_APART:
        problem = f"{written} is in the future, it is {now_utc.isoformat(timespec='seconds')}"
        raise InputError("request", "at", problem, hint)


async def require_active_trip(store: Store, trip_id: str) -> None:
    """Raise ProblemError 404 for a trip that is unknown or cancelled."""
    trip = await asyncio.to_thread(store.trip, trip_id)
    if trip is None or trip.cancelled:
        raise ProblemError(404, "no such trip", f"trip {trip_id} is {'unknown' if trip is None else 'cancelled'}")


async def accept(
    value: FileModel,
    save: Callable[[], bool],
    *,
    on_new: Callable[[], None] = lambda: None,
    about: Mapping[str, Any] | None = None,
) -> Response:
    """Save a value and answer with it: 201 when new, 200 when known. Raises ProblemError 409 for an IdConflict.

    save: runs in a thread; returns whether the value is new. about: fields that precede those of the value.
    """
    try:
        new = await asyncio.to_thread(save)
    except IdConflict as exc:
        raise id_taken(exc) from exc
    if new:
        on_new()
    return JSONResponse(
        {**(about or {}), **value.model_dump(mode="json", by_alias=True)}, status_code=201 if new else 200
    )

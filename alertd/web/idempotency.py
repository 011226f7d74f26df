"""A POST repeated with the same Idempotency-Key gets the first answer.

Follows the IETF draft "The Idempotency-Key HTTP Header Field" (draft-ietf-httpapi-idempotency-key-header): the same key
with another body is 422, a key whose first request is still running 409. A key belongs to its caller and route.
Requests refused before processing (401, 413, 429) and internal errors are not stored, because a retry may succeed.
"""

import asyncio
import hashlib
import logging
import re
from dataclasses import dataclass
from typing import Any, Final

from fastapi import Request, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from alertd.clock import Clock
from alertd.errors import StoreError
from alertd.store.rows import StoredAnswer
from alertd.store.store import Store
from alertd.web.problems import MEDIA_TYPE, ProblemError

log = logging.getLogger(__name__)

HEADER: Final = "Idempotency-Key"
_KEY: Final = re.compile(r"[\x21\x23-\x7e]{1,200}")  # visible ASCII except the quote around the key
_SLOT: Final = "alertd.once"

# For the OpenAPI document: every POST accepts it.
PARAMETER: Final[dict[str, Any]] = {
    "name": HEADER,
    "in": "header",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!#-~]+$"},
    "description": "A name of your own for this request: sent again with it, it gets the same answer. Kept 48 hours.",
}


class ReplayedAnswer(Exception):
    """A stored answer exists."""

    def __init__(self, answer: StoredAnswer) -> None:
        super().__init__(answer.key)
        self.answer = answer


class IdempotencyStore:
    """The keys of one application. `look_up` is a dependency of its routes; `IdempotencyMiddleware` stores the
    answers."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._under_way: set[tuple[str, str]] = set()

    async def look_up(self, request: Request) -> None:
        """Runs after authorization, so that no caller gets another caller's answer. Raises ReplayedAnswer and
        ProblemError."""
        given = request.headers.get(HEADER)
        if request.method != "POST" or given is None:
            return
        key = given[1:-1] if len(given) > 1 and given[0] == given[-1] == '"' else given
        if not _KEY.fullmatch(key):
            raise ProblemError(400, f"no {HEADER}", "give 1 to 200 visible ASCII characters, without quotes inside")
        route = f"{request.scope.get('alertd.caller', '')} {request.url.path}"
        digest = hashlib.sha256(request.url.query.encode() + b"\0" + await request.body()).hexdigest()
        if (route, key) in self._under_way:
            raise ProblemError(409, "still under way", f"the first request with this {HEADER} is not answered yet")
        claim: Claim = request.scope[_SLOT]
        claim.of = (route, key)
        self._under_way.add(claim.of)  # the middleware always releases it
        known = await asyncio.to_thread(self._store.answers.get, route, key)
        if known is not None and known.request_hash != digest:
            raise ProblemError(
                422, "the key is taken", f"this {HEADER} was used for another request; give each its own"
            )
        if known is not None:
            raise ReplayedAnswer(known)
        claim.digest = digest

    def release(self, claim: "Claim") -> None:
        self._under_way.discard(claim.of)

    async def save(self, claim: "Claim", status: int, body: bytes) -> None:
        route, key = claim.of
        answer = StoredAnswer(
            route=route,
            key=key,
            request_hash=claim.digest,
            status=status,
            body=body.decode(),
            created_at=self._clock(),
        )
        try:
            await asyncio.to_thread(self._store.answers.put, answer)
        except StoreError as exc:  # a repetition is processed again, and changes nothing twice
            log.warning("answer not stored for its idempotency key: %s", exc)


@dataclass(slots=True)
class Claim:
    """Key and route of one POST, and its answer's digest once it is to be stored."""

    of: tuple[str, str] = ("", "")
    digest: str = ""


class IdempotencyMiddleware:
    """ASGI middleware that stores the answers that `once` requests."""

    def __init__(self, app: ASGIApp, once: IdempotencyStore) -> None:
        self._app, self._once = app, once

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        claim, status, body = Claim(), 0, bytearray()

        async def copied(message: Message) -> None:
            nonlocal status
            status = message.get("status", status)
            body.extend(message.get("body", b"") if claim.digest else b"")
            await send(message)

        scope[_SLOT] = claim
        try:
            await self._app(scope, receive, copied)
            if claim.digest and status < 500:
                await self._once.save(claim, status, bytes(body))
        finally:
            self._once.release(claim)


async def replay_answer(request: Request, exc: Exception) -> Response:
    """Exception handler of ReplayedAnswer."""
    assert isinstance(exc, ReplayedAnswer)  # noqa: S101 - starlette passes only the registered type
    media_type = "application/json" if exc.answer.status < 400 else MEDIA_TYPE
    return Response(exc.answer.body, exc.answer.status, media_type=media_type)

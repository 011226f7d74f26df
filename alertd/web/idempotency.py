"""A POST sent again under the same Idempotency-Key gets the answer of the first time.

After the IETF draft "The Idempotency-Key HTTP Header Field" (draft-ietf-httpapi-idempotency-key-header): the same key
with another body is 422, one whose first request is still under way 409. A key is its caller's and its route's own.
What was refused before the request was looked at (401, 413, 429) and faults of ours are not kept: they may go well the
next time.
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
_KEY: Final = re.compile(r"[\x21\x23-\x7e]{1,200}")  # visible ASCII but the quote, which the draft puts around it
_SLOT: Final = "alertd.once"

# For the description of the interface: every POST takes it.
PARAMETER: Final[dict[str, Any]] = {
    "name": HEADER,
    "in": "header",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!#-~]+$"},
    "description": "A name of your own for this request: sent again with it, it gets the same answer. Kept 48 hours.",
}


class ReplayedAnswer(Exception):
    """The answer is there already."""

    def __init__(self, answer: StoredAnswer) -> None:
        super().__init__(answer.key)
        self.answer = answer


class IdempotencyStore:
    """The keys of one application: `look_up` is a dependency of its routes; `IdempotencyMiddleware` surrounds them."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._under_way: set[tuple[str, str]] = set()

    async def look_up(self, request: Request) -> None:
        """Comes after the guard, so that nobody is answered with what is another's. Raises Replay and Refused."""
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
        self._under_way.add(claim.of)  # given back by the middleware, whatever comes
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
        except StoreError as exc:  # it is answered; sent again it is done again, which changes nothing twice
            log.warning("an answer is not kept: %s", exc)


@dataclass(slots=True)
class Claim:
    """What one POST brings along: its key with its route, and what it says once it is to be kept."""

    of: tuple[str, str] = ("", "")
    digest: str = ""


class IdempotencyMiddleware:
    """ASGI middleware that keeps the answers which `once` asks for."""

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
    """The handler of Replay."""
    assert isinstance(exc, ReplayedAnswer)  # noqa: S101 - starlette hands over what it is registered for
    media_type = "application/json" if exc.answer.status < 400 else MEDIA_TYPE
    return Response(exc.answer.body, exc.answer.status, media_type=media_type)

"""Authorizes each request: authentication, scope and rate limit."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Annotated, Final

from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from alertd.service.tokens import Caller, TokenAuthenticator
from alertd.settings.model import HttpLimits
from alertd.web.hosts import from_here
from alertd.web.problems import ProblemError
from alertd.web.rate_limit import RATE, SlidingWindowLimiter, network_of, rate_headers

Guard = Callable[..., Awaitable[Caller]]
_READS: Final = ("GET", "HEAD")
READS, CHANGES = "reads", "changes"
_BEARER: Final = HTTPBearer(auto_error=False, description="A token of `alertd token new`, or that of the settings.")


class Authorizer:
    """One per application: each caller's requests are counted over all routes.

    A valid token is accepted regardless of other clients at its address: many trucks and an office may share one, and a
    device with a wrong token must not lock them out. Above the limit, wrong tokens only get the time to wait.
    """

    def __init__(
        self, authenticator: TokenAuthenticator, limits: HttpLimits, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self.authenticator, self._monotonic = authenticator, monotonic
        self._asked, self._failed = (
            SlidingWindowLimiter(limits.requests_per_min),
            SlidingWindowLimiter(limits.failures_per_min),
        )

    def require_scope(self, write: str) -> Guard:
        """A dependency that requires scope `read` for GET and HEAD, and scope `write` for all other methods."""

        async def guarded(
            request: Request, sent: Annotated[HTTPAuthorizationCredentials | None, Depends(_BEARER)]
        ) -> Caller:
            scope = "read" if request.method in _READS else write
            token, here = sent.credentials if sent else "", from_here(request)
            caller = await asyncio.to_thread(self.authenticator.caller, token, here=here)
            now_s = self._monotonic()
            if caller is None:
                self.count_wrong_token(request, now_s)
                # RFC 9110 section 11.6.1: a 401 names the authentication scheme.
                challenge = {"WWW-Authenticate": "Bearer"}
                detail = "send Authorization: Bearer with a token of this daemon"
                raise ProblemError(401, "no valid token", detail, challenge)
            self._rate_limit(caller, now_s, request)
            if not caller.may(scope):
                raise ProblemError(403, "not allowed", f'this token has no scope "{scope}"; make one that has it')
            request.scope["alertd.caller"] = caller.id
            return caller

        return guarded

    def count_wrong_token(self, request: Request, now_s: float | None = None) -> None:
        """Count one wrong token of the request's address. Raises ProblemError 429 above the limit per minute."""
        address = network_of(request.client.host if request.client else "")
        now_s = self._monotonic() if now_s is None else now_s
        wait_s = self._failed.wait_s(address, now_s)
        if wait_s:
            raise ProblemError(429, "too many wrong tokens", f"try again in {wait_s} s", {"Retry-After": str(wait_s)})
        self._failed.record(address, now_s)

    def _rate_limit(self, caller: Caller, now_s: float, request: Request | None = None) -> None:
        """Count a request by its kind: reads and changes have a limit each, so that polling never blocks a report."""
        if caller.open:
            return
        kind = READS if request is None or request.method in _READS else CHANGES
        key = f"{caller.id} {kind}"
        wait_s = self._asked.wait_s(key, now_s)
        if not wait_s:
            self._asked.record(key, now_s)
        if request is not None:
            left, reset_s = self._asked.left(key, now_s)
            request.scope[RATE] = rate_headers(kind, self._asked.most, left, reset_s)
        if wait_s:
            raise ProblemError(
                429, "too many requests", f"send the next one in {wait_s} s", {"Retry-After": str(wait_s)}
            )

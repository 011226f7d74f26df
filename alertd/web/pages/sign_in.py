"""Access to the board: a browser signs in with a token; without tokens, only this machine has access."""

import asyncio
from collections.abc import Mapping
from datetime import timedelta
from typing import Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from alertd.clock import Clock
from alertd.planning.signed_links import BOARD, SignedLinks
from alertd.records.sign_outs import has_signed_out, save_sign_out
from alertd.service.tokens import session_fingerprint
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.web.auth import Authorizer
from alertd.web.hosts import from_here
from alertd.web.pages.base import HEADERS, Pages, check_same_origin, form_of
from alertd.web.problems import ProblemError

COOKIE: Final = "alertd_board"
SIGNED_IN_FOR: Final = timedelta(hours=12)


class BoardSession:
    """The cookie is a signed text that expires. It becomes invalid when the token it was issued for does. It grants the
    scopes of that token."""

    def __init__(
        self, settings: Settings, store: Store, clock: Clock, links: SignedLinks, pages: Pages, authorizer: Authorizer
    ) -> None:
        self._store = store
        self._settings, self._clock, self._links, self._pages = settings, clock, links, pages
        self._authorizer, self._authenticator = authorizer, authorizer.authenticator

    def allows(self, request: Request, scope: str) -> bool:
        """Whether this browser has `scope`. Reads the store. Raises StoreError."""
        if self._authenticator.is_open():
            return from_here(request)
        fingerprints = self._authenticator.session_fingerprints()
        session = request.cookies.get(COOKIE, "")
        opened = self._links.verify(session, BOARD, fingerprints)
        if opened is None or opened.until <= self._clock() or has_signed_out(self._store, session):
            return False
        return fingerprints[opened.subject].may(scope)

    def signed_in(self, request: Request) -> bool:
        return self.allows(request, "read")

    def needs_token(self) -> bool:
        return not self._authenticator.is_open()

    def require_reader(self, request: Request) -> None:
        """Raise ProblemError when the browser is not signed in."""
        if not self.signed_in(request):
            raise ProblemError(401, "not signed in", "sign in at /board/sign-in")

    def require_writer(self, request: Request) -> None:
        """Raise ProblemError also for requests from another site's page, and for a token without the scope "posted"."""
        check_same_origin(request)
        self.require_reader(request)
        if not self.allows(request, "posted"):
            raise ProblemError(403, "not allowed", 'the token that you signed in with has no scope "posted"')

    def router(self) -> APIRouter:
        router = APIRouter(prefix="/board", include_in_schema=False)
        router.add_api_route("/sign-in", self._show_form, methods=["GET"])
        router.add_api_route("/sign-in", self._sign_in, methods=["POST"])
        router.add_api_route(
            "/sign-out", self._sign_out, methods=["POST"], dependencies=[Depends(self._require_sign_out)]
        )
        return router

    def _require_sign_out(self, request: Request) -> None:
        check_same_origin(request)
        self.require_reader(request)

    def _page(self, problem: str, status: int, headers: Mapping[str, str] | None = None) -> Response:
        values = {"problem": problem, "fleet": self._settings.fleet, "needs": self.needs_token()}
        return self._pages.render("sign_in.html", values, status=status, headers=headers)

    async def _show_form(self) -> Response:
        return self._page("", 200)

    async def _sign_in(self, request: Request) -> Response:
        check_same_origin(request)
        token = (await form_of(request)).get("token", "").strip()
        if not await asyncio.to_thread(self._authenticator.allowed, token, "read", here=from_here(request)):
            try:
                self._authorizer.count_wrong_token(request)
            except ProblemError as exc:
                return self._page(f"Too many wrong tokens: {exc}.", exc.status, exc.headers)
            return self._page("That is no token that may look here.", 403)
        response = go_to("/board")
        response.set_cookie(
            COOKIE,
            self._links.token(BOARD, session_fingerprint(token), self._clock() + SIGNED_IN_FOR),
            max_age=round(SIGNED_IN_FOR.total_seconds()),
            path="/board",
            secure=request.url.scheme == "https" or self._settings.public_url.startswith("https:"),
            httponly=True,
            samesite="strict",
        )
        return response

    async def _sign_out(self, request: Request) -> Response:
        """End the session here too: a copy of the cookie opens nothing afterwards."""
        if session := request.cookies.get(COOKIE, ""):
            await asyncio.to_thread(save_sign_out, self._store, session, self._clock())
        response = go_to("/board/sign-in")
        response.delete_cookie(COOKIE, path="/board")
        return response


def go_to(path: str) -> Response:
    return RedirectResponse(path, 303, headers=HEADERS)

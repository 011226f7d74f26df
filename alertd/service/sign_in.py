"""Who may look at the board: a browser that showed the daemon's token; where none is set, only this machine."""

import hashlib
import hmac
from datetime import timedelta
from typing import Final
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from alertd.service.clock import Clock
from alertd.service.links import BOARD, Links
from alertd.service.page import HEADERS, Pages, check_same_origin, form_of
from alertd.service.problems import Refused
from alertd.service.settings import Settings
from alertd.sources.http import is_loopback

COOKIE: Final = "alertd_board"
SIGNED_IN_FOR: Final = timedelta(hours=12)


class Door:
    """The cookie is a signed token that runs out; one made under another token of the daemon is worth nothing."""

    def __init__(self, settings: Settings, clock: Clock, links: Links, pages: Pages) -> None:
        self._settings, self._clock, self._links, self._pages = settings, clock, links, pages
        self._holder = hashlib.sha256(f"board {settings.http_token}".encode()).hexdigest()

    def signed_in(self, request: Request) -> bool:
        if not self._settings.http_token:
            # Open on this machine, as the interface is; but not to a name that some other site lets point here.
            host = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
            return is_loopback(host) or host == urlsplit(self._settings.public_url).hostname
        opened = self._links.opened(request.cookies.get(COOKIE, ""), BOARD, (self._holder,))
        return opened is not None and opened.until > self._clock()

    def reader(self, request: Request) -> None:
        """Raise Refused for who is not signed in."""
        if not self.signed_in(request):
            raise Refused(401, "not signed in", "sign in at /board/sign-in")

    def writer(self, request: Request) -> None:
        """Raise Refused also for what another site's page sent."""
        check_same_origin(request)
        self.reader(request)

    def router(self) -> APIRouter:
        router = APIRouter(prefix="/board", include_in_schema=False)
        router.add_api_route("/sign-in", self._ask, methods=["GET"])
        router.add_api_route("/sign-in", self._sign_in, methods=["POST"])
        router.add_api_route("/sign-out", self._sign_out, methods=["POST"], dependencies=[Depends(self.writer)])
        return router

    def _page(self, problem: str, status: int) -> Response:
        values = {"problem": problem, "fleet": self._settings.fleet, "needs": bool(self._settings.http_token)}
        return self._pages.show("sign_in.html", values, status=status)

    async def _ask(self) -> Response:
        return self._page("", 200)

    async def _sign_in(self, request: Request) -> Response:
        check_same_origin(request)
        token, form = self._settings.http_token, await form_of(request)
        if token and not hmac.compare_digest(form.get("token", "").encode(), token.encode()):
            return self._page("That is not the daemon's token.", 403)
        response = go_to("/board")
        response.set_cookie(
            COOKIE,
            self._links.token(BOARD, self._holder, self._clock() + SIGNED_IN_FOR),
            max_age=round(SIGNED_IN_FOR.total_seconds()),
            path="/board",
            secure=request.url.scheme == "https" or self._settings.public_url.startswith("https:"),
            httponly=True,
            samesite="strict",
        )
        return response

    async def _sign_out(self) -> Response:
        response = go_to("/board/sign-in")
        response.delete_cookie(COOKIE, path="/board")
        return response


def go_to(path: str) -> Response:
    return RedirectResponse(path, 303, headers=HEADERS)

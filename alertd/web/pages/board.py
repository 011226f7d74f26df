"""The dispatcher's board: rows by pass and next action, live updates, forms for posted controls and closures."""

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import StreamingResponse

from alertd.clock import Clock
from alertd.errors import InputError
from alertd.plan.posted import PostedControl
from alertd.planning.planner import Planner
from alertd.records.closures import IdConflict, active_closures, save_closure, withdraw
from alertd.records.posted_controls import active_posted, known_places, save_posted, withdraw_posted
from alertd.settings.reference_data import ReferenceData
from alertd.sources.requests.posted_controls import to_control
from alertd.store.store import Store
from alertd.web.pages.base import HEADERS, Pages, form_of
from alertd.web.pages.board_forms import (
    AGO_MIN,
    DIRECTIONS,
    WITHIN_H,
    closure_of,
    levels_of,
    pass_names,
    place_names,
    posted_of,
)
from alertd.web.pages.board_model import Board, Row, group_rows, make_board
from alertd.web.pages.sign_in import BoardSession, go_to

ROWS_A_PAGE: Final = 60
FRESH_FOR: Final = timedelta(seconds=4)  # one board serves all readers within this time
POLL_EVERY_S: Final = 5.0
HEARTBEAT_EVERY: Final = 4  # polls; proxies cut a silent stream
STREAM_POLLS: Final = 720  # an hour; the browser reconnects by itself
FILTERS: Final = ("q", "advice", "short", "unread", "look", "group")
FIELDS: Final = ("which", "level", "place", "words", "source", "from", "to", "what")


class BoardPage:
    """Routes of the board. One board is built at a time, and again when it is older than `FRESH_FOR` or something was
    posted."""

    def __init__(
        self,
        planner: Planner,
        store: Store,
        clock: Clock,
        wake: Callable[[], None],
        pages: Pages,
        session: BoardSession,
    ) -> None:
        self._planner, self._store, self._clock = planner, store, clock
        self._wake, self._pages, self._session = wake, pages, session
        self._made: tuple[datetime, Board] | None = None
        self._one_at_a_time = asyncio.Lock()

    def router(self) -> APIRouter:
        router = APIRouter(prefix="/board", include_in_schema=False)
        write = [Depends(self._session.require_writer)]
        router.add_api_route("", self._show, methods=["GET"])
        router.add_api_route(
            "/events", self._events, methods=["GET"], dependencies=[Depends(self._session.require_reader)]
        )
        router.add_api_route("/posted", self._post_sign, methods=["POST"], dependencies=write)
        router.add_api_route("/posted/{id_}/back", self._sign_off, methods=["POST"], dependencies=write)
        router.add_api_route("/closures", self._post_closure, methods=["POST"], dependencies=write)
        router.add_api_route("/closures/{id_}/back", self._road_open, methods=["POST"], dependencies=write)
        return router

    async def board(self) -> Board:
        async with self._one_at_a_time:
            now = self._clock()
            if self._made is None or not timedelta(0) <= now - self._made[0] < FRESH_FOR:
                self._made = (now, await asyncio.to_thread(make_board, self._planner, self._store, now))
            return self._made[1]

    async def _show(self, request: Request) -> Response:
        if not self._session.signed_in(request):
            return go_to("/board/sign-in")
        return await self._page(request.query_params)

    async def _page(
        self, query: Mapping[str, str], form: Mapping[str, str] | None = None, problem: str = ""
    ) -> Response:
        board = await self.board()
        filtered = any(query.get(name) for name in FILTERS)
        rows = [r for r in board.rows if _wanted(r, query)]
        # A large fleet is shown by pass: the rows that need a person first, the others on request.
        collapsed = len(rows) > ROWS_A_PAGE and not filtered
        groups = group_rows(rows)
        if collapsed:
            rows = [r for r in rows if r.attention]
        pages_n = max(1, -(-len(rows) // ROWS_A_PAGE))
        request = query.get("page", "1")
        page = min(max(int(request), 1), pages_n) if request.isdecimal() and len(request) < 6 else 1
        values = await asyncio.to_thread(self._reported)
        values |= {
            "board": board,
            "groups": group_rows(rows[(page - 1) * ROWS_A_PAGE : page * ROWS_A_PAGE]),
            "passes_of": groups,
            "all_groups": [g.name for g in group_rows(board.rows)],
            "collapsed": collapsed,
            "look": [] if filtered or collapsed else [r for r in board.rows if r.attention],
            "shown_n": min(ROWS_A_PAGE, len(rows) - (page - 1) * ROWS_A_PAGE),
            "rows_n": len(rows),
            "page": page,
            "pages_n": pages_n,
            "query": {k: query.get(k, "") for k in FILTERS},
            "now": self._clock(),
            "zone": self._planner.settings.brief_zone,
            "fleet": self._planner.settings.fleet,
            "signed": self._session.needs_token(),
            "form": dict.fromkeys(FIELDS, "") | dict(form or {}),
            "problem": problem,
        }
        return self._pages.render("board.html", values, status=422 if problem else 200)

    def _reported(self) -> dict[str, Any]:
        """Active posted controls and closures, and the choices of the forms."""
        reference, now = self._planner.reference, self._clock()
        concerned = self._planner.latest.jurisdictions or set(reference.rulesets)
        return {
            "posted": [(k, _sign(reference, k.control)) for k in active_posted(self._store, reference, now)],
            "closures": active_closures(self._store, now),
            "levels": levels_of(reference, concerned),
            "places": place_names(reference),
            "passes": pass_names(reference, concerned),
            "ago_min": AGO_MIN,
            "within_h": WITHIN_H,
            "directions": DIRECTIONS,
            "new_id": secrets.token_hex(4),
        }

    async def _events(self) -> Response:
        headers = {**HEADERS, "X-Accel-Buffering": "no"}
        return StreamingResponse(self._versions(), media_type="text/event-stream", headers=headers)

    async def _versions(self) -> AsyncIterator[str]:
        """Server-sent events: the board's version, first now and then at each change."""
        known = ""
        for look in range(STREAM_POLLS):
            version = (await self.board()).version
            if version != known:
                yield f"event: board\ndata: {version}\n\n"
            elif look % HEARTBEAT_EVERY == 0:
                yield ": still here\n\n"
            known = version
            await asyncio.sleep(POLL_EVERY_S)

    async def _post_sign(self, request: Request) -> Response:
        form, now, reference = await form_of(request), self._clock(), self._planner.reference
        try:
            wanted = posted_of(form, now)
            control = to_control(wanted, reference.rulesets, known_places(reference, wanted.jurisdiction), now, "form")
            await asyncio.to_thread(save_posted, self._store, wanted, control, now)
        except (InputError, IdConflict) as exc:
            return await self._page({}, {**form, "which": "posted"}, str(exc))
        return self._done()

    async def _sign_off(self, id_: str) -> Response:
        await asyncio.to_thread(withdraw_posted, self._store, id_, self._planner.reference, self._clock())
        return self._done()

    async def _post_closure(self, request: Request) -> Response:
        form, now = await form_of(request), self._clock()
        try:
            await asyncio.to_thread(save_closure, self._store, closure_of(form, self._planner.reference, now), now)
        except (InputError, IdConflict) as exc:
            return await self._page({}, {**form, "which": "closure"}, str(exc))
        return self._done()

    async def _road_open(self, id_: str) -> Response:
        await asyncio.to_thread(withdraw, self._store, id_, self._clock())
        return self._done()

    def _done(self) -> Response:
        self._made = None
        self._wake()
        return go_to("/board")


def _sign(reference: ReferenceData, control: PostedControl) -> str:
    """The legal name of the requirement on the sign."""
    rules = reference.rulesets.get(control.jurisdiction)
    names = {level.id: level.legal_name for level in rules.levels} if rules else {}
    return f"{control.jurisdiction} {names.get(control.level, control.level)}"


def _wanted(row: Row, query: Mapping[str, str]) -> bool:
    return (
        all(word in row.search_text for word in query.get("q", "").casefold().split())
        and query.get("advice", "") in ("", row.tone)
        and (not query.get("short") or row.short_n > 0)
        and (not query.get("unread") or bool(row.unread))
        and (not query.get("look") or bool(row.attention))
        and query.get("group", "") in ("", row.group)
    )

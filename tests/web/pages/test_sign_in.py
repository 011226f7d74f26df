"""Who may look at the board: the same tokens as the interface, for as long as they hold."""

from collections.abc import AsyncIterator, Callable, Iterator
from datetime import datetime
from pathlib import Path

import httpx
import pytest

from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.tokens import new_token
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.web.app import make_api

HERE = "http://localhost"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
async def browse(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, morning: datetime
) -> AsyncIterator[Callable[..., httpx.AsyncClient]]:
    opened: list[httpx.AsyncClient] = []

    def browser(host: str = "127.0.0.1", token: str = "") -> httpx.AsyncClient:
        settings = make_settings(trips=None, http_host=host, http_token=token)
        planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
        app = make_api(planning, store, ManualClock(morning), lambda: None)
        opened.append(httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=HERE))
        return opened[-1]

    yield browser
    for one in opened:
        await one.aclose()


async def sign_in(client: httpx.AsyncClient, token: str) -> int:
    answer = await client.post("/board/sign-in", data={"token": token}, headers={"origin": HERE})
    return answer.status_code


async def test_with_tokens_the_name_of_this_machine_opens_nothing(
    browse: Callable[..., httpx.AsyncClient], store: Store, morning: datetime
) -> None:
    """A Host header is what the sender likes to call us."""
    client = browse(host="0.0.0.0")
    assert (await client.get("/board")).status_code != 200
    id_, token = new_token(store, "office", ["read"], morning, None)
    assert (await client.get("/board")).status_code != 200
    assert await sign_in(client, "alertd_" + "x" * 43) == 403
    assert (await client.get("/board")).status_code != 200
    assert await sign_in(client, token) == 303
    assert (await client.get("/board")).status_code == 200
    store.tokens.revoke(id_, morning)
    assert (await client.get("/board")).status_code != 200, "the cookie dies with the token"


async def test_a_token_that_may_only_read_posts_nothing(
    browse: Callable[..., httpx.AsyncClient], store: Store, morning: datetime
) -> None:
    client = browse()
    _, token = new_token(store, "office", ["read"], morning, None)
    assert await sign_in(client, token) == 303
    answer = await client.post("/board/posted", data={"jurisdiction": "US-MT"}, headers={"origin": HERE})
    assert answer.status_code == 403


async def test_without_token_the_board_is_open_on_this_machine_only(
    browse: Callable[..., httpx.AsyncClient],
) -> None:
    client = browse()
    assert (await client.get("/board")).status_code == 200
    assert (await client.get("/board", headers={"host": "evil.example"})).status_code != 200
    assert (await browse(token="secret").get("/board")).status_code != 200


async def test_sign_in_has_the_pace_of_wrong_tokens(
    browse: Callable[..., httpx.AsyncClient], store: Store, morning: datetime
) -> None:
    client = browse()
    _, token = new_token(store, "office", ["read"], morning, None)
    statuses = [await sign_in(client, f"guess{n}") for n in range(12)]
    assert statuses == [403] * 10 + [429] * 2
    answer = await client.post("/board/sign-in", data={"token": "guess"}, headers={"origin": HERE})
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert "Too many wrong tokens" in answer.text
    wrong = {"authorization": "Bearer guess"}
    assert (await client.get("/v1/trips", headers=wrong)).status_code == 429, "counted together"
    assert await sign_in(client, token) == 303, "a right token is let in"


async def test_a_copied_cookie_opens_nothing_after_sign_out(
    browse: Callable[..., httpx.AsyncClient], store: Store, morning: datetime
) -> None:
    client, thief = browse(host="0.0.0.0"), browse(host="0.0.0.0")
    _, token = new_token(store, "office", ["read"], morning, None)
    assert await sign_in(client, token) == 303
    thief.cookies = httpx.Cookies(client.cookies)
    assert (await thief.get("/board")).status_code == 200
    assert (await client.post("/board/sign-out", headers={"origin": HERE})).status_code == 303
    assert (await thief.get("/board")).status_code != 200

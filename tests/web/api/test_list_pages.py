"""Lists in pages: every row once, in the order of the whole list, with an end that a client can see."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from alertd.errors import InputError
from alertd.web.api.resources import page

Open = Callable[..., Any]


async def rows_by_page(client: Any, path: str, name: str, limit: int) -> list[Any]:
    rows: list[Any] = []
    after = ""
    for _ in range(50):
        answer = (await client.get(path, params={"limit": limit, "after": after})).json()
        assert len(answer[name]) <= limit
        rows += answer[name]
        if answer["next_after"] is None:
            return rows
        after = answer["next_after"]
    raise AssertionError("the pages do not end")


async def test_routes_and_closures_come_in_pages(open_client: Open) -> None:
    client = await open_client()
    ends = (client.clock() + timedelta(hours=6)).isoformat()
    for n in range(5):
        closure = {
            "id": f"C-{n}",
            "what": "slide",
            "source": "office",
            "from": [47.4, -115.7],
            "to": [47.41, -115.71],
            "begins_at": client.clock().isoformat(),
            "ends_at": ends,
        }
        answer = await client.post("/v1/closures", json=closure)
        assert answer.status_code == 201, answer.text
    for path, name in (("/v1/closures", "closures"), ("/v1/routes", "routes")):
        whole = (await client.get(path)).json()
        assert "next_after" not in whole  # as before for a client that asks for no page
        assert len(whole[name]) > 1
        for limit in (1, 2, 500):
            assert await rows_by_page(client, path, name, limit) == whole[name]
        gone = await client.get(path, params={"after": "nobody"})
        assert (gone.status_code, gone.json()["field"]) == (422, "after")
        assert (await client.get(path, params={"limit": 0})).status_code == 422


async def test_signs_and_notices_take_a_limit(open_client: Open) -> None:
    client = await open_client()
    assert (await client.get("/v1/posted", params={"limit": 2})).json() == {"posted": [], "next_after": None}
    trip = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    assert (await client.post("/v1/trips", json=trip)).status_code == 201
    answer = (await client.get("/v1/trips/T-1/notices", params={"limit": 2})).json()
    assert answer == {"trip_id": "T-1", "notices": [], "next_after": None}


def test_rows_with_one_id_in_two_feeds_are_not_skipped() -> None:
    rows: list[dict[str, Any]] = [{"id": "1", "feed": feed} for feed in ("a", "b", "c")]
    seen, after = [], ""
    while True:
        found = page("posted", rows, 1, after, key=lambda r: f"{r['feed']}:{r['id']}")
        seen += found["posted"]
        if found["next_after"] is None:
            break
        after = found["next_after"]
    assert seen == rows


def test_a_row_that_is_gone_ends_the_pages_in_words() -> None:
    with pytest.raises(InputError, match="begin again without after"):
        page("trips", [{"id": "T-1"}], 1, "T-0")

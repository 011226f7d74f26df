"""Changes of trips, batches, reads and refusals as an integrator meets them."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from alertd.service.tokens import new_token
from alertd.web import problems

Open = Callable[..., Any]
TRIP = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00", "driver": "Ann"}
LATER = TRIP | {"depart": "2027-01-14T06:45:00-07:00"}


async def test_a_trip_changes_with_the_tag_that_was_read(open_client: Open) -> None:
    """RFC 9110 section 13.1.1, RFC 6585 section 3."""
    client = await open_client()
    first = await client.put("/v1/trips/T-1", json=TRIP)
    assert first.status_code == 201
    read = await client.get("/v1/trips/T-1")
    assert read.headers["etag"] == first.headers["etag"]
    assert (await client.put("/v1/trips/T-1", json=LATER)).status_code == 428
    changed = await client.put("/v1/trips/T-1", json=LATER, headers={"if-match": read.headers["etag"]})
    assert (changed.status_code, changed.json()["depart"]) == (200, LATER["depart"])
    assert changed.json()["created_at"] == read.json()["created_at"]
    old = await client.put("/v1/trips/T-1", json=TRIP, headers={"if-match": read.headers["etag"]})
    assert (old.status_code, old.json()["type"]) == (412, "urn:alertd:problem:changed-meanwhile")
    assert old.headers["etag"] == changed.headers["etag"]
    there = await client.put("/v1/trips/T-1", json=TRIP, headers={"if-none-match": "*"})
    assert there.status_code == 412
    assert (await client.put("/v1/trips/T-2", json=TRIP)).json()["field"] == "id"
    await client.delete("/v1/trips/T-1")
    cancelled = await client.put("/v1/trips/T-1", json=TRIP, headers={"if-match": "*"})
    assert cancelled.status_code == 409


async def test_a_trip_under_way_changes_but_not_to_the_past(open_client: Open) -> None:
    client = await open_client()
    await client.put("/v1/trips/T-1", json=TRIP)
    client.clock.advance(timedelta(hours=3))
    other = await client.put("/v1/trips/T-1", json=TRIP | {"driver": "Bo"}, headers={"if-match": "*"})
    assert (other.status_code, other.json()["driver"]) == (200, "Bo")
    back = TRIP | {"depart": "2027-01-14T04:50:00-07:00"}
    assert (await client.put("/v1/trips/T-1", json=back, headers={"if-match": "*"})).json()["field"] == "depart"


async def test_a_batch_takes_the_good_rows_and_names_the_bad(open_client: Open) -> None:
    client = await open_client()
    rows = [TRIP, TRIP | {"id": "T-2", "rig": "none-such"}, TRIP | {"id": "T-3"}, TRIP | {"driver": "Bo"}, 7]
    answer = await client.post("/v1/batches/trips", json={"trips": rows})
    found = answer.json()["results"]
    assert [(r["index"], r["id"], r["status"]) for r in found] == [
        (0, "T-1", 201),
        (1, "T-2", 422),
        (2, "T-3", 201),
        (3, "T-1", 409),
        (4, None, 422),
    ]
    assert found[1]["problem"]["field"] == "rig"
    at = {"at": "2027-01-14T03:20:00-07:00", "lat": 47.0, "lon": -115.0}
    positions = [at | {"trip_id": "T-1"}, at | {"trip_id": "T-9"}, at]
    answer = await client.post("/v1/batches/positions", json={"positions": positions})
    assert [(r["trip_id"], r["status"]) for r in answer.json()["results"]] == [("T-1", 201), ("T-9", 404), (None, 422)]
    assert (await client.post("/v1/batches/trips", json={"trips": []})).status_code == 422
    assert (await client.post("/v1/batches/trips", json=[])).status_code == 422


async def test_trips_come_in_pages_and_by_driver(open_client: Open) -> None:
    client = await open_client()
    trips = [TRIP | {"id": f"T-{n}", "driver": "Ann" if n % 2 else "Bo"} for n in range(5)]
    await client.post("/v1/batches/trips", json={"trips": trips})
    seen, after = [], ""
    while after is not None:
        page = (await client.get("/v1/trips", params={"limit": 2, "after": after})).json()
        seen += [t["id"] for t in page["trips"]]
        after = page["next_after"]
    assert seen == [f"T-{n}" for n in range(5)]
    by = (await client.get("/v1/trips", params={"driver": "Ann"})).json()["trips"]
    assert [t["id"] for t in by] == ["T-1", "T-3"]


async def test_reads_have_tags_and_head_has_no_body(open_client: Open) -> None:
    """RFC 9110 sections 8.8.3, 9.3.2 and 15.4.5."""
    client = await open_client()
    await client.post("/v1/trips", json=TRIP)
    first = await client.get("/v1/trips")
    same = await client.get("/v1/trips", headers={"if-none-match": f'"x", {first.headers["etag"]}'})
    assert (same.status_code, same.content, same.headers["etag"]) == (304, b"", first.headers["etag"])
    head = await client.head("/v1/trips")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-length"] == first.headers["content-length"]
    await client.post("/v1/trips", json=TRIP | {"id": "T-2"})
    assert (await client.get("/v1/trips", headers={"if-none-match": first.headers["etag"]})).status_code == 200


@pytest.mark.parametrize(
    ("path", "allow"),
    [("/v1/trips", "GET, HEAD, POST"), ("/v1/trips/T-1", "DELETE, GET, HEAD, PUT"), ("/healthz", "GET, HEAD")],
)
async def test_allow_names_every_method_of_the_path(open_client: Open, path: str, allow: str) -> None:
    client = await open_client()
    refused = await client.patch(path)
    assert (refused.status_code, refused.headers["allow"]) == (405, allow)


async def test_limits_are_shown_and_kept_apart_by_kind(open_client: Open) -> None:
    client = await open_client()
    token = new_token(client.store, "tms", ["admin"], client.clock(), None)[1]
    headers = {"authorization": f"Bearer {token}"}
    for left in range(59, -1, -1):
        answer = await client.get("/v1/trips", headers=headers)
        assert answer.headers["ratelimit"].startswith(f'"reads";r={left};t=')
    assert answer.headers["ratelimit-policy"] == '"reads";q=60;w=60'
    assert (await client.get("/v1/trips", headers=headers)).status_code == 429
    posted = await client.post("/v1/trips", json=TRIP, headers=headers)
    assert (posted.status_code, posted.headers["ratelimit"][:14]) == (201, '"changes";r=59')


async def test_a_closure_names_the_trips_on_it_or_warns(open_client: Open, i90_west: Any) -> None:
    client = await open_client()
    await client.post("/v1/trips", json=TRIP)
    lat, lon = i90_west.lat_deg, i90_west.lon_deg
    middle = len(lat) // 2
    places = {"from": [lat[middle], lon[middle]], "to": [lat[middle + 40], lon[middle + 40]]}
    closure = {"id": "C-1", "begins_at": "2027-01-14T06:00:00-07:00", "what": "slide", "source": "telephone", **places}
    met = (await client.post("/v1/closures", json=closure)).json()
    assert (met["routes"], met["trips"]) == (["i90-west"], ["T-1"])
    assert "warning" not in met
    away = closure | {"id": "C-2", "from": [10.0, 10.0], "to": [10.1, 10.1]}
    lost = (await client.post("/v1/closures", json=away)).json()
    assert (lost["trips"], lost["warning"][:29]) == ([], "the closure lies on no route ")


async def test_the_root_leads_to_the_board(open_client: Open) -> None:
    client = await open_client()
    answer = await client.get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/board")


def test_every_problem_of_the_interface_has_a_registered_type() -> None:
    """RFC 9457 section 3.1.1. The list in the document is that of the code."""
    import re
    from pathlib import Path

    web = Path(problems.__file__).parent
    source = "".join(p.read_text(encoding="utf-8") for p in [*web.glob("*.py"), *web.glob("api/*.py")])
    titles = set(re.findall(r'ProblemError\(\s*\d+,\s*f?"([^"{]+)"', source))
    assert len(titles) > 25
    assert {t for t in titles if problems.problem_type(t) == "about:blank"} == set()
    text = (Path(__file__).parents[3] / "shared/api.md").read_text(encoding="utf-8")
    for name, meaning in problems.PROBLEM_TYPES.items():
        assert f"| `{name}` | {meaning} |" in text

"""Routes that are sent: kept under a name of our own; whatever is wrong with one costs little and stores nothing."""

import asyncio
import gzip
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from alertd.sources.files.gpx.read import read_gpx
from alertd.web.api import route_uploads

Open = Callable[..., Any]
GPX = {"content-type": "application/gpx+xml"}


def track(points: int) -> bytes:
    rows = b"".join(b'<trkpt lat="47.%06d" lon="-115.%06d"/>' % (n, n) for n in range(points))
    return b"<gpx><trk><trkseg>" + rows + b"</trkseg></trk></gpx>"


async def send(client: Any, data: bytes, name: str = "west", **headers: str) -> Any:
    return await client.post("/v1/routes", params={"name": name}, content=data, headers=GPX | headers)


def folder(client: Any) -> dict[str, bytes]:
    routes: Path = client.settings.places.routes
    return {path.name: path.read_bytes() for path in routes.iterdir()}


async def test_a_route_that_is_sent_can_be_named_by_a_trip_at_once(open_client: Open, demo: Path) -> None:
    client = await open_client()
    data = (demo / "i90-west.gpx").read_bytes()
    first, again = [await send(client, data) for _ in range(2)]
    assert (first.status_code, again.status_code) == (201, 200)
    sent = first.json()
    assert sent == again.json()
    # The points and their number by the reader of GPX files that every plan is made with.
    assert sent["points"] == len(read_gpx(demo / "i90-west.gpx").lat_deg)
    trip = {"id": "T-1", "route": sent["name"], "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    assert (await client.post("/v1/trips", json=trip)).status_code == 201
    listed = {r["name"]: r for r in (await client.get("/v1/routes")).json()["routes"]}
    assert listed[sent["name"]]["sent"] is True
    assert listed["i90-west"]["sent"] is False
    assert listed["i90-west"]["bytes"] == len(data)


async def test_a_route_may_be_sent_as_plain_bytes(open_client: Open) -> None:
    """Generated clients send a file so; a browser asks first for this type too (Fetch, CORS-safelisted headers)."""
    client = await open_client()
    answer = await send(client, track(3), **{"content-type": "application/octet-stream"})
    assert answer.status_code == 201


async def test_the_operator_s_files_are_never_written_over(open_client: Open) -> None:
    client = await open_client()
    before = folder(client)
    for name in ("i90-west", "i90-east"):
        assert (await send(client, track(3), name)).status_code == 201
    assert before.items() <= folder(client).items()


async def test_a_name_taken_by_another_content_or_by_a_link_is_409(open_client: Open, tmp_path: Path) -> None:
    client = await open_client()
    routes: Path = client.settings.places.routes
    name = (await send(client, track(3))).json()["name"]
    (routes / f"{name}.gpx").write_bytes(b"edited")
    assert (await send(client, track(3))).status_code == 409
    (routes / f"{name}.gpx").unlink()
    (routes / f"{name}.gpx").symlink_to(tmp_path / "elsewhere")
    assert (await send(client, track(3))).status_code == 409
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("name", ["", "../x", "a/b", "a.b", "a b", "é", "x" * 41, "a\0", "a\n", ".hidden"])
async def test_a_name_that_could_lead_anywhere_is_422(open_client: Open, name: str) -> None:
    client = await open_client()
    before = folder(client)
    answer = await send(client, track(3), name)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert answer.json()["field"] == "name"
    assert folder(client) == before


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", "is empty"),
        (b"<gpx>", "invalid XML here"),
        (b"not xml", "invalid XML here"),
        (track(1), "fewer than two different points"),
        (b'<!DOCTYPE gpx [<!ENTITY a "a">]><gpx>&a;</gpx>', "document types and entities are refused"),
        (b'<!DOCTYPE gpx SYSTEM "file:///etc/passwd"><gpx/>', "document types and entities are refused"),
        (b"<gpx>" + b"<a>" * 200_000, "nested deeper than 32"),
        (b"<gpx " + b" ".join(b'a%d=""' % n for n in range(65)) + b"/>", "more than 64 attributes"),
        (track(200_001), "more than 200,000 points"),
        (gzip.compress(track(3), mtime=0), "is compressed"),
        (b"\x00" * 1000, "invalid XML here"),
        (b"<gpx><trk><trkseg><trkpt lat='47' lon='nan'/></trkseg></trk></gpx>", "is not a number of degrees"),
    ],
)
async def test_a_file_that_cannot_be_used_is_422_and_nothing_is_stored(
    open_client: Open, data: bytes, expected: str
) -> None:
    client = await open_client()
    before = folder(client)
    answer = await send(client, data)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert expected in answer.json()["detail"]
    assert answer.json()["mend"]
    assert folder(client) == before


async def test_size_type_and_coding_are_refused_before_anybody_looks(open_client: Open) -> None:
    client = await open_client()
    assert (await send(client, b" " * 10_000_001)).status_code == 413
    for kind in ("text/plain", "text/xml", "multipart/form-data; boundary=x"):
        assert (await send(client, track(3), **{"content-type": kind})).status_code == 415
    assert (await send(client, track(3), **{"content-encoding": "gzip"})).status_code == 415
    too_large_elsewhere = await client.post(
        "/v1/trips", content=b" " * 70_000, headers={"content-type": "application/json"}
    )
    assert too_large_elsewhere.status_code == 413


async def test_a_file_that_takes_too_long_ends_with_its_worker(
    open_client: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = await open_client()
    monkeypatch.setattr(route_uploads, "INSPECT_TIMEOUT_S", 0.01)
    answer = await send(client, track(3))
    assert answer.status_code == 422
    assert "costs more time or memory" in answer.json()["detail"]
    assert not [p for p in Path("/proc").glob("[0-9]*/cmdline") if _is_ours(p)]


def _is_ours(path: Path) -> bool:
    try:
        worker = b"alertd.sources.files.gpx_worker" in path.read_bytes()
        return worker and f"PPid:\t{os.getpid()}" in (path.parent / "status").read_text(encoding="utf-8")
    except OSError:
        return False


async def test_a_file_that_takes_too_much_memory_ends_with_its_worker(open_client: Open) -> None:
    """One element with 700,000 attributes: a parser must hold them all before anybody may count them."""
    client = await open_client()
    answer = await send(client, b"<gpx " + b" ".join(b'a%d=""' % n for n in range(700_000)) + b"/>")
    assert answer.status_code == 422
    assert "costs more time or memory" in answer.json()["detail"]


async def test_the_number_of_sent_routes_is_bounded(open_client: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    client = await open_client()
    monkeypatch.setattr(route_uploads, "MAX_SENT", 2)
    assert [(await send(client, track(3), name)).status_code for name in "abc"] == [201, 201, 507]
    assert (await send(client, track(3), "a")).status_code == 200


async def test_only_so_many_files_are_held_at_once(open_client: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    client = await open_client()
    monkeypatch.setattr(route_uploads, "MAX_IN_PROGRESS", 2)
    answers = await asyncio.gather(*(send(client, track(3), name) for name in "abcd"))
    assert sorted(a.status_code for a in answers) == [201, 201, 503, 503]
    assert {a.headers.get("retry-after") for a in answers if a.status_code == 503} == {"5"}
    assert (await send(client, track(3), "e")).status_code == 201


async def test_a_folder_that_cannot_be_written_is_503(open_client: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    client = await open_client()

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(route_uploads.os, "link", refuse)
    before = folder(client)
    answer = await send(client, track(3))
    assert answer.status_code == 503
    assert "places.routes" in answer.json()["detail"]
    assert folder(client) == before

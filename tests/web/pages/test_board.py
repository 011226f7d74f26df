"""The dispatcher's board: who comes next, what is short and unread, what is reported, and that it renews itself."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from alertd.notices.text import phrases
from alertd.records.closures import active_closures
from alertd.records.posted_controls import active_posted
from alertd.service.trip_import.save_trip import save_trip
from alertd.settings.read import read_settings
from alertd.sources.files.trips import parse_trip
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer

DEMO = Path(__file__).resolve().parents[3] / "fixtures" / "demo"
DENVER = ZoneInfo("America/Denver")
DESKTOP = {"width": 1280, "height": 900}
OURS = {"sec-fetch-site": "same-origin"}
SIGN = {
    "id": "B-1", "level": "US-ID chains-required", "place": "Lookout Pass", "direction": "both", "ago_min": "30",
    "until_h": "", "words": "", "source": "a driver, by telephone",
}  # fmt: skip


def ids(page: object) -> list[str]:
    return page.locator("#rows tr td a").all_inner_texts()


def test_trips_come_in_the_order_of_their_next_action(served: PageServer, open_page: Callable) -> None:
    page = open_page(served.base_url + "/board", viewport=DESKTOP, java_script_enabled=False)
    assert set(ids(page)) == {"QT-1041", "QT-1042", "QT-1043", "QT-1044"}
    first = page.locator("#t-QT-1041").inner_text()
    stretch = served.planner.latest.plans["QT-1041"].stretches[0]
    at, share = f"{stretch.chain_up.arrive_at.astimezone(DENVER):%H:%M} MST", phrases.likely(stretch)
    for expected in (at, "chain up", "Cinder Ford chain-up area, I-90 WB, MT mile 6", "6 tires", share):
        assert expected in first
    assert "2 chains short" in page.locator("#t-QT-1042").inner_text()
    assert "then HOLD" in page.locator("#t-QT-1044").inner_text()
    assert "Posted signs and officers decide; rules change." in page.locator("footer").inner_text()
    assert page.faults == []


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("short=1", {"QT-1042"}),
        ("advice=hold", {"QT-1044"}),  # grip short on Fourth of July Pass
        ("q=ysolde", {"QT-1043"}),
        ("q=quillback+17", {"QT-1041"}),
        ("q=nobody", set()),
        ("page=999", {"QT-1041", "QT-1042", "QT-1043", "QT-1044"}),
    ],
)
def test_the_board_is_filtered_without_javascript(served: PageServer, query: str, found: set[str]) -> None:
    text = httpx.get(f"{served.base_url}/board?{query}").text
    assert set(re.findall(r'<tr id="t-([^"]+)"', text)) == found


def test_what_needs_a_look_comes_first_then_trucks_by_pass(served: PageServer, open_page: Callable) -> None:
    page = open_page(served.base_url + "/board", viewport=DESKTOP, java_script_enabled=False)
    look = page.locator("#look").inner_text()
    assert "QT-1042 Bram Tollefsgard: 2 chains short" in look
    assert "QT-1044 Casper Nightengate: hold" in look
    assert page.locator("#rows .group").first.inner_text().startswith("Lookout Pass WB: 3 trucks: 1 hold, 2 chain")
    assert page.locator("#map svg:visible").count() == 1
    words = page.locator("#map svg desc").first.text_content()
    assert "Lookout Pass WB: 3 trucks may chain." in words
    assert page.faults == []
    page.set_viewport_size({"width": 360, "height": 740})
    assert page.locator("#map svg:visible").get_attribute("width") == "360"
    text = httpx.get(f"{served.base_url}/board?group=Lookout+Pass+WB").text
    assert set(re.findall(r'<tr id="t-([^"]+)"', text)) == {"QT-1041", "QT-1042", "QT-1044"}


def test_a_large_fleet_is_counted_by_pass_with_exceptions_first(served: PageServer) -> None:
    row = {"route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T12:00:00-07:00", "driver": "X"}
    ids = [f"L-{n}" for n in range(70)]
    for trip in ids:
        save_trip(served.store, parse_trip(row | {"id": trip}, "test"), served.clock())
    try:
        served.clock.advance(timedelta(seconds=5))
        text = httpx.get(served.base_url + "/board").text
        passes = text[text.index('id="passes"') : text.index('id="rows"')]
        assert "Lookout Pass WB</a> 3 trucks" in passes
        assert "Not planned: be ready to chain</a> 70 trucks" in passes
        assert len(re.findall(r'<tr id="t-', text)) == 60
        assert "60 of 72" in re.sub(r"\s+", " ", text)  # without the two that ask for no look
        rest = httpx.get(served.base_url + "/board?page=2").text
        assert set(re.findall(r'<tr id="t-([^"]+)"', text + rest)) == {*ids, "QT-1042", "QT-1044"}
        assert len(text) < 100_000
    finally:
        for trip in ids:
            served.store.cancel_trip(trip)
        served.clock.advance(timedelta(seconds=5))


def test_a_sign_and_a_closure_are_reported_and_taken_back(served: PageServer, open_page: Callable) -> None:
    page, wakes = open_page(served.base_url + "/board", viewport=DESKTOP, java_script_enabled=False), served.wakes
    page.get_by_text("Report a sign").click()
    form = page.locator("#posted form.fill")
    form.locator("[name=level]").select_option("US-ID closed")
    form.locator("[name=place]").fill("Lookout Pass")
    form.locator("[name=source]").fill("a driver, by telephone")
    form.get_by_role("button", name="Report the sign").click()
    page.get_by_text("Report a closed road").click()
    form = page.locator("#closures form.fill")
    form.locator("[name=from]").fill("Lookout Pass")
    form.locator("[name=to]").fill("47.49, -115.92")
    form.locator("[name=what]").fill("avalanche work")
    form.locator("[name=source]").fill("road authority")
    form.locator("[name=until_h]").select_option("4")
    form.get_by_role("button", name="Report the closure").click()
    now = served.clock()
    (sign,), (closed,) = active_posted(served.store, served.planner.reference, now), active_closures(served.store, now)
    assert (sign.control.level, sign.control.where.words) == ("closed", "Lookout Pass")
    assert closed.to_core().ends_at == now + timedelta(hours=4)
    assert served.wakes == wakes + 2
    page.get_by_role("button", name="Sign is off").click()
    page.get_by_role("button", name="Road is open").click()
    assert active_posted(served.store, served.planner.reference, now) == active_closures(served.store, now) == ()


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"place": "Nowhere"}, "is no zone of US-ID and no summit on file"),
        ({"level": "US-XX closed"}, "there are no rules of"),
        ({"source": ""}, "source"),
        ({"ago_min": "7"}, "is not one of the choices"),
    ],
)
def test_form_mistake_is_shown_beside_it_and_input_stays(
    served: PageServer, changes: dict[str, str], expected: str
) -> None:
    sent = httpx.post(served.base_url + "/board/posted", data=SIGN | {"words": "lit at exit 0"} | changes, headers=OURS)
    assert sent.status_code == 422
    assert expected in re.sub(r"\s+", " ", sent.text)
    assert 'value="lit at exit 0"' in sent.text


@pytest.mark.parametrize("headers", [{}, {"sec-fetch-site": "cross-site"}, {"origin": "http://elsewhere.example"}])
def test_the_board_takes_no_post_of_another_site(served: PageServer, headers: dict[str, str]) -> None:
    assert httpx.post(served.base_url + "/board/posted", data=SIGN, headers=headers).status_code == 403


def test_board_without_token_answers_only_this_machines_names(served: PageServer) -> None:
    """Another site may let its name point at 127.0.0.1."""
    for path in ("/board", "/board/events", "/board/sign-in"):
        assert httpx.get(served.base_url + path, headers={"host": "rebound.example"}).status_code == 421


def test_names_that_look_like_markup_stay_text(served: PageServer) -> None:
    name = "<script>alert(1)</script>"
    row = {
        "id": "X-1",
        "route": "i90-west",
        "rig": "quillback-17",
        "depart": "2027-01-14T12:00:00-07:00",
        "driver": name,
    }
    save_trip(served.store, parse_trip(row | {"driver": name}, "test"), served.clock())
    try:
        served.clock.advance(timedelta(seconds=5))
        for path in ("/board", "/board/trips/X-1"):
            text = httpx.get(served.base_url + path).text
            assert name not in text
            assert "be ready to chain" in text.lower()
    finally:
        served.store.cancel_trip("X-1")


def test_only_the_rows_that_changed_are_replaced(served: PageServer, open_page: Callable, until: Callable) -> None:
    page = open_page(served.base_url + "/board", viewport=DESKTOP)
    page.evaluate("document.querySelectorAll('#rows tr').forEach(row => row.marked = true)")
    page.wait_for_timeout(500)
    link = served.link("QT-1044")
    assert httpx.post(link, data={"what": "chains_on"}).status_code == 303
    served.clock.advance(timedelta(seconds=5))
    until(page, "document.querySelector('#t-QT-1044').classList.contains('fresh')")
    kept = page.evaluate("[...document.querySelectorAll('#rows tr')].filter(row => row.marked).map(row => row.id)")
    assert "t-QT-1044" not in kept
    assert "t-QT-1041" in kept
    assert page.faults == []


def test_the_trip_page_says_all_of_it_and_shows_every_picture(
    served: PageServer, open_page: Callable, until: Callable
) -> None:
    page = open_page(served.base_url + "/board/trips/QT-1041", viewport=DESKTOP)
    text = page.locator("main").inner_text()
    for expected in (
        "Lookout Pass: plan to chain",
        "nobody ploughs or salts",
        "Why",
        "Leaving at another hour",
        "What was said",
        "plan to the driver",
    ):
        assert expected in text
    seen = page.evaluate(
        "[...document.querySelectorAll('main svg')].filter(s => s.checkVisibility()).map(s => s.viewBox.baseVal.width)"
    )
    assert len(seen) == 5, "road, hours, map, and the axles of both stretches"
    assert all(width > 0 for width in seen)
    assert page.evaluate("document.images.length") == 0
    assert page.faults == []


def test_with_a_token_the_board_opens_by_signing_in(
    storm: FakeOpenMeteo, tmp_path: Path, open_page: Callable, morning: datetime
) -> None:
    settings = read_settings(DEMO / "alertd.toml")
    settings = replace(
        settings,
        forecast=settings.forecast.with_keys(open_meteo_url=storm.base_url),
        store=tmp_path / "alertd.db",
        cache=tmp_path / "http",
        archive=None,
        trips=None,
        http_token="a long random token",
    )
    with PageServer(settings, ManualClock(morning)) as served:
        for path in ("/board/events", "/board/score"):
            assert httpx.get(served.base_url + path).status_code == 401
        page = open_page(served.base_url + "/board", viewport=DESKTOP, java_script_enabled=False)
        assert page.url.endswith("/board/sign-in")
        page.get_by_label("The daemon's token").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        assert "no token that may look here" in page.locator("[role=alert]").inner_text()
        page.get_by_label("The daemon's token").fill("a long random token")
        page.get_by_role("button", name="Sign in").click()
        assert page.url.endswith("/board")
        (cookie,) = page.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        page.get_by_role("button", name="Sign out").click()
        page.goto(served.base_url + "/board")
        assert page.url.endswith("/board/sign-in")

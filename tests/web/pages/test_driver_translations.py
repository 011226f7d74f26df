"""The driver's page in the driver's language: no label stays English, and what does is marked as English."""

import csv
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from string import Formatter
from types import SimpleNamespace
from typing import Any

import httpx
import pytest

from alertd.i18n import LANGUAGES, Language
from alertd.notices.next_action import ActionKind, NextAction
from alertd.plan.model.stretches import Advice
from alertd.settings.languages import Languages
from alertd.settings.read import read_settings
from alertd.sources.files.translations import load_translator
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer
from alertd.testing.update_translations import messages_in_templates
from alertd.web.pages.base import Pages
from alertd.web.pages.driver_taps import FALLS, ROADS
from alertd.web.pages.driver_words import heading, template_functions

DEMO = Path(__file__).resolve().parents[3] / "fixtures" / "demo"
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
MOST_BYTES = 100_000
INTERNATIONAL = {"max {speed}"}  # the same in all three
SPOKEN = {"QT-1041": "es", "QT-1042": "fr", "QT-1043": "en", "QT-1044": ""}  # the last in the fleet's own, French
FLEET: Language = "fr"
OTHERS: tuple[Language, ...] = ("es", "fr")
# All that the heading reads of a plan: one on winter road, and one that is slow for wind alone.
PLAN: Any = SimpleNamespace(arrived_at=None, advice=Advice.SLOW, surfaces=("winter road",), bridges=(), closures=())
WINDY: Any = SimpleNamespace(
    arrived_at=None, advice=Advice.SLOW, surfaces=(), bridges=(), closures=(SimpleNamespace(kind="gusts", met=True),)
)
VOID = {"meta", "link", "img", "br", "input"}
SEEN = {"alt", "aria-label", "data-offline", "data-queued", "data-failed"}


class Read(HTMLParser):
    """What a page says to its reader, without what is marked as English; and the language of the whole."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.language, self.marked_n, self._texts, self._english = "", 0, [""], [False]
        self.feed(html)
        self.text = " ".join(" ".join(self._texts).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "html":
            self.language = named["lang"] or ""
        english = self._english[-1] or (tag != "html" and named.get("lang") == "en")
        if not english:
            self._texts += [f"{value} |" for name, value in attrs if name in SEEN]
        if tag not in VOID:
            self.marked_n += english and not self._english[-1]
            self._english.append(english)

    def handle_endtag(self, tag: str) -> None:
        self._english.pop()

    def handle_data(self, data: str) -> None:
        if not self._english[-1]:
            self._texts.append(data)


def labels() -> list[str]:
    """Of the templates, as patterns; a value stands for anything short."""
    out = []
    for message in messages_in_templates():
        for english in (message.id,) if isinstance(message.id, str) else message.id:
            parts = [re.escape(text.strip()) for text, *_ in Formatter().parse(english)]
            if english and english not in INTERNATIONAL:
                out.append(r"(?<!\w)" + r".{1,40}?".join(p for p in parts if p) + r"(?!\w)")
    return out


def still_english(text: str) -> list[str]:
    return [found[0] for label in labels() if (found := re.search(label, text))]


@pytest.fixture(scope="module")
def spoken(storm: FakeOpenMeteo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageServer]:
    """The demo's trips, each with a language."""
    folder = tmp_path_factory.mktemp("spoken")
    settings = read_settings(DEMO / "alertd.toml")
    rows = list(csv.DictReader(Path(str(settings.trips)).read_text(encoding="utf-8").splitlines()))
    with (folder / "trips.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "language"])
        writer.writeheader()
        writer.writerows({**row, "language": SPOKEN[row["id"]]} for row in rows)
    settings = replace(
        settings,
        trips=folder / "trips.csv",
        languages=Languages(driver=FLEET),
        forecast=settings.forecast.with_keys(open_meteo_url=storm.base_url),
        plan=replace(settings.plan, compare_h=3.0),
        store=folder / "alertd.db",
        cache=folder / "http",
        archive=None,
    )
    with PageServer(settings, ManualClock(MORNING)) as server:
        yield server


@pytest.mark.parametrize("trip_id", SPOKEN)
def test_each_driver_reads_the_page_in_the_language_of_the_trip(spoken: PageServer, trip_id: str) -> None:
    answer = httpx.get(spoken.link(trip_id), headers={"accept-language": "en"})
    page, wanted = Read(answer.text), SPOKEN[trip_id] or FLEET
    assert page.language == wanted
    assert len(answer.content) < MOST_BYTES
    assert not re.search(r"<script(?! src=)|<style|\son\w+=", answer.text)
    assert (page.marked_n > 0) is (wanted != "en")
    if wanted == "en":
        assert len(still_english(page.text)) > 25  # or the patterns would find nothing anywhere
    else:
        assert still_english(page.text) == []


def test_a_tap_is_answered_in_the_language_of_the_trip(spoken: PageServer) -> None:
    link = spoken.link("QT-1041")
    output = httpx.post(link, data={"what": "chains_on"}, headers={"accept": "application/json"}).json()
    assert output == {"said": "Anotado: cadenas puestas."}
    page = Read(httpx.get(f"{link}?done=chains_on").text)
    assert "Anotado: cadenas puestas." in page.text
    assert "SIGA CON CADENAS HASTA" in page.text
    assert still_english(page.text) == []
    assert "No se anotó" in httpx.post(link, data={"what": "launch"}).text


def test_dead_link_is_shown_in_the_language_of_the_fleet(spoken: PageServer) -> None:
    page = Read(httpx.get(f"{spoken.base_url}/d/nothing").text)
    assert page.language == FLEET
    assert "Ce lien ne marche pas" in page.text
    assert still_english(page.text) == []


@pytest.mark.parametrize("language", OTHERS)
def test_page_without_a_plan_is_be_ready_in_every_language(language: Language) -> None:
    translator = load_translator(language)
    values = {
        "trip": {"id": "T-1", "driver": ""}, "plan": None, "missed": "route file gone", "now": MORNING, "zone": "UTC",
        "fleet": "", "message": None, "read_at": None, "on_at": None, "off_at": None, "token": "x",
        "hanging_at": None, "removing_at": None, "loaded": None, "missing": "",
        "road_seen": None, "roads": ROADS, "falls_seen": None, "falls": FALLS, "summits": ("Lookout Pass",),
        "done": "",
        **template_functions(translator),
    }  # fmt: skip
    shown = Pages(lambda asked: load_translator(asked).gettext).render("driver.html", values, language=language)  # type: ignore[arg-type]
    page = Read(bytes(shown.body).decode())
    assert translator.translate("BE READY TO CHAIN") in page.text
    assert "route file gone" not in page.text  # marked as English
    assert still_english(page.text) == []


@pytest.mark.parametrize("language", OTHERS)
def test_what_stands_largest_is_said_in_every_language(language: Language) -> None:
    english, translator = load_translator("en"), load_translator(language)
    for step in ActionKind:
        for at in (MORNING, MORNING + timedelta(hours=2)):
            call = NextAction(step=step, at=at)
            for plan in (PLAN, WINDY):
                assert heading(plan, call, MORNING, translator) != heading(plan, call, MORNING, english)


def test_every_language_has_its_page() -> None:
    assert sorted({*OTHERS, "en"}) == sorted(LANGUAGES)

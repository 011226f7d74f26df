"""The brief as a page: the order of its sections, every trip in it, no name as markup, nothing from elsewhere."""

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from alertd.notices.reports.brief_html import MAX_DRAWN, InlineImage, brief_page, trips_needing_action
from alertd.notices.reports.html import chip
from alertd.plan.model.notes import CarryNote
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import at_hour

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
CARRY = CarryNote(
    jurisdiction="US-XX", certain=True, not_placed=(), singles_asked=6, singles_short=2, section="1.2",
    confidence="high", doubt="",
)  # fmt: skip


class Read(HTMLParser):
    """The page as a reader has it: its words, its headings, and where its pictures come from."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words, self.heads, self.sources, self.tags = "", [], [], set()
        self._open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._open.append(tag)
        if tag == "h2":
            self.heads.append("")
        if tag == "img":
            self.sources.append((dict(attrs)["src"], dict(attrs)["alt"]))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        self.words += data
        if "h2" in self._open:
            self.heads[-1] += data


def page(*plans: Plan, not_planned: tuple[tuple[str, str], ...] = (), **shown: InlineImage) -> str:
    pictures = {trip.replace("_", "-"): s for trip, s in shown.items()}
    return brief_page("Invented fleet", plans, not_planned, at_hour(2), "America/Denver", pictures)


def test_sections_are_in_order_of_urgency_with_signs_last(saying: Callable[..., Plan]) -> None:
    """The last sentence is that posted signs decide."""
    busy = replace(saying(CHAIN), singles_short=2, carry=(CARRY,), cautions=("Ice on bridges.",))
    wintry = replace(saying(), trip_id="QT-2", advice=SLOW)
    calm = replace(wintry, trip_id="QT-3", advice=CLEAR, along=replace(wintry.along, winter_frac=(0.0,)), bridges=())
    read = Read(page(busy, wintry, calm, not_planned=(("QT-9", "no route"),)))
    firsts = [
        "Could not be planned", "Short of chains", "Next actions", "Winter road", "No winter road", "Carry rules",
        "Cautions", "Ages",
    ]  # fmt: skip
    assert [h[: len(first)] for h, first in zip(read.heads, firsts, strict=True)] == firsts
    assert read.words.rstrip().endswith(POSTED_SIGNS_DECIDE)
    for trip in ("QT-1", "QT-2", "QT-3", "QT-9"):
        assert trip in read.words


def test_a_name_is_never_markup(saying: Callable[..., Plan]) -> None:
    evil = replace(saying(CHAIN), driver="<script>x</script>", rig_name='"><img src=http://x>', trip_id="<b>")
    read = Read(page(evil, not_planned=(("<i>", "<u>&amp;"),)))
    assert read.tags.isdisjoint({"script", "b", "i", "u", "img"})
    assert "<script>x</script>" in read.words
    assert "<u>&amp;" in read.words


def test_charts_are_with_their_trip_and_repeated_in_words(saying: Callable[..., Plan]) -> None:
    made = page(saying(CHAIN), QT_1=InlineImage(src="cid:road-1@alertd.invalid", alt="Snow from mile 25."))
    assert Read(made).sources == [("cid:road-1@alertd.invalid", "Snow from mile 25.")]
    assert not re.search(r'(?:src|href|url\()\s*=?\s*"?https?:', made)


def test_next_actions_are_in_order_and_undrawn_ones_are_named(saying: Callable[..., Plan]) -> None:
    late, soon = saying(CHAIN, late_min=90), replace(saying(HOLD), trip_id="QT-2")
    assert [p.trip_id for p in trips_needing_action([late, soon, saying()])] == ["QT-2", "QT-1"]
    many = [replace(saying(CHAIN), trip_id=f"T-{n}") for n in range(MAX_DRAWN + 1)]
    assert f"drawn for the first {MAX_DRAWN} trips" in Read(page(*many)).words
    assert "drawn for" not in Read(page(late, soon)).words


def test_a_trip_without_any_forecast_is_told_as_such(saying: Callable[..., Plan]) -> None:
    read = Read(page(replace(saying(READY), sources=(), partial=True, stretches=())))
    assert "NONE for some trips: be ready to chain" in read.words
    assert "Forecast missing or old for some of the road: be ready to chain" in read.words


@pytest.mark.parametrize("advice", Advice)
def test_an_advice_is_a_word_before_it_is_a_color(advice: Advice) -> None:
    assert f">{advice.upper()}<" in chip(advice)
    assert len({chip(a).split("border:")[1].split(";")[0].rsplit(" ", 1)[0] for a in (CHAIN, READY, CLEAR)}) == 3

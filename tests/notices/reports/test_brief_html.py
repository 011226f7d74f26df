"""The brief as a page: the order of its parts, every trip in it, no name as markup, nothing from elsewhere."""

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser

from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_html import brief_page
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
    """The page as a reader has it: its words, its headings, its tags."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words, self.heads, self.tags = "", [], set()
        self._open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._open.append(tag)
        if tag == "h2":
            self.heads.append("")

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        self.words += data
        if "h2" in self._open:
            self.heads[-1] += data


def page(*plans: Plan, not_planned: tuple[tuple[str, str], ...] = ()) -> str:
    given = BriefInput(fleet="Made", plans=plans, not_planned=not_planned, now=at_hour(2), zone="America/Denver")
    return brief_page(compile_brief(given))


def test_parts_are_in_order_of_urgency_with_signs_last(saying: Callable[..., Plan]) -> None:
    """The last sentence is that posted signs decide."""
    busy = replace(saying(CHAIN), singles_short=2, carry=(CARRY,), cautions=("Ice on bridges.",))
    wintry = replace(saying(), trip_id="QT-2", advice=SLOW)
    calm = replace(wintry, trip_id="QT-3", advice=CLEAR, along=replace(wintry.along, winter_frac=(0.0,)), bridges=())
    read = Read(page(busy, wintry, calm, not_planned=(("QT-9", "no route"),)))
    heads = [h for h in read.heads if not h.startswith(("Late", "Worth"))]
    firsts = [
        "Not planned: be ready", "Before departure: load chains", "Larch Pass EB: 1 truck: 1 chain, 1 short",
        "Elsewhere, winter road", "No winter road", "Details", "Carry rules", "Cautions", "How old",
    ]  # fmt: skip
    assert [h[: len(first)] for h, first in zip(heads, firsts, strict=True)] == firsts
    assert read.words.rstrip().endswith(POSTED_SIGNS_DECIDE)
    for trip in ("QT-1", "QT-2", "QT-3", "QT-9"):
        assert trip in read.words


def test_a_name_is_never_markup(saying: Callable[..., Plan]) -> None:
    evil = replace(saying(CHAIN), driver="<script>x</script>", rig_name='"><img src=http://x>', trip_id="<i>")
    read = Read(page(evil, not_planned=(("<i>", "<u>&amp;"),)))
    assert read.tags.isdisjoint({"script", "i", "u", "img"})
    assert "<script>x</script>" in read.words
    assert "<u>&amp;" in read.words


def test_the_page_fetches_nothing(saying: Callable[..., Plan]) -> None:
    assert not re.search(r"(?:src|href|url\()", page(saying(CHAIN)))


def test_a_trip_without_any_forecast_is_named_as_such(saying: Callable[..., Plan]) -> None:
    read = Read(page(replace(saying(READY), sources=(), partial=True, stretches=())))
    assert "NONE for some trips: be ready to chain" in read.words
    assert "Forecast missing or old for some of the road" in read.words
    assert "No forecast; oldest rules" in read.words

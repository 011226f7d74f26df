"""The driver's lists of the work with chains, and what to load for every state. Common practice, no source."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from alertd.i18n import ENGLISH
from alertd.notices.checklists.items import ITEMS
from alertd.notices.checklists.loading import (
    Loaded,
    asks_loading,
    chains_by_state,
    loading_items,
    missing_words,
    needed_n,
    office_line,
)
from alertd.notices.checklists.moments import Moment, checklists, current_moments
from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_text import text_of
from alertd.plan.model.notes import CarryNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.settings.languages import Languages
from alertd.testing.factories import at_hour

Saying = Callable[..., Plan]
LANGUAGES = Languages(driver="land", office="en", units="land")


def duty(singles_n: int, state: str = "US-YY", *, certain: bool = True) -> CarryNote:
    return CarryNote(
        jurisdiction=state, certain=certain, not_placed=(), singles_asked=singles_n, singles_short=0, section="1",
        confidence="text", doubt="",
    )  # fmt: skip


@pytest.mark.parametrize("language", ["en", "es", "fr"])
def test_lists_are_short_and_complete_in_every_language(language: str) -> None:
    """A line is read by a lamp in one look: at most 100 letters, at most nine lines a moment."""
    translator = LANGUAGES.translators_for(language).driver
    lists = checklists((Moment.RECHECK,), ("chains",), translator)
    assert [x.moment for x in lists] == [Moment.RECHECK, *(m for m in Moment if m is not Moment.RECHECK)]
    assert [x.now for x in lists] == [True] + [False] * 5
    for x in lists:
        assert 1 <= len(x.lines) <= 9
        assert max(map(len, x.lines)) <= 100, x.lines
    if language != "en":
        english = {line for x in checklists((), ("chains",), ENGLISH) for line in (x.title, *x.lines)}
        assert not [line for x in lists for line in (x.title, *x.lines) if line in english - {"chains"}]


def test_the_list_of_this_moment_follows_the_reports() -> None:
    def now(**state: bool) -> tuple[Moment, ...]:
        none = dict.fromkeys(("leaves", "hanging", "removing", "chained", "needs_chains"), False)
        return current_moments(**(none | state))

    assert now(leaves=True, needs_chains=True) == (Moment.LOADING,)
    assert now(needs_chains=True) == (Moment.HANGING, Moment.RACK)
    assert now(hanging=True, needs_chains=True) == (Moment.HANGING,)
    assert now(chained=True)[:2] == (Moment.RECHECK, Moment.DRIVING)
    assert now(chained=True, removing=True) == (Moment.REMOVING,)
    assert now() == (Moment.RACK,)


def test_chains_are_listed_for_every_state_with_their_size(saying: Saying) -> None:
    """The law of the road asks by its level; a neighbour asks six on board by date, whatever the weather."""
    plan = replace(saying(Advice.CHAIN), carry=(duty(6), duty(9, "US-ZZ", certain=False)), chain_size="295/75R22.5")
    tires_n = max(d.tires_min for s in plan.stretches for d in s.hanging.demands)
    assert {(s.code, s.singles_n, s.by_date) for s in chains_by_state(plan)} == {
        ("US-XX", tires_n, False), ("US-YY", 6, True)
    }  # fmt: skip
    assert needed_n(plan) == max(6, plan.singles_needed)
    words = dict(loading_items(plan, ENGLISH))
    assert list(words) == list(ITEMS)
    assert words["chains"].startswith(f"{needed_n(plan)} single chains, size 295/75R22.5 (")
    assert "YY 6, must be aboard" in words["chains"]
    assert f"XX {tires_n}" in words["chains"]
    assert words["tensioners"] == f"tensioners: {needed_n(plan)}, one for each chain"
    short = dict(loading_items(replace(plan, singles_short=2), ENGLISH))["chains"]
    assert "2 SHORT: load them" in short
    assert "as on the sidewall" in dict(loading_items(replace(plan, chain_size=""), ENGLISH))["chains"]


def test_the_office_sees_what_is_missing_before_departure(saying: Saying) -> None:
    plan, now = saying(Advice.CHAIN), at_hour(3)
    zone, day_s = "America/Denver", 12 * 3600.0
    assert office_line(plan, None, zone, now, day_s) == "loading list not confirmed"
    assert office_line(plan, None, zone, now - timedelta(hours=20), day_s) == ""
    assert not asks_loading(saying())
    assert office_line(saying(), None, zone, now, day_s) == ""
    loaded = Loaded(at=at_hour(2), missing=("light", "key"))
    assert office_line(plan, loaded, zone, now, day_s) == (
        "NOT ON BOARD: cam key and a second one, head lamp, batteries (driver, 19:00 MST)"
    )
    assert office_line(plan, Loaded(at=at_hour(2)), zone, now, day_s) == "gear on board (driver, 19:00 MST)"
    given = BriefInput(
        fleet="Made", plans=[plan], not_planned=(), now=now, zone=zone, loaded={plan.trip_id: loaded}
    )  # fmt: skip
    text = text_of(compile_brief(given))
    assert "gear that drivers miss" in text.lower()
    assert missing_words(loaded.missing) in " ".join(text.split())

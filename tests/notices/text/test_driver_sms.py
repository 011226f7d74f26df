"""The driver's text fits two segments for every rig, rule and place of sensible length, and says what it must."""

import re
from dataclasses import replace
from datetime import timedelta
from functools import cache
from pathlib import Path

import pytest

from alertd.notices.text import gsm7
from alertd.notices.text.driver_sms import driver_text, eased_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.rules.requirements import cover, demand_for
from alertd.rules.rig import Rig
from alertd.rules.tire_text import tires_code
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs

ROOT = Path(__file__).parents[3]
RIGS = read_rigs(ROOT / "config/rigs")
RULES = read_rulesets(ROOT / "config/rules")

# Lengths in proportion: US-101 and SR-203 are as long as route numbers come, mileposts have one decimal at most.
PLACES = {
    "as in the demo": ("Oddly Fine Diesel", "I-90 MT MP 16"),
    "long": ("Wren and Galena truck stop and chain-up area, eastbound", "US-101 WA MP 322.5"),
    "no milepost": ("Wren and Galena truck stop and chain-up area, eastbound", ""),
    "other alphabet": ("Çay – “Zwölf Örter”, Дорога", "SR-203 OR MP 28.5"),
}


SURE = re.compile("[Cc]hains (almost certain|under 1 in 10|[1-9] in 10)")


@cache
def hangings(rig_id: str):  # type: ignore[no-untyped-def]
    """Every distinct hanging that any level of any rule set on file asks of the rig, with and without chains."""
    rig, found = RIGS[rig_id], {}
    for rules in RULES.values():
        for level in rules.levels:
            for carried in (0, 40):
                hanging = cover(replace(rig, singles_carried=carried), [demand_for(rules, level, rig)])
                found[tires_code(rig, hanging.tires), hanging.singles_short] = hanging
    return list(found.values())


def stretch_for(plan: Plan, rig: Rig, hanging, advice: Advice, place: str, pass_name: str, zone: str) -> Stretch:  # type: ignore[no-untyped-def]
    base = plan.stretches[0]
    name, milepost = PLACES[place]
    return replace(
        base,
        advice=advice,
        place=pass_name,
        hanging=hanging,
        tires_short_words=tires_code(rig, hanging.tires),
        chain_up=replace(base.chain_up, name=name, milepost=milepost, zone=zone),
        chain_off=replace(base.chain_off, name=name, milepost=milepost, zone=zone),
    )


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("rig_id", sorted(RIGS))
def test_any_rig_and_place_fit_two_segments_with_the_order_first(two_passes: Plan, rig_id: str, place: str) -> None:
    """job.md and reliability.md A10: the first 160 septets stand alone, with place, time and zone, tires, speed."""
    rig = RIGS[rig_id]
    for hanging in hangings(rig_id):
        for advice in (Advice.READY, Advice.CHAIN, Advice.HOLD):
            for pass_name in ("", "Larch Pass", "Fourth of July Pass and Lookout Pass"):
                stretch = stretch_for(two_passes, rig, hanging, advice, place, pass_name, "America/Anchorage")
                text = driver_text(two_passes, stretch)
                first = text[: gsm7.SINGLE_SEPTETS]
                name, milepost = (gsm7.to_gsm7(w) for w in PLACES[place])
                assert gsm7.segments(text) <= 2, text
                assert gsm7.septets(text) <= 2 * gsm7.PART_SEPTETS, text  # also raises outside the alphabet
                assert (milepost.rpartition(" ")[2] or name[:8]) in first
                assert re.search(r"\d\d:\d\d AKST", first)
                assert gsm7.to_gsm7(stretch.tires_short_words).lower() in text.lower()
                assert f"{hanging.singles_n} tires" in first
                assert "25 mph" in first
                assert (f"({hanging.singles_short} SHORT)" in first) is (hanging.singles_short > 0)
                assert SURE.search(text), text
                assert "old" in text
                assert "2026" not in text  # the date of the rule text is for the office and the page
                assert "Signs+officers decide" in text
                assert text.endswith("Read parked.")


def test_bare_speed_is_in_the_first_part_when_chains_may_be_hung(two_passes: Plan) -> None:
    """Common practice, no source: chained on bare pavement not above 20 mph; chains are mostly hung on bare road."""
    text = driver_text(two_passes, two_passes.stretches[0])
    assert "Max 25 mph, 20 if bare" in text[:160]


@pytest.mark.parametrize(
    ("advice", "starts"),
    [(Advice.READY, "BE READY TO CHAIN at "), (Advice.CHAIN, "PLAN TO CHAIN at "), (Advice.HOLD, "HOLD at ")],
)
def test_the_advice_leads(two_passes: Plan, advice: Advice, starts: str) -> None:
    assert driver_text(two_passes, replace(two_passes.stretches[0], advice=advice)).startswith(starts)


def test_an_unknown_road_gives_no_figure(two_passes: Plan) -> None:
    stretch = replace(two_passes.stretches[0], advice=Advice.READY, unknown_frac=1.0, surfaces=(("unknown", 1.0),))
    text = driver_text(two_passes, stretch)
    assert "road not known" in text
    assert "%" not in text


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("rig_id", sorted(RIGS))
def test_end_of_a_hold_is_given_where_it_fits(two_passes: Plan, rig_id: str, place: str) -> None:
    """Local time where the truck holds; by Alaska's clock, 9 hours behind UTC, the day after."""
    rig, result = RIGS[rig_id], 0
    for hanging in hangings(rig_id):
        stretch = stretch_for(two_passes, rig, hanging, Advice.HOLD, place, "Larch Pass", "America/Anchorage")
        until = stretch.chain_up.arrive_at.replace(minute=0) + timedelta(hours=24)
        day = (until - timedelta(hours=9)).strftime("%a %H:%M")
        text = driver_text(two_passes, replace(stretch, hold_until=until))
        first = text[: gsm7.SINGLE_SEPTETS]
        assert gsm7.segments(text) <= 2
        assert first.startswith("HOLD at ")
        assert "25 mph" in first
        assert SURE.search(text), text
        assert text.endswith("Read parked.")
        assert text.count("Maybe passable") == text.count(f"Maybe passable from {day}. ")
        result += "Maybe passable" in text
    assert result


@pytest.mark.parametrize("advice", [Advice.READY, Advice.CHAIN])
def test_only_a_hold_has_an_end(two_passes: Plan, advice: Advice) -> None:
    stretch = replace(two_passes.stretches[0], advice=advice, hold_until=two_passes.arrive_at)
    assert "Maybe passable" not in driver_text(two_passes, stretch)


@pytest.mark.parametrize("place", ["", "Larch Pass", "Fourth of July Pass and Lookout Pass"])
def test_relief_keeps_the_chains_aboard(two_passes: Plan, place: str) -> None:
    text = eased_text(two_passes, place)
    assert gsm7.segments(text) <= 2
    assert "keep chains aboard" in text
    assert "Signs+officers decide" in text
    assert not re.search(r"\b(clear|no chains)\b", text, re.IGNORECASE)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("rig_id", sorted(RIGS))
def test_old_rule_text_is_for_the_office_and_the_page(two_passes: Plan, rig_id: str, place: str) -> None:
    aged = replace(
        two_passes,
        rules=tuple(replace(r, aged=("is of 2003, older than the last winter season",)) for r in two_passes.rules),
    )
    for hanging in hangings(rig_id):
        for advice in (Advice.READY, Advice.CHAIN, Advice.HOLD):
            stretch = stretch_for(
                aged, RIGS[rig_id], hanging, advice, place, "Fourth of July Pass and Lookout Pass", "America/Anchorage"
            )
            text = driver_text(aged, stretch)
            assert "2026-07" not in text
            assert gsm7.segments(text) <= 2
    assert "2026-07" not in eased_text(aged, "")

"""Every driver's text in every language: complete, sure, dated, for a parked reader, and within two segments."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import product
from pathlib import Path

import pytest

from alertd.i18n import LANGUAGES, Language, Translator, Translators
from alertd.notices.model import Audience
from alertd.notices.policy import Policy
from alertd.notices.sent_state import fact_of
from alertd.notices.text import driver_parts, gsm7, place_text
from alertd.notices.text.driver_sms import driver_text, eased_text
from alertd.notices.triggers.closures import closure_ended_text, closure_text
from alertd.notices.triggers.escalation import escalations
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.scheduled import (
    ChainStatus,
    approach_text,
    off_text,
    outlook_text,
    recheck_text,
    scheduled_notices,
)
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.road.road_class import RoadClass
from alertd.rules.requirements import Hanging, cover, demand_for
from alertd.rules.rig import Rig
from alertd.rules.tire_text import tire_runs, tires_code, tires_short_text
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

ROOT = Path(__file__).parents[3]
RIGS = read_rigs(ROOT / "config/rigs")
RULES = read_rulesets(ROOT / "config/rules")

# Lengths in proportion: US-101 and SR-203 are as long as route numbers come, mileposts have one decimal at most.
PLACES = {
    "long": ("Wren and Galena truck stop and chain-up area, eastbound", "US-101 WA MP 322.5"),
    "no milepost": ("Wren and Galena truck stop and chain-up area, eastbound", ""),
    "other alphabet": ("Çay – “Zwölf Örter”, Дорога", "SR-203 OR MP 28.5"),
}
PASS = "Fourth of July Pass and Lookout Pass"
CHAINED = (Advice.READY, Advice.CHAIN, Advice.HOLD)

# Who decides, that rules change, and when to read, as each catalogue has it.
DECIDES = {
    "en": ("Signs+officers decide", "rules change", "Read parked"),
    "es": ("Señales+agentes mandan", "reglas cambian", "Lea estacionado"),
    "fr": ("Panneaux+agents décident", "règles changent", "Lire garé"),
}
LIKELY = {
    "en": r"([Cc]hains|glaze|ice) (almost certain|(under )?\d in 10)",
    "es": r"[Cc]adenas( en este viaje:)? (casi con certeza|(menos de )?\d de 10)",
    "fr": r"[Cc]haines( sur ce trajet:)? (presque surement|(moins de )?\d sur 10)",
}
AGE = {
    "en": r"F(ore)?ca?st (under )?\d+ h old",
    "es": r"Previsto hace (menos de )?\d+ h",
    "fr": r"Prévu il y a (moins d')?\d+ h",
}
LONGEST_AGE = {"en": "Fcst under 1 h old.", "es": "Previsto hace menos de 1 h.", "fr": "Prévu il y a moins d'1 h."}
POSTED = {"en": "POSTED", "es": "SEÑALIZADO", "fr": "AFFICHÉ"}

every_language = pytest.mark.parametrize("language", LANGUAGES)


@cache
def hangings(rig_id: str) -> list[Hanging]:
    """Every distinct hanging that any level of any rule set on file asks of the rig that has no chains."""
    rig = RIGS[rig_id]
    found = {}
    for rules in RULES.values():
        for level in rules.levels:
            hanging = cover(replace(rig, singles_carried=0), [demand_for(rules, level, rig)])
            if hanging.singles_n:
                found[hanging.tires] = hanging
    return list(found.values())


def stretch_for(plan: Plan, rig: Rig, hanging: Hanging, advice: Advice, place: str) -> Stretch:
    base = plan.stretches[0]
    name, milepost = PLACES[place]
    return replace(
        base,
        advice=advice,
        place=PASS,
        hanging=hanging,
        tires_short_words=tires_code(rig, hanging.tires),
        tire_runs=tire_runs(rig, hanging.tires),
        chain_up=replace(base.chain_up, name=name, milepost=milepost, zone="America/Anchorage"),
        chain_off=replace(base.chain_off, name=name, milepost=milepost, zone="America/Anchorage"),
    )


def holds(text: str, translator: Translator, *, likely: bool = True, age: bool = True) -> None:
    """What every text must hold to; septets raise outside the alphabet."""
    assert gsm7.segments(text) <= 2, text
    assert gsm7.septets(text) <= 2 * gsm7.PART_SEPTETS, text
    for facts in DECIDES[translator.language]:
        assert facts in text
    if likely:
        assert re.search(LIKELY[translator.language], text), text
    if age and gsm7.segments(f"{text} {LONGEST_AGE[translator.language]}") <= 2:  # the first to go where room is short
        assert re.search(AGE[translator.language], text), text


def posted(stretch: Stretch) -> Stretch:
    """With a control that its authority has posted since the day before."""
    sign = replace(stretch.postings[0], posted=True, posted_since=at_hour(-12))
    return replace(stretch, postings=(sign, *stretch.postings[1:]))


def at_their_longest(plan: Plan) -> Plan:
    """Ages in their longest words, old rule text, and a zone whose abbreviation has four letters."""
    return replace(
        plan,
        rules=tuple(replace(r, aged=("is of 2003",)) for r in plan.rules),
        sources=tuple(replace(s, age_h=0.5) for s in plan.sources),
    )


@pytest.mark.parametrize("rig_id", sorted(RIGS))
@every_language
def test_orders_of_any_rig_fit_and_first_segment_is_complete(two_passes: Plan, language: Language, rig_id: str) -> None:
    """reliability A10: the first 160 septets hold place, time with zone, how many tires and how fast."""
    translator, rig, plan = load_translator(language), RIGS[rig_id], at_their_longest(two_passes)
    every = hangings(rig_id)
    longest = max(every, key=lambda h: len(tires_short_text(tire_runs(rig, h.tires), translator)))
    cases = [*product(every, ["long"], CHAINED), *product([longest], PLACES, CHAINED)]
    for hanging, place, advice in cases:
        name, milepost = PLACES[place]
        stretch = stretch_for(plan, rig, hanging, advice, place)
        text = driver_text(plan, stretch, translator)
        holds(text, translator)
        first = text[: gsm7.SINGLE_SEPTETS]
        assert (milepost.rpartition(" ")[2] or gsm7.to_gsm7(name)[:8]) in first
        assert re.search(r"\d\d:\d\d AKST", first)
        assert f"{hanging.singles_n} " in first
        assert "25 mph" in first
        assert "2026" not in text  # the date of the rule text is for the office and the page
        assert gsm7.to_gsm7(tires_short_text(stretch.tire_runs, translator)).lower() in text.lower()
        last = approach_text(plan, stretch, at_hour(5), translator)
        holds(last, translator, age=False)  # the first to go where room is short
        assert "25 mph, 20 " in last
        for facts in (
            driver_text(plan, posted(stretch), translator),
            approach_text(plan, posted(stretch), at_hour(5), translator),
        ):
            holds(facts, translator, likely=False, age=False)
            assert POSTED[language] in facts.upper()


@every_language
def test_an_order_on_a_usual_rig_says_all_of_it(two_passes: Plan, language: Language) -> None:
    """The tractor and van of most trips, its chains on board: which tires, and where they come off."""
    rig, translator = replace(RIGS["tractor-6x4-van-53"], singles_carried=8), load_translator(language)
    hanging = cover(rig, [demand_for(RULES["US-WA"], RULES["US-WA"].level("over-10000-gvw"), rig)])
    stretch = replace(
        two_passes.stretches[0],
        hanging=hanging,
        tires_short_words=tires_code(rig, hanging.tires),
        tire_runs=tire_runs(rig, hanging.tires),
    )
    text = driver_text(two_passes, stretch, translator)
    assert gsm7.to_gsm7(tires_short_text(stretch.tire_runs, translator)) in text
    assert (
        place_text.mark(stretch.chain_off, translator, short=True)
        in text.split(gsm7.to_gsm7(translator.gettext("Off at {where}. ", where="|")).split("|")[0])[1]
    )


@every_language
def test_every_other_text_fits_and_says_who_decides(saying: Callable[..., Plan], language: Language) -> None:
    """Names as long as a stop file has them. Closures are as sure as whom they name; a recheck rests on no forecast."""
    translator = load_translator(language)
    long = "Upper Cedar Meadow truck turnout and brake check area, eastbound side"
    for advice in CHAINED:
        plan = at_their_longest(saying(advice, advice, short=8))
        stretches = tuple(
            replace(s, chain_up=replace(s.chain_up, name=long), chain_off=replace(s.chain_off, name=long), place=long)
            for s in plan.stretches
        )
        plan = replace(plan, stretches=stretches, trip_id="T" * 64, singles_short=8)
        holds(outlook_text(plan, translator), translator)
        holds(approach_text(plan, stretches[0], at_hour(5), translator), translator, age=False)
        holds(eased_text(plan, long, translator), translator)
        holds(off_text(plan, stretches[0].chain_off, translator), translator, likely=False)
        holds(recheck_text(translator), translator, likely=False, age=False)
        for ends_at in (None, at_hour(12)):
            note = ClosureNote(
                what=long, source=long, where="", start_m=80e3, end_m=90e3, zone="America/Anchorage",
                enter_at=at_hour(7), begins_at=at_hour(1), ends_at=ends_at, met=True, held=True, posted=True,
            )  # fmt: skip
            holds(closure_text(plan, note, translator), translator, likely=False, age=False)
        holds(
            closure_ended_text(replace(fact_of(stretches[0]), place=long), translator),
            translator,
            likely=False,
            age=False,
        )


@every_language
def test_unknown_road_has_no_figure_and_missing_forecast_no_age(two_passes: Plan, language: Language) -> None:
    translator = load_translator(language)
    unknown = replace(two_passes.stretches[0], advice=Advice.READY, unknown_frac=1.0, surfaces=(("unknown", 1.0),))
    text = driver_text(replace(two_passes, sources=(), rules=()), unknown, translator)
    assert "%" not in text
    assert gsm7.to_gsm7(translator.gettext("No forecast")) in text


@every_language
def test_different_tires_never_read_alike(language: Language) -> None:
    rig, translator = RIGS["doubles-6x4"], load_translator(language)
    tires = [t for t in rig.tires() if t.axle_idx > 0][:10]
    sets = [frozenset(t for i, t in enumerate(tires) if n >> i & 1) for n in range(1, 1024)]
    assert len({gsm7.to_gsm7(tires_short_text(tire_runs(rig, s), translator)) for s in sets}) == len(sets)


def test_speeds_are_in_the_unit_of_signs_and_never_rounded_up(two_passes: Plan) -> None:
    """25 mph is 40.2 km/h and 20 mph 32.2 (1 mile = 1.609344 km)."""
    stretch = two_passes.stretches[0]
    abroad = replace(stretch, jurisdictions=("CA-BC",))
    metric, ours = load_translator("fr", metric=True), load_translator("fr")
    assert "Max 40 km/h, 30 sans neige" in driver_text(two_passes, abroad, metric)
    assert "Max 25 mph, 20 sans neige" in driver_text(two_passes, stretch, metric)
    assert "Max 25 mph, 20 sans neige" in driver_text(two_passes, abroad, ours)


def test_days_and_months_are_those_of_the_language(two_passes: Plan) -> None:
    """Leaves 06:00 UTC on Thursday 14 January, 22:00 PST on Wednesday 13."""
    assert "sale mié 13 ene 22:00 PST" in outlook_text(two_passes, load_translator("es"))
    assert "départ mer 13 janv 22:00 PST" in outlook_text(two_passes, load_translator("fr"))


def test_every_road_class_has_a_word() -> None:
    known = [road_class.label for road_class in RoadClass]
    for language in ("es", "fr"):
        translator = load_translator(language)
        assert all(driver_parts.surface(label, translator) != label for label in known)


def test_driver_and_office_each_read_their_own_language(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    translators = Translators(driver=load_translator("es"), office=load_translator("fr"))
    first, _ = plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY, translators=translators)
    (mine,) = (n.text for n in first if n.audience is Audience.DRIVER)
    assert mine.startswith("PREVEA CADENAS en ")
    soon = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=10)
    rolling = scheduled_notices(plan, (), ChainStatus(), soon, Policy(), translators)
    head, original = (
        "POUR Odalys Fenwright, À TRANSMETTRE SEULEMENT EN STATIONNEMENT: POSEZ LES CHAINES",
        "PONGA CADENAS",
    )
    assert rolling[0].text.startswith(head)
    assert "PONGA CADENAS" in rolling[0].text
    late = escalations(
        plan, [n for n in first if n.audience is Audience.DRIVER], (), at_hour(5), IMMEDIATE_POLICY, translators
    )
    assert [n.text.split(":")[0].split(",")[0] for n in late] == ["RECORDATORIO", "NON CONFIRMÉ par Odalys Fenwright"]

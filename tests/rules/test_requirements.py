from dataclasses import replace
from datetime import date
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.rules.clause import Confidence
from alertd.rules.requirements import TireDemand, carry_duty, cover, demand_for, demands_by_tire, strictest
from alertd.rules.rig import Rig, Tire
from alertd.rules.ruleset import RuleSet

LEVEL = {"US-ID": "chains-required", "US-MT": "chains-required-towing", "US-WA": "over-10000-gvw"}
NOVEMBER = date(2026, 11, 25)


def _asked(shipped: dict[str, RuleSet], code: str, rig: Rig, level: str | None = None) -> TireDemand:
    return demand_for(shipped[code], shipped[code].level(level or LEVEL[code]), rig)


def _carrying(rig: Rig, singles: int, doubles: int = 0) -> Rig:
    return replace(rig, singles_carried=singles, doubles_carried=doubles)


def _invented(*choices: frozenset[Tire]) -> TireDemand:
    return TireDemand(
        jurisdiction="US-XX", level_id="x", legal_name="x", choices=choices, section="x",
        confidence=Confidence.STATUTE, doubt="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("code", "rig", "tires_n"),
    [
        ("US-ID", "TS5", 4),  # Idaho Code 49-948(6): 1+1 drive, 1+1 trailer
        ("US-WA", "TS5", 5),  # RCW 47.36.250(1)(b), WAC 204-24-050(2)
        ("US-MT", "TS5", 4),  # MDT "driver wheels of one axle", stricter reading
        ("US-ID", "DB5", 6),  # 49-948(6), two towed vehicles
        ("US-WA", "TS6", 7),  # WAC 204-24-050(2), six or more axles
    ],
)
def test_hanging_counts_the_tires_of_the_text(
    code: str, rig: str, tires_n: int, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    hanging = cover(rigs[rig], [_asked(shipped, code, rigs[rig])])
    assert (len(hanging.tires), hanging.singles_n, hanging.singles_short) == (tires_n, tires_n, tires_n)


def test_one_trip_through_three_states_hangs_six_not_thirteen(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    # WA 4 + 1, ID 2 + 2, MT 4 share tires: 4 on the first drive axle and 1+1 on the rear trailer axle meet all.
    demands = [_asked(shipped, code, rigs["TS5"]) for code in LEVEL]
    hanging = cover(rigs["TS5"], demands)
    assert {(t.axle_idx, t.side, t.place) for t in hanging.tires} == {
        (1, "left", "outside"), (1, "left", "inside"), (1, "right", "outside"), (1, "right", "inside"),
        (4, "left", "outside"), (4, "right", "outside"),
    }  # fmt: skip
    assert hanging.demands == tuple(demands)


def test_free_choice_is_the_outside_duals_of_both_drive_axles(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    # Common practice, no source: western drivers chain the outside dual of every drive position.
    hanging = cover(rigs["TS5"], [_asked(shipped, "US-WA", rigs["TS5"])])
    assert {t.place for t in hanging.tires} == {"outside"}


def test_doubles_on_board_turn_the_choice_to_one_full_axle(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    rig = _carrying(rigs["TS5"], singles=1, doubles=2)
    hanging = cover(rig, [_asked(shipped, "US-WA", rig)])
    assert (hanging.doubles_used, hanging.singles_used, hanging.singles_short) == (2, 1, 0)
    assert hanging.singles_n == 5


def test_double_saves_nothing_where_one_tire_of_a_pair_is_asked(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    rig = _carrying(rigs["TS5"], singles=4, doubles=2)
    hanging = cover(rig, [_asked(shipped, "US-ID", rig)])
    assert (hanging.doubles_used, hanging.singles_used) == (0, 4)


def test_double_replaces_missing_singles_and_covers_the_pair(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # "2 triples + 2 singles" is a kit of the trade (thetruckingnetwork.ca); it must do for Idaho's 2 + 2.
    rig = _carrying(rigs["TS5"], singles=2, doubles=2)
    hanging = cover(rig, [_asked(shipped, "US-ID", rig)])
    assert (hanging.doubles_used, hanging.singles_used, hanging.singles_short) == (2, 2, 0)
    assert sum(t.axle_idx == 1 for t in hanging.tires) == 4


def test_one_chain_short_is_told(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    rig = _carrying(rigs["TS5"], singles=4)
    assert cover(rig, [_asked(shipped, "US-WA", rig)]).singles_short == 1


def test_nothing_asked_hangs_nothing(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    asked = _asked(shipped, "US-WA", rigs["TS5"], "traction-advisory")
    assert asked.choices == (frozenset(),)
    assert cover(rigs["TS5"], [asked]).tires == ()
    assert cover(rigs["TS5"], []).tires == ()


def test_single_tire_goes_to_the_side_away_from_traffic(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    hanging = cover(rigs["TS4"], [_asked(shipped, "US-WA", rigs["TS4"])])
    assert [t for t in hanging.tires if t.axle_idx > 1] == [Tire(3, "right", "outside")]


@st.composite
def demands_on(draw: st.DrawFn, tires: tuple[Tire, ...]) -> TireDemand:
    sets = st.frozensets(st.sampled_from(tires), max_size=5)
    return _invented(*draw(st.lists(sets, min_size=1, max_size=4)))


@settings(deadline=None)
@given(data=st.data())
def test_cover_meets_every_demand_and_no_smaller_set_does(rigs: dict[str, Rig], data: st.DataObject) -> None:
    rig = rigs["ST2"]
    demands = data.draw(st.lists(demands_on(rig.tires()), max_size=4))
    chosen = frozenset(cover(rig, demands).tires)

    def meets(tires: frozenset[Tire]) -> bool:
        return all(any(c <= tires for c in d.choices) for d in demands)

    smallest = next(
        n for n in range(len(rig.tires()) + 1) if any(meets(frozenset(c)) for c in combinations(rig.tires(), n))
    )
    assert meets(chosen)
    assert len(chosen) == smallest


@settings(deadline=None)
@given(data=st.data(), singles=st.integers(0, 8), doubles=st.integers(0, 4))
def test_chains_add_up_to_the_tires_covered(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig], data: st.DataObject, singles: int, doubles: int
) -> None:
    rig = _carrying(rigs[data.draw(st.sampled_from(sorted(rigs)))], singles, doubles)
    demands = [_asked(shipped, code, rig) for code in data.draw(st.lists(st.sampled_from(sorted(LEVEL)), max_size=3))]
    hanging = cover(rig, demands)
    covered = set(hanging.tires)
    assert all(any(c <= covered for c in d.choices) for d in demands)
    assert hanging.singles_used + 2 * hanging.doubles_used + hanging.singles_short == len(covered) == hanging.singles_n
    assert hanging.singles_used <= singles
    assert hanging.doubles_used <= doubles
    more = cover(_carrying(rig, singles + 1, doubles), demands)
    assert more.singles_short <= hanging.singles_short


def test_strictest_is_the_barred_then_the_most_tires(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    idaho, washington = (_asked(shipped, c, rigs["DB5"]) for c in ("US-ID", "US-WA"))
    assert strictest([washington, idaho]) == idaho
    california = _asked(shipped, "US-CA", rigs["DB5"], "donner-maximum")
    assert strictest([replace(california, choices=(frozenset(),)), idaho]).jurisdiction == "US-CA"
    wa_high = _asked(shipped, "US-WA", rigs["TS5"], "all-vehicles")
    assert strictest([_asked(shipped, "US-WA", rigs["TS5"]), wa_high]) == wa_high


def test_washington_carries_seven_for_a_five_axle_rig_in_season(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    # WAC 204-24-050(2)(f) as quoted by WSDOT: placement plus 2 spares = 7 singles
    duty = carry_duty(shipped["US-WA"], _carrying(rigs["TS5"], 5), NOVEMBER, {"i90-snoqualmie"})
    assert duty is not None
    assert (duty.certain, duty.tires_n, duty.spares_n, duty.singles_n, duty.singles_short) == (True, 5, 2, 7, 2)
    assert carry_duty(shipped["US-WA"], _carrying(rigs["TS5"], 7), NOVEMBER, {"i90-snoqualmie"}).singles_short == 0


def test_spares_are_singles_and_doubles_free_singles_for_them(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    def short(singles: int, doubles: int) -> int:
        return carry_duty(
            shipped["US-WA"], _carrying(rigs["TS5"], singles, doubles), NOVEMBER, {"i90-snoqualmie"}
        ).singles_short

    assert short(3, 2) == 0
    assert short(0, 4) == 2


@pytest.mark.parametrize(
    ("code", "zone", "day", "applies"),
    [
        ("US-WA", "i90-snoqualmie", date(2026, 10, 31), False),  # 1 Nov to 1 Apr, both included
        ("US-WA", "i90-snoqualmie", date(2026, 11, 1), True),
        ("US-WA", "i90-snoqualmie", date(2027, 4, 1), True),
        ("US-WA", "i90-snoqualmie", date(2027, 4, 2), False),
        ("US-MT", "i90-lookout-taft", date(2026, 9, 30), False),  # MCA 61-9-436: 1 Oct to 30 Apr
        ("US-MT", "i90-lookout-taft", date(2026, 10, 1), True),
        ("US-MT", "i90-lookout-taft", date(2027, 4, 30), True),
        ("US-MT", "i90-lookout-taft", date(2027, 5, 1), False),
        ("US-CO", "us285", date(2027, 5, 31), True),  # SB24-100 s.1: US-285, 31 May yes, 1 Jun no
        ("US-CO", "us285", date(2027, 6, 1), False),
    ],
)
def test_carry_duty_keeps_its_dates(
    code: str, zone: str, day: date, applies: bool, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    assert (carry_duty(shipped[code], rigs["TS5"], day, {zone}) is not None) == applies


def test_idaho_has_no_carry_duty(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    assert carry_duty(shipped["US-ID"], rigs["TS5"], NOVEMBER, {"i90-lookout"}) is None


def test_montana_carry_duty_is_for_26001_lb_towing(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # MCA 61-9-436
    montana, zone = shipped["US-MT"], {"i90-lookout-taft"}
    assert carry_duty(montana, rigs["TS5"], NOVEMBER, zone).tires_n == 4
    assert carry_duty(montana, rigs["ST3"], NOVEMBER, zone) is None
    assert carry_duty(montana, replace(rigs["TS5"], rated_mass_kg=26_000 * 0.45359237), NOVEMBER, zone) is None


def test_unplaceable_roads_leave_the_duty_uncertain_and_named(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    assert carry_duty(shipped["US-WA"], rigs["TS5"], NOVEMBER, set()) is None  # all of its roads are placed
    columbia = carry_duty(shipped["CA-BC"], rigs["TS5"], NOVEMBER, set())
    assert not columbia.certain
    assert "routes signed for it" in columbia.not_placed
    montana = carry_duty(shipped["US-MT"], rigs["TS5"], NOVEMBER, set())
    assert not montana.certain
    assert any("other roads" in words for words in montana.not_placed)


def test_rule_whose_roads_are_all_placed_is_ruled_out_elsewhere(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    washington = shipped["US-WA"]
    placed = replace(washington, carry=(replace(washington.carry[0], zones=("i90-snoqualmie",)),))
    assert carry_duty(placed, rigs["TS5"], NOVEMBER, set()) is None


def test_posted_sign_can_raise_a_carry_duty(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # Oregon S1 "carry chains": six chains for a five-axle rig (landline, 21 Sep 2021)
    oregon = shipped["US-OR"]
    assert carry_duty(oregon, rigs["TS5"], NOVEMBER, set(), winter_road=False) is None
    duty = carry_duty(oregon, rigs["TS5"], NOVEMBER, set(), posted_level_ids={"carry"}, winter_road=False)
    assert (duty.singles_n, duty.season) == (6, None)


def test_each_tire_knows_the_texts_it_stands_on(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # WA 4 + 1, ID 1+1 and 1+1, MT all four of one axle: both trailer tires serve Idaho, one of them Washington.
    rig = rigs["TS5"]
    because = {
        tire: {d.jurisdiction for d in why}
        for tire, why in demands_by_tire(rig, cover(rig, [_asked(shipped, code, rig) for code in LEVEL]))
    }
    assert because == {
        Tire(1, "left", "outside"): {"US-ID", "US-MT", "US-WA"},
        Tire(1, "left", "inside"): {"US-MT", "US-WA"},
        Tire(1, "right", "outside"): {"US-ID", "US-MT", "US-WA"},
        Tire(1, "right", "inside"): {"US-MT", "US-WA"},
        Tire(4, "left", "outside"): {"US-ID"},
        Tire(4, "right", "outside"): {"US-ID", "US-WA"},
    }


def test_second_tire_taken_only_by_a_double_cites_no_text(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    rig = _carrying(rigs["TS5"], singles=2, doubles=2)
    because = dict(demands_by_tire(rig, cover(rig, [_asked(shipped, "US-ID", rig)])))
    assert [tire for tire, why in because.items() if not why] == [
        Tire(1, "left", "inside"),
        Tire(1, "right", "inside"),
    ]


@given(data=st.data())
def test_every_tire_of_a_smallest_hanging_stands_on_a_text(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig], data: st.DataObject
) -> None:
    rig = _carrying(rigs[data.draw(st.sampled_from(sorted(rigs)))], 40)
    levels = [(r, lv) for r in shipped.values() for lv in r.levels]
    asked = [demand_for(r, lv, rig) for r, lv in data.draw(st.lists(st.sampled_from(levels), max_size=3))]
    hanging = cover(rig, asked)
    because = demands_by_tire(rig, hanging)
    assert tuple(tire for tire, _ in because) == hanging.tires
    assert all(why for _, why in because)
    for demand in asked:
        assert any(c <= {t for t, why in because if demand in why} for c in demand.choices)

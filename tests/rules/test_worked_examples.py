"""The worked examples of the law notes (section 13) and of the heavy-vehicle table (check values A), text by text."""

from dataclasses import replace
from datetime import date

import pytest

from alertd.rules.requirements import carry_duty, cover, demand_for
from alertd.rules.rig import AxleRole, Rig, Tire
from alertd.rules.ruleset import RuleSet

WINTER_DAY = date(2027, 1, 10)


def _split(shipped: dict[str, RuleSet], code: str, level: str, rig: Rig) -> tuple[int, int]:
    """Tires of the power unit and of towed units in the hanging chosen."""
    tires = cover(rig, [demand_for(shipped[code], shipped[code].level(level), rig)]).tires
    towed_n = sum(rig.axles[t.axle_idx].unit > 0 for t in tires)
    return len(tires) - towed_n, towed_n


@pytest.mark.parametrize(
    ("code", "level", "drive_n", "towed_n"),
    [
        ("US-CO", "chain-law", 4, 0),  # 1: CRS 42-4-106(5)(a)(I)(E); department's FAQ: trailers none
        ("US-ID", "chains-required", 2, 2),  # 4: Idaho Code 49-948(6)
        ("US-WY", "level-2", 2, 0),  # 8: W.S. 31-5-956(e)
        ("US-UT", "class-1", 4, 0),  # 10: R920-6-3(4)(a), R920-6-4(3)(a)
        ("US-OR", "towing-or-over-10000", 4, 2),  # 12: OAR 734-017, trade press 2021
        ("US-OR", "towing-or-single-drive", 0, 2),  # 13: ODOT Nov 2009; the trailer by the stricter reading
        ("US-WA", "over-10000-gvw", 4, 1),  # 14: RCW 47.36.250(1)(b), WAC 204-24-050(2)
        ("US-CA", "donner-maximum", 6, 2),  # 15: CVC 27459, drivers' digest 2002
        ("US-CA", "donner-minimum", 2, 2),  # 15
    ],
)
def test_five_axle_rig_is_asked_what_the_example_says(
    code: str, level: str, drive_n: int, towed_n: int, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    assert _split(shipped, code, level, rigs["TS5"]) == (drive_n, towed_n)


def test_3_colorado_carries_on_31_may_and_not_on_1_june(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """SB24-100 s.1: US-285 MP 200, five axles, dry road."""
    colorado = shipped["US-CO"]
    assert carry_duty(colorado, rigs["TS5"], date(2027, 5, 31), {"us285"}).tires_n == 4
    assert carry_duty(colorado, rigs["TS5"], date(2027, 6, 1), {"us285"}) is None


def test_8_wyoming_tires_are_at_opposite_ends_of_one_axle(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """W.S. 31-5-956(e)."""
    for choice in demand_for(shipped["US-WY"], shipped["US-WY"].level("level-2"), rigs["TS5"]).choices:
        assert len({t.axle_idx for t in choice}) == 1
        assert {t.side for t in choice} == {"left", "right"}


def test_13_oregon_trailer_is_told_in_doubt(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    oregon = shipped["US-OR"]
    assert "semitrailer" in demand_for(oregon, oregon.level("towing-or-single-drive"), rigs["TS5"]).doubt


def test_14_washington_has_seven_aboard_in_season(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """WAC 204-24-050(2)(f): 5 + 2 spares."""
    assert carry_duty(shipped["US-WA"], rigs["TS5"], WINTER_DAY, {"i90-snoqualmie"}).singles_n == 7


def test_17_british_columbia_bus_of_10_t_needs_two(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """Rule of 28 Nov 2018: cable or automatic allowed."""
    bus = replace(rigs["ST2"], kind="bus", rated_mass_kg=10_000.0)
    asked = demand_for(shipped["CA-BC"], shipped["CA-BC"].level("chain-up"), bus)
    assert asked.tires_min == 2
    assert "cable or automatic" in asked.devices[0]


@pytest.mark.parametrize(
    ("day", "bound"),
    [(date(2026, 11, 14), True), (date(2026, 10, 31), False), (date(2027, 4, 15), True), (date(2027, 4, 16), False)],
)
def test_a1_austria_carries_for_two_wheels_by_date(
    day: date, bound: bool, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    """KFG 102(9), N3, whatever the weather, everywhere."""
    duty = carry_duty(shipped["AT"], rigs["TS5"], day, ())
    assert (duty is not None) == bound
    assert duty is None or (duty.tires_n, duty.certain) == (2, True)


def test_a2_norway_season_ends_after_easter(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """Easter Monday 2026 is 6 Apr: the end is Sunday 12 or, by the older and stricter text used, Monday 13 Apr."""
    norway = shipped["NO"]
    bound = [carry_duty(norway, rigs["TS5"], date(2026, 4, day), ()) is not None for day in (12, 13, 14)]
    assert bound == [True, True, False]
    assert "Sunday" in carry_duty(norway, rigs["TS5"], date(2026, 4, 13), ()).doubt


def test_a2_norway_counts_seven_five_and_three(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """FOR-1990-01-25-92 section 1-4: 1 steer + 4 twin drive + 2 trailer; single drive wheels 1 + 2 + 2; alone 1 + 2."""
    five = rigs["TS5"]
    wide = replace(five, axles=tuple(replace(a, dual=a.dual and a.role is not AxleRole.DRIVE) for a in five.axles))
    alone = replace(rigs["ST2"], rated_mass_kg=12_000.0)
    asked = [carry_duty(shipped["NO"], rig, WINTER_DAY, ()).tires_n for rig in (five, wide, alone)]
    assert asked == [7, 5, 3]


def test_a2_norway_double_chains_make_five_pieces(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """vegvesen.no: five chains where double chains are used: 1 steer, 2 doubles, 2 trailer."""
    rig = replace(rigs["TS5"], singles_carried=3, doubles_carried=2)
    assert carry_duty(shipped["NO"], rig, WINTER_DAY, ()).singles_short == 0


def test_a2_norway_automatic_chains_stand_for_two_of_twin_wheels(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    fitted = replace(rigs["TS5"], devices=frozenset({"automatic chains"}))
    assert carry_duty(shipped["NO"], fitted, WINTER_DAY, ()).tires_n == 5


def test_a2_norway_north_carries_from_16_october(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    norway = shipped["NO"]
    assert carry_duty(norway, rigs["TS5"], date(2026, 10, 16), {"north"}) is not None
    assert carry_duty(norway, rigs["TS5"], date(2026, 10, 16), ()) is None
    assert carry_duty(norway, rigs["TS5"], date(2026, 10, 15), {"north"}) is None


def test_a3_france_trailer_needs_chains_even_on_winter_tires(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """Code de la route D.314-8 III, zone B58, 1 Dec."""
    day, tires = date(2026, 12, 1), frozenset({"winter tires"})
    with_trailer, alone = (replace(rigs[name], devices=tires) for name in ("TS5", "ST3"))
    assert carry_duty(shipped["FR"], with_trailer, day, {"b58"}).tires_n == 2
    assert carry_duty(shipped["FR"], alone, day, {"b58"}) is None
    assert carry_duty(shipped["FR"], rigs["ST3"], day, {"b58"}).tires_n == 2


def test_a4_switzerland_two_chains_on_one_axle_one_a_side(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """SSV Art. 29; studded tires do not count."""
    swiss = shipped["CH"]
    asked = demand_for(swiss, swiss.level("sign-2-48"), rigs["TS5"])
    assert frozenset({Tire(1, "left", "outside"), Tire(1, "right", "outside")}) in asked.choices
    assert asked.tires_min == 2
    studded = replace(rigs["TS5"], devices=frozenset({"studded tires"}))
    assert demand_for(swiss, swiss.level("sign-2-48"), studded).tires_min == 2


def test_a5_germany_hundred_kilometres_chained_take_two_hours(shipped: dict[str, RuleSet]) -> None:
    """StVO 3(4): 50 km/h; in Switzerland the same figure is advice and binds no level."""
    limit_mps = shipped["DE"].level("sign-268").speed_limit_mps
    assert round(100_000 / limit_mps / 3600, 9) >= 2.0
    assert shipped["CH"].level("sign-2-48").speed_limit_mps is None
    assert [v.binding for v in shipped["CH"].speeds] == [False]


def test_a6_spain_yellow_bars_an_articulated_truck(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """Color code of the traffic directorate: "not allowed to drive", never "chain up"."""
    spain = shipped["ES"]
    asked = demand_for(spain, spain.level("yellow"), rigs["TS5"])
    assert "may not drive" in asked.barred
    assert asked.choices == (frozenset(),)


def test_italy_takes_winter_tires_in_place_of_chains_aboard(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """Codice della Strada Art. 6(4)(e): 15 Nov to 15 Apr."""
    italy, fitted = shipped["IT"], replace(rigs["TS5"], devices=frozenset({"winter tires"}))
    assert carry_duty(italy, rigs["TS5"], date(2026, 11, 15), {"ordered"}).tires_n == 4
    assert carry_duty(italy, fitted, date(2026, 11, 15), {"ordered"}) is None
    assert carry_duty(italy, rigs["TS5"], date(2026, 11, 14), {"ordered"}) is None


def test_safe_western_load_is_eight_tires_seven_in_washington(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    """The law notes 14.2: 8 tires in California, 7 pieces in Washington; one trip through all of it hangs one set."""
    rig = rigs["TS5"]
    through = [("US-WA", "over-10000-gvw"), ("US-OR", "towing-or-over-10000"), ("US-CA", "donner-maximum")]
    demands = [demand_for(shipped[code], shipped[code].level(level), rig) for code, level in through]
    assert [d.tires_min for d in demands] == [5, 6, 8]
    assert len(cover(rig, demands).tires) == 8

"""Counts of tires against the texts. Each row names the text; "ref" is the section of the law notes it was read in."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.rules.clause import Confidence
from alertd.rules.requirements import TireDemand, demand_for
from alertd.rules.rig import Axle, AxleRole, Rig, Tire
from alertd.rules.rig_class import RigClass, fits
from alertd.rules.ruleset import ControlLevel, Demand, Placement, RuleSet
from alertd.rules.tire_layouts import choices, minimal

# (jurisdiction, level, rig) -> drive tires, towed tires. Where a text allows two readings, the stricter stands.
ROWS = [
    # Idaho Code 49-948(6): 1+1 on one drive axle, 1+1 at or near the rear of each towed vehicle (ref 0, 5)
    *[("US-ID", "chains-required", *row) for row in [
        ("ST2", 2, 0), ("BT2", 2, 0), ("ST3", 2, 0), ("BT3", 2, 0), ("TS4", 2, 2), ("TS5", 2, 2), ("DB5", 2, 4),
        ("DB6", 2, 4), ("TS6", 2, 2)]],
    # MDT: "driver wheels of one axle", read as all four (ref 0, 6: "2 as minimum, 4 as safe")
    *[("US-MT", "chains-required-towing", *row) for row in [
        ("TS4", 4, 0), ("TS5", 4, 0), ("DB5", 4, 0), ("TS6", 4, 0), ("BT3", 4, 0), ("ST2", 4, 0)]],
    # WAC 204-24-050(2) (ref 0, 1.4; TS5 = 5 also in the trade press of 2019)
    *[("US-WA", "over-10000-gvw", *row) for row in [
        ("ST2", 2, 0), ("BT2", 2, 0), ("ST3", 2, 0), ("BT3", 2, 0), ("TS4", 2, 1), ("TS5", 4, 1), ("DB5", 4, 1),
        ("DB6", 6, 1), ("TS6", 6, 1)]],
    # RCW 47.36.250(1)(c) and the fourth sign: the same for a heavy truck (ref 1.2)
    ("US-WA", "all-except-awd", "TS5", 4, 1),
    ("US-WA", "all-vehicles", "TS5", 4, 1),
    # RCW 47.36.250(1)(a): nothing asked of chains
    ("US-WA", "traction-advisory", "TS5", 0, 0),
    # ODOT Nov 2009: tandem drives go free at S2 (ref 2.2), what they tow does not.
    # OAR 734-017 via landline 2021 for 4 + 2 (ref 2.4)
    *[("US-OR", "towing-or-single-drive", *row) for row in [
        ("ST2", 2, 0), ("ST3", 0, 0), ("TS4", 4, 2), ("TS5", 0, 2), ("DB5", 4, 4)]],
    *[("US-OR", "towing-or-over-10000", *row) for row in [
        ("ST2", 2, 0), ("ST3", 2, 0), ("TS4", 4, 2), ("TS5", 4, 2), ("DB5", 4, 4)]],
    ("US-OR", "carry", "TS5", 0, 0),
    *[("US-OR", level, *row) for level in ("traction-tires-under-10000", "conditional-closure") for row in [
        ("ST2", 2, 0), ("ST3", 2, 0), ("TS5", 4, 2), ("DB5", 4, 4)]],
    # Drivers' digest of Feb 2002 and the department (ref 0, 3.4); ST2: 4 of "2, but 4 in severe conditions"
    *[("US-CA", level, *row) for level in ("r-1", "r-2", "r-3", "donner-maximum") for row in [
        ("ST2", 4, 0), ("BT2", 4, 0), ("ST3", 6, 0), ("BT3", 6, 0), ("TS4", 4, 2), ("TS5", 6, 2), ("DB5", 4, 4)]],
    ("US-CA", "donner-minimum", "TS5", 2, 2),
    ("US-CA", "donner-minimum", "DB5", 4, 4),
    # CRS 42-4-106(5)(a)(I)(E): at least four drive-wheel tires, trailers none (ref 4.4)
    *[("US-CO", "chain-law", rig, 4, 0) for rig in ("ST2", "BT2", "ST3", "BT3", "TS4", "TS5", "DB5")],
    # Utah R920-6-3(4)(a): one of each dual pair on all drive axles (ref 8)
    *[("US-UT", "class-1", *row) for row in [
        ("ST2", 2, 0), ("ST3", 4, 0), ("TS4", 2, 0), ("TS5", 4, 0), ("DB5", 2, 0)]],
    ("US-UT", "class-2", "TS5", 4, 0),
    # NDOT table, the stricter reading: a wheel on each side of every axle that drives or brakes (ref 0, 9)
    *[("US-NV", level, *row) for level in ("chains-or-snow-tires", "chains-required-except") for row in [
        ("ST2", 2, 0), ("ST3", 4, 0), ("TS4", 2, 4), ("TS5", 4, 4), ("DB5", 2, 6)]],
    # W.S. 31-5-956(e): opposite ends of one drive axle (ref 7)
    *[("US-WY", level, rig, 2, 0) for level in ("level-1", "level-2") for rig in ("ST2", "BT3", "TS4", "TS5", "DB5")],
    # BC rule of 28 Nov 2018: 2 without a trailer, up to 6 (ref 0, 10): the safe figures
    *[("CA-BC", "chain-up", *row) for row in [
        ("ST2", 2, 0), ("BT2", 2, 0), ("BT3", 4, 0), ("TS4", 4, 2), ("TS5", 4, 2), ("DB5", 4, 2)]],
    # SD: no count found, the most that any text asks (ref 11)
    ("US-SD", "restricted", "TS5", 8, 2),
    # The heavy-vehicle table of Europe and Japan (ref standards A). "At least two driven wheels": one on each side.
    ("AT", "needed", "TS5", 2, 0),  # KFG 102(9)
    ("AT", "sign-52-22", "TS5", 4, 0),  # every driven axle, as one copy has it
    ("DE", "sign-268", "ST2", 2, 0),  # StVO sign 268, the driven wheels
    ("DE", "sign-268", "TS5", 4, 0),
    ("CH", "sign-2-48", "TS5", 2, 0),  # SSV Art. 29
    ("IT", "chains-compulsory", "TS5", 4, 0),
    ("FR", "b26", "TS5", 2, 0),
    *[("NO", "adequate-grip", *row) for row in [("ST2", 3, 0), ("TS4", 5, 2), ("TS5", 5, 2)]],  # vegvesen.no
    ("ES", "sign-r-412", "TS5", 2, 0),
    ("JP", "closed-without-chains", "ST2", 2, 0),
    ("PL", "sign-c-18", "TS5", 2, 0),
]  # fmt: skip


@pytest.mark.parametrize(("code", "level", "rig", "drive_n", "towed_n"), ROWS)
def test_count_is_that_of_the_text(
    code: str, level: str, rig: str, drive_n: int, towed_n: int, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    asked, axles = demand_for(shipped[code], shipped[code].level(level), rigs[rig]), rigs[rig].axles
    for choice in asked.choices:
        assert sum(axles[t.axle_idx].unit == 0 for t in choice) == drive_n
        assert sum(axles[t.axle_idx].unit > 0 for t in choice) == towed_n


def _asked(shipped: dict[str, RuleSet], code: str, level: str, rig: Rig) -> TireDemand:
    return demand_for(shipped[code], shipped[code].level(level), rig)


def test_washington_tandem_is_one_full_axle_or_two_half_axles(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    # WAC 204-24-050(2), five axles, dual drive
    rig = rigs["TS5"]
    drive = {
        frozenset(t for t in c if t.axle_idx in (1, 2)) for c in _asked(shipped, "US-WA", "over-10000-gvw", rig).choices
    }
    assert frozenset(t for t in rig.tires() if t.axle_idx == 1) in drive
    assert frozenset(t for t in rig.tires() if t.axle_idx == 2) in drive
    assert frozenset(t for t in rig.tires() if t.axle_idx in (1, 2) and t.place == "outside") in drive


def test_oregon_semitrailer_may_be_staggered(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # landline 2021: both front, both rear or staggered
    staggered = {Tire(3, "left", "outside"), Tire(4, "right", "outside")}
    choices_ = _asked(shipped, "US-OR", "towing-or-over-10000", rigs["TS5"]).choices
    assert any(staggered <= c for c in choices_)


def test_oregon_drawbar_trailer_is_chained_front_and_rear(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # From memory in the law notes 2.4: a trailer without kingpin takes 1+1 on the front axle and 1+1 on a rear axle.
    doubles = rigs["DB5"]
    truck_trailer = replace(
        doubles,
        axles=tuple(replace(a, unit=1) if a.unit == 2 else a for a in doubles.axles if a.unit != 1),
        couplings=("drawbar",),
    )
    asked = _asked(shipped, "US-OR", "towing-or-over-10000", truck_trailer)
    assert {t.axle_idx for c in asked.choices for t in c} == {1, 2, 3}
    assert asked.tires_min == 4 + 2 + 2


def test_idaho_leaves_out_dolly_and_lift_axle(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # Idaho Code 49-948(6)
    doubles = rigs["DB5"]
    assert 3 not in {t.axle_idx for c in _asked(shipped, "US-ID", "chains-required", doubles).choices for t in c}
    tridem = rigs["TS6"]
    lifted = replace(tridem, axles=(*tridem.axles[:-1], replace(tridem.axles[-1], lift=True)))
    used = {t.axle_idx for c in _asked(shipped, "US-ID", "chains-required", lifted).choices for t in c}
    assert used == {1, 2, 3, 4}


def test_california_doubles_may_use_the_dolly_or_be_barred(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # landline 2002: staggered dolly axle and rear axle; Caltrans 2020: turned back at Applegate
    asked = _asked(shipped, "US-CA", "donner-maximum", rigs["DB5"])
    assert any(Tire(3, "left", "outside") in c and Tire(4, "right", "outside") in c for c in asked.choices)
    assert "Applegate" in asked.barred


def test_colorado_bus_needs_two(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # CRS 42-4-106(5)(a)(I)(E)
    assert _asked(shipped, "US-CO", "chain-law", replace(rigs["ST2"], kind="bus")).tires_min == 2


def test_colorado_rig_with_under_four_drive_tires_chains_all(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # CDOT text of 2022 in the law notes 4.4
    wide = replace(rigs["ST2"], axles=tuple(replace(a, dual=False) for a in rigs["ST2"].axles))
    assert _asked(shipped, "US-CO", "chain-law", wide).tires_min == 2


def test_wyoming_level_1_is_met_by_snow_tires_and_only_then(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # W.S. 31-5-956(e)
    fitted = replace(rigs["TS5"], devices=frozenset({"adequate snow tires"}))
    assert [_asked(shipped, "US-WY", level, fitted).tires_min for level in ("level-1", "level-2")] == [0, 2]


def test_bc_light_bus_needs_two_of_any_accepted_device(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # Government release on the rule of 28 Nov 2018
    bus = replace(rigs["ST2"], kind="bus", rated_mass_kg=10_000.0)
    asked = _asked(shipped, "CA-BC", "chain-up", bus)
    assert asked.tires_min == 2
    assert any("cable" in d and "automatic" in d for d in asked.devices)
    assert asked.devices != _asked(shipped, "CA-BC", "chain-up", rigs["TS5"]).devices


@pytest.mark.parametrize(
    ("code", "level", "mass_lb", "tires_n"),
    [
        ("US-WA", "over-10000-gvw", 10_000, 0),  # RCW 47.36.250(1)(b): over 10,000
        ("US-WA", "over-10000-gvw", 10_001, 5),
        ("US-ID", "chains-required", 26_000, 0),  # Idaho Code 49-123(2)(d): over 26,000
        ("US-ID", "chains-required", 26_001, 4),
        ("US-UT", "class-1", 12_000, 0),  # R920-6-4: over 12,000
        ("US-UT", "class-1", 12_001, 4),
        ("US-CO", "chain-law", 16_000, 0),  # CRS 42-4-235: 16,001 or more
        ("US-CO", "chain-law", 16_001, 4),
    ],
)
def test_mass_threshold_is_that_of_the_text(
    code: str, level: str, mass_lb: float, tires_n: int, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    rig = replace(rigs["TS5"], rated_mass_kg=mass_lb * 0.45359237)
    assert _asked(shipped, code, level, rig).tires_min == tires_n


def test_mass_not_known_never_exempts(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    unknown = replace(rigs["TS5"], rated_mass_kg=float("nan"))
    assert _asked(shipped, "US-WA", "over-10000-gvw", unknown).tires_min == 5
    assert fits(RigClass(min_rated_mass_kg=1.0, over_rated_mass_kg=1.0, max_rated_mass_kg=2.0), unknown.layout)


def test_diagonal_is_one_tire_of_each_trailer_axle_crosswise(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    # Common practice, no source: two-axle trailer, one outside tire per axle, opposite sides.
    demand = Demand(
        rig_class=RigClass(),
        layouts=((Placement(group="trailer", axles="two", per_axle="diagonal", units="each towed"),),),
        section="test",
        confidence=Confidence.MEMORY,
    )
    level = ControlLevel(id="x", legal_name="x", rank=1, demands=(demand,))
    found = set(demand_for(shipped["US-MT"], level, rigs["TS5"]).choices)
    assert found == {
        frozenset({Tire(3, "left", "outside"), Tire(4, "right", "outside")}),
        frozenset({Tire(3, "right", "outside"), Tire(4, "left", "outside")}),
    }


# What each word of a placement means, on a tandem-drive tractor with two single-axle trailers (DB6: axles 0 steer,
# 1 2 drive, 3 first trailer, 4 dolly, 5 second trailer): axles that can be used, tires asked, ways to do it.
@pytest.mark.parametrize(
    ("placement", "axles", "tires_n", "ways_n"),
    [
        (Placement(group="drive"), {1, 2}, 2, 2),
        (Placement(group="drive", axles="primary", place="inside"), {1}, 2, 1),
        (Placement(group="drive", axles="last", place="either"), {2}, 2, 2),
        (Placement(group="drive", axles="all", per_axle="one tire"), {1, 2}, 2, 4),
        (Placement(group="drive", axles="two", per_axle="all tires"), {1, 2}, 8, 1),
        (Placement(group="drive", total_tires=6), {1, 2}, 6, 4),
        (Placement(group="drive", total_tires=99), {1, 2}, 8, 1),
        (Placement(group="steer", per_axle="all tires"), {0}, 2, 1),
        (Placement(group="tag"), set(), 0, 1),
        (Placement(group="dolly", units="each towed"), {4}, 2, 1),
        (Placement(group="trailer", units="each towed"), {3, 5}, 4, 1),
        (Placement(group="trailer", units="first towed"), {3}, 2, 1),
        (Placement(group="trailer", units="last towed"), {5}, 2, 1),
        (Placement(group="trailer", units="any towed"), {3, 5}, 2, 2),
        (Placement(group="trailer", units="each towed", coupling="drawbar"), set(), 0, 1),
        (Placement(group="trailer or dolly", units="last towed", per_axle="staggered"), {4, 5}, 2, 4),
        (Placement(group="trailer", units="last towed", per_axle="diagonal"), {5}, 2, 1),
    ],
)
def test_placement_word_means_what_its_docstring_says(
    placement: Placement, axles: set[int], tires_n: int, ways_n: int, rigs: dict[str, Rig]
) -> None:
    demand = Demand(rig_class=RigClass(), layouts=((placement,),), section="test", confidence=Confidence.STATUTE)
    tires, found = rigs["DB6"].tires(), choices(demand, rigs["DB6"].layout)
    assert {t.axle_idx for i, t in enumerate(tires) for mask in found if mask >> i & 1} == axles
    assert {mask.bit_count() for mask in found} == {tires_n}
    assert len(found) == ways_n


def test_rig_that_no_class_names_is_asked_the_most_with_a_doubt(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    level = shipped["US-WA"].level("over-10000-gvw")
    holed = replace(level, demands=tuple(d for d in level.demands if d.rig_class.max_axles == 4))
    asked = demand_for(shipped["US-WA"], holed, rigs["TS5"])
    assert asked.tires_min == 8 + 2
    assert asked.confidence is Confidence.DOUBT
    assert "no class" in asked.doubt


@st.composite
def some_rigs(draw: st.DrawFn, towed_max: int = 2) -> Rig:
    """Any rig of one to three drive axles and up to two towed units, a dolly under the second."""
    axles = [Axle(unit=0, role=AxleRole.STEER, dual=False, load_kg=5000.0)]
    drive = Axle(unit=0, role=AxleRole.DRIVE, dual=draw(st.booleans()), load_kg=7000.0)
    axles += [drive] * draw(st.integers(1, 3))
    for unit in range(1, draw(st.integers(0, towed_max)) + 1):
        dual = draw(st.booleans())
        if unit > 1:
            axles.append(Axle(unit=unit, role=AxleRole.DOLLY, dual=dual, load_kg=7000.0))
        axles += [Axle(unit=unit, role=AxleRole.TRAILER, dual=dual, load_kg=7000.0)] * draw(st.integers(1, 3))
    return Rig(
        id="any", name="any", axles=tuple(axles), gross_mass_kg=7000.0 * len(axles), rated_mass_kg=40_000.0,
        power_w=3e5, kind=draw(st.sampled_from(["tractor", "truck"])),
    )  # fmt: skip


def _mirror(tire: Tire) -> Tire:
    return tire._replace(side="right" if tire.side == "left" else "left")


@settings(max_examples=2 * settings().max_examples // 5)
@given(rig=some_rigs())
def test_choices_are_the_same_seen_in_a_mirror(shipped: dict[str, RuleSet], rig: Rig) -> None:
    every = {demand_for(ruleset, level, rig).choices for ruleset in shipped.values() for level in ruleset.levels}
    for found in map(set, every):  # many levels share one
        assert {frozenset(map(_mirror, c)) for c in found} == found


@given(rig=some_rigs())
def test_stricter_level_of_a_jurisdiction_never_asks_fewer_tires(shipped: dict[str, RuleSet], rig: Rig) -> None:
    for ruleset in shipped.values():
        asked = [demand_for(ruleset, level, rig) for level in ruleset.levels]
        counts = [d.tires_min for d in asked if not d.barred]  # a rig that may not pass is asked for no chains
        assert counts == sorted(counts)


@given(rig=some_rigs(towed_max=1), axles_n=st.integers(1, 3))
def test_one_more_trailer_never_asks_fewer_tires(shipped: dict[str, RuleSet], rig: Rig, axles_n: int) -> None:
    unit = rig.towed_units + 1
    more = (Axle(unit=unit, role=AxleRole.TRAILER, dual=True, load_kg=7000.0),) * axles_n
    longer = replace(rig, axles=rig.axles + more)
    for ruleset in shipped.values():
        for level in ruleset.levels:
            if (ruleset.jurisdiction, level.id) in EASED_BY_LAW:
                continue
            asked = demand_for(ruleset, level, longer)
            assert asked.barred or asked.tires_min >= demand_for(ruleset, level, rig).tires_min


# Levels whose text itself asks less of a longer rig: Donner minimum is for five axles with one semitrailer (drivers'
# digest, Feb 2002), and Oregon's S2 lets tandem drives go free (ODOT, Nov 2009).
EASED_BY_LAW = {("US-CA", "donner-minimum"), ("US-OR", "towing-or-single-drive")}


@given(rig=some_rigs(), data=st.data())
def test_more_axles_never_ask_fewer_tires_unless_the_text_does(
    shipped: dict[str, RuleSet], rig: Rig, data: st.DataObject
) -> None:
    i = data.draw(st.integers(1, len(rig.axles) - 1))
    longer = replace(rig, axles=(*rig.axles[:i], rig.axles[i], *rig.axles[i:]))
    for ruleset in shipped.values():
        for level in ruleset.levels:
            if (ruleset.jurisdiction, level.id) not in EASED_BY_LAW:
                asked = demand_for(ruleset, level, longer)
                assert asked.barred or asked.tires_min >= demand_for(ruleset, level, rig).tires_min


@settings(deadline=None)
@given(masks=st.sets(st.integers(0, 255), max_size=12))
def test_minimal_keeps_exactly_the_sets_that_contain_no_other(masks: set[int]) -> None:
    assert set(minimal(masks)) == {m for m in masks if not any(o != m and m & o == o for o in masks)}


def test_nothing_asked_is_the_empty_choice(rigs: dict[str, Rig]) -> None:
    nothing = Demand(rig_class=RigClass(), layouts=((),), section="test", confidence=Confidence.STATUTE)
    assert choices(nothing, rigs["TS5"].layout) == (0,)

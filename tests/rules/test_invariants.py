"""What must hold in every rule file: no answer is milder than the text, over levels, masses, axles and devices.

Each exception is listed with the text that makes it. A new exception is a claim about a law: it needs its citation.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from itertools import combinations, pairwise

import pytest

from alertd.rules.devices import KNOWN, with_implied
from alertd.rules.requirements import TireDemand, carry_duty, demand_for, unknown_law
from alertd.rules.rig import FACTS, Axle, AxleRole, Rig, RigFacts
from alertd.rules.ruleset import ControlLevel, RuleSet
from alertd.units import POUND_KG

MASSES_LB = (7_000, 10_000, 10_001, 12_001, 16_001, 26_001, 80_000)
HEAVY_LB = 33_000
DEVICES = (
    "adequate snow tires", "all-wheel drive", "all-wheel drive with M+S tires", "four-wheel drive",
    "four-wheel drive with snow tires", "sand distribution", "snow tires", "studded tires", "winter tires",
)  # fmt: skip
FOR_LIGHT = ("four-wheel drive", "four-wheel drive with snow tires", "snow tires", "studded tires")

# (jurisdiction, milder level, stricter level): where the rank is no ladder of chains.
NO_LADDER = {
    (
        "ES",
        "sign-r-412",
        "yellow",
    ): "RGC Art. 159: yellow slows cars and buses and bars trucks; R-412 is a sign by itself",
    ("ES", "sign-r-412b", "yellow"): "as above: R-412b is a sign by itself",
    ("US-CA", "donner-minimum", "r-1"): "California DOT, Nov 2020: singles-drive doubles are barred on Donner alone",
    ("US-CA", "donner-minimum", "r-2"): "as above",
    ("US-CA", "donner-minimum", "r-3"): "as above",
}
# (jurisdiction, level): a heavier rig of the same axles owes fewer.
LIGHTER_BY_TEXT = {
    ("US-OR", "towing-or-single-drive"): "Oregon DOT, Nov 2009: over 10,000 GVW none on tandem drives",
}
# (jurisdiction, level): it asks some rig for chains, and this class of rig for none.
FREE_CLASS = {
    ("CA-BC", "chain-up"): "ministry page: commercial vehicles over 5,000 kg",
    ("NO", "adequate-grip"): "FOR-1990-01-25-92 section 1-4: chains aboard over 3,500 kg",
    ("US-CO", "chain-law"): "CRS 42-4-235: commercial vehicles from 16,001 lb",
    ("US-ID", "chains-required"): "Idaho Code 49-948(5), 49-123(2)(d): above 26,000 lb",
    ("US-OR", "towing-or-single-drive"): "the sign, and Oregon DOT, Nov 2009, for tandem drives",
    ("US-OR", "towing-or-over-10000"): "the sign: towing, or over 10,000 GVW",
    ("US-PA", "tier-2"): "vehicle restriction plan: doubles alone need chains at Tier 2",
    ("US-PA", "tier-3"): "vehicle restriction plan: cars without a trailer are not named",
    ("US-UT", "class-1"): "R920-6-4(3)(a): only over 12,000 GVW",
    ("US-WA", "over-10000-gvw"): "RCW 47.36.250(1)(b): only over 10,000 GVW",
}
# (jurisdiction, level, device): it frees even a rig of HEAVY_LB.
FREES_HEAVY = {
    ("ES", "sign-r-412", "winter tires"): "RGV 12.5.2: special tires in place of chains",
    ("ES", "sign-r-412b", "winter tires"): "R-412b asks for winter tires",
    ("US-UT", "class-1", "sand distribution"): "R920-6-3(4): sand distribution is a device",
    ("US-UT", "class-2", "sand distribution"): "R920-6-3(4): sand distribution is a device",
    ("US-WY", "level-1", "adequate snow tires"): "W.S. 31-5-956(e): or adequate snow tires",
    ("US-WY", "level-1", "all-wheel drive"): "W.S. 31-5-956(e): or all-wheel drive",
    ("US-WY", "level-1", "all-wheel drive with M+S tires"): "W.S. 31-5-956(e): it is all-wheel drive",
    ("US-WY", "level-2", "all-wheel drive with M+S tires"): "W.S. 31-5-956(e), second sentence",
}


def rig(*, drive_n: int, towed: tuple[int, ...], mass_lb: float, dual: bool = True, kind: str = "truck") -> Rig:
    """A rig of so many drive axles; towed: the axles of each towed unit, a dolly under the second and later."""
    axles = [Axle(unit=0, role=AxleRole.STEER, dual=False, load_kg=3000.0)]
    axles += [Axle(unit=0, role=AxleRole.DRIVE, dual=dual, load_kg=3000.0)] * drive_n
    for unit, axles_n in enumerate(towed, 1):
        if unit > 1:
            axles.append(Axle(unit=unit, role=AxleRole.DOLLY, dual=dual, load_kg=3000.0))
        axles += [Axle(unit=unit, role=AxleRole.TRAILER, dual=dual, load_kg=3000.0)] * axles_n
    return Rig(
        id="any", name="any", axles=tuple(axles), gross_mass_kg=mass_lb * POUND_KG, rated_mass_kg=mass_lb * POUND_KG,
        power_w=3e5, kind=kind,
    )  # fmt: skip


SHAPES = {
    "light": dict(drive_n=1, towed=(), dual=False),
    "light, towing": dict(drive_n=1, towed=(1,), dual=False),
    "bus": dict(drive_n=1, towed=(), kind="bus"),
    "two axles": dict(drive_n=1, towed=()),
    "three axles": dict(drive_n=2, towed=()),
    "tractor, one drive axle": dict(drive_n=1, towed=(2,), kind="tractor"),
    "tractor, tandem": dict(drive_n=2, towed=(2,), kind="tractor"),
    "tractor, tridem": dict(drive_n=3, towed=(3,), kind="tractor"),
    "doubles": dict(drive_n=1, towed=(1, 1), kind="tractor"),
}


def levels(shipped: dict[str, RuleSet]) -> Iterator[tuple[RuleSet, ControlLevel]]:
    return ((ruleset, level) for ruleset in shipped.values() for level in ruleset.levels)


def weight(asked: TireDemand) -> tuple[bool, int]:
    """Larger is stricter: to be barred before any number of tires."""
    return (asked.barred != "", asked.tires_min)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("device", [None, *DEVICES])
def test_a_stricter_level_never_asks_fewer(shipped: dict[str, RuleSet], shape: str, device: str | None) -> None:
    for mass_lb in MASSES_LB:
        one = rig(**SHAPES[shape], mass_lb=mass_lb)
        one = replace(one, devices=frozenset({device} if device else ()))
        for ruleset in shipped.values():
            asked = [demand_for(ruleset, level, one) for level in ruleset.levels]
            for low, high in combinations(asked, 2):
                if (ruleset.jurisdiction, low.level_id, high.level_id) not in NO_LADDER:
                    assert weight(high) >= weight(low), (ruleset.jurisdiction, low.level_id, high.level_id, mass_lb)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("device", [None, *DEVICES])
def test_a_heavier_rig_never_owes_fewer(shipped: dict[str, RuleSet], shape: str, device: str | None) -> None:
    rigs = [rig(**SHAPES[shape], mass_lb=m) for m in MASSES_LB]
    rigs = [replace(r, devices=frozenset({device} if device else ())) for r in rigs]
    for ruleset, level in levels(shipped):
        for lighter, heavier in pairwise(demand_for(ruleset, level, r) for r in rigs):
            if weight(heavier) < weight(lighter):
                assert (ruleset.jurisdiction, level.id) in LIGHTER_BY_TEXT


def test_no_ladder_breaks_for_a_preset(shipped: dict[str, RuleSet], presets: dict[str, Rig]) -> None:
    """The shipped rigs, bare and with every device at once, over every file."""
    for one in presets.values():
        for fitted in (one, replace(one, devices=frozenset(DEVICES))):
            for ruleset in shipped.values():
                asked = [demand_for(ruleset, level, fitted) for level in ruleset.levels]
                for low, high in combinations(asked, 2):
                    pair = (ruleset.jurisdiction, low.level_id, high.level_id)
                    assert pair in NO_LADDER or weight(high) >= weight(low), (one.id, *pair)


def test_no_preset_owes_more_where_the_law_is_known(shipped: dict[str, RuleSet], presets: dict[str, Rig]) -> None:
    for one in presets.values():
        unknown = unknown_law(one, shipped.values())
        known = [demand_for(ruleset, level, one) for ruleset, level in levels(shipped)]
        assert unknown.tires_min >= max(d.tires_min for d in known), one.id


def test_a_heavier_preset_never_owes_fewer(shipped: dict[str, RuleSet], presets: dict[str, Rig]) -> None:
    for one in presets.values():
        heavier = replace(one, rated_mass_kg=one.rated_mass_kg * 1.2)
        for ruleset, level in levels(shipped):
            if weight(demand_for(ruleset, level, heavier)) < weight(demand_for(ruleset, level, one)):
                assert (ruleset.jurisdiction, level.id) in LIGHTER_BY_TEXT


def test_a_true_fact_never_makes_a_duty_milder(shipped: dict[str, RuleSet], presets: dict[str, Rig]) -> None:
    """Placards, plates, permits and persons only add duties; a motorhome may be left out by its text."""
    for one in presets.values():
        for fact in set(FACTS) - {"motorhome"}:
            true = replace(one, facts=replace(one.facts, **{fact: True}))
            for ruleset, level in levels(shipped):
                asked = [weight(demand_for(ruleset, level, r)) for r in (one, true)]
                assert asked[1] >= asked[0], (one.id, fact, ruleset.jurisdiction, level.id)


def test_colorado_counts_a_plate_and_placards_at_any_weight(shipped: dict[str, RuleSet]) -> None:
    """CRS 42-4-235(1)(a)(I), (II), (III): apportioned plate, tow vehicles, placards; no weight."""
    colorado, van = shipped["US-CO"], rig(**SHAPES["two axles"], mass_lb=14_500)
    level = colorado.level("chain-law")
    silent = demand_for(colorado, level, van)
    assert silent.tires_min == 0
    assert "4 tires if it bears an apportioned plate: the rig file does not say" in silent.doubt
    for fact in ("apportioned", "placarded", "tow_truck"):
        asked = [
            demand_for(colorado, level, replace(van, facts=RigFacts(**{fact: value}))).tires_min
            for value in (True, False)
        ]
        assert asked == [4, 0]


def test_oversize_loads_are_barred_by_their_texts(shipped: dict[str, RuleSet]) -> None:
    """RCW 47.36.250(1)(a) to (c): oversize vehicles prohibited at every level."""
    washington, plain = shipped["US-WA"], rig(**SHAPES["tractor, tandem"], mass_lb=80_000)
    big = replace(plain, facts=RigFacts(oversize=True))
    for level in washington.levels:
        assert demand_for(washington, level, big).barred
        assert not demand_for(washington, level, plain).barred


def test_pennsylvania_bars_by_tier(shipped: dict[str, RuleSet]) -> None:
    """Releases of Jan 2023 to Jan 2026: bobtails and light trailers at 1, doubles at 3, every commercial one at 4."""
    pa = shipped["US-PA"]
    shapes = {"bobtail": dict(drive_n=2, towed=(), kind="tractor"), "van": SHAPES["tractor, tandem"],
              "doubles": SHAPES["doubles"]}  # fmt: skip
    barred = {
        name: [bool(demand_for(pa, level, rig(**shape, mass_lb=80_000)).barred) for level in pa.levels]
        for name, shape in shapes.items()
    }
    assert barred == {
        "bobtail": [True] * 4, "van": [False, False, False, True], "doubles": [False, False, True, True],
    }  # fmt: skip
    light = replace(rig(**shapes["van"], mass_lb=80_000), facts=RigFacts(lightly_loaded=True))
    assert all(demand_for(pa, level, light).barred for level in pa.levels)


def test_device_words_imply_one_another(shipped: dict[str, RuleSet]) -> None:
    """W.S. 31-5-956(e): all-wheel drive with M+S tires is all-wheel drive too."""
    assert with_implied({"all-wheel drive with M+S tires"}) >= {"all-wheel drive"}
    assert with_implied({"four-wheel drive"}) == {"four-wheel drive"}
    named = {d for _, level in levels(shipped) for demand in level.demands for d in demand.satisfied_by}
    assert named <= KNOWN


def test_a_rig_of_unknown_mass_owes_what_the_heaviest_owes(shipped: dict[str, RuleSet]) -> None:
    for shape in SHAPES.values():
        heavy = rig(**shape, mass_lb=MASSES_LB[-1])
        unknown = replace(heavy, rated_mass_kg=float("nan"))
        for ruleset, level in levels(shipped):
            assert weight(demand_for(ruleset, level, unknown)) == weight(demand_for(ruleset, level, heavy))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("coupling", ["fifth wheel", "drawbar"])
def test_unknown_law_is_never_milder_than_a_known_one(shipped: dict[str, RuleSet], shape: str, coupling: str) -> None:
    """Where no rule is on file, the answer asks at least what the strictest text asks, and marks it as not known."""
    one = rig(**SHAPES[shape], mass_lb=MASSES_LB[-1])
    one = replace(one, couplings=(coupling,) * len(SHAPES[shape]["towed"]))
    unknown = unknown_law(one, shipped.values())
    assert "no chain rule on file" in unknown.doubt
    assert not unknown.barred
    for ruleset, level in levels(shipped):
        assert unknown.tires_min >= demand_for(ruleset, level, one).tires_min, (ruleset.jurisdiction, level.id)


def test_a_class_that_no_text_names_owes_what_is_not_known(shipped: dict[str, RuleSet]) -> None:
    """A level without a demand for a rig and a land without a rule file give the same answer."""
    for shape in SHAPES.values():
        one = rig(**shape, mass_lb=HEAVY_LB)
        for ruleset, level in levels(shipped):
            silent = demand_for(ruleset, replace(level, demands=()), one)
            assert silent.choices == unknown_law(one, ()).choices
            assert silent.doubt


def test_a_level_frees_a_class_only_by_its_text(shipped: dict[str, RuleSet]) -> None:
    """A level that asks one rig for chains asks all, but for the classes that a cited text leaves out."""
    freeing = set()
    for ruleset, level in levels(shipped):
        asked = [demand_for(ruleset, level, rig(**s, mass_lb=m)) for s in SHAPES.values() for m in MASSES_LB]
        if any(d.tires_min for d in asked) and any(weight(d) == (False, 0) for d in asked):
            freeing.add((ruleset.jurisdiction, level.id))
    assert freeing == set(FREE_CLASS)


@pytest.mark.parametrize(
    ("code", "level", "tires_n"),
    [
        ("US-WA", "all-except-awd", 2),  # RCW 47.36.250(1)(c)
        ("US-WA", "all-vehicles", 2),  # the fourth sign
        ("US-OR", "traction-tires-under-10000", 2),  # Oregon DOT, Chains and Traction Tires
        ("US-OR", "conditional-closure", 2),  # as above
        ("US-CA", "r-3", 2),  # CVC 27459
        ("US-CO", "passenger-vehicle-chain-law", 2),  # State Patrol, 1 Sep 2025
    ],
)
def test_all_vehicles_means_light_ones_too(shipped: dict[str, RuleSet], code: str, level: str, tires_n: int) -> None:
    car = rig(**SHAPES["light"], mass_lb=9_000)
    asked = demand_for(shipped[code], shipped[code].level(level), car)
    assert (asked.tires_min, asked.section != "") == (tires_n, True)


@pytest.mark.parametrize(
    ("level", "device", "tires_n"),
    [
        ("all-except-awd", "all-wheel drive", 0),  # RCW 47.36.250(1)(c): except all-wheel drive
        ("all-vehicles", "all-wheel drive", 2),  # the fourth sign has no exception
    ],
)
def test_washington_frees_all_wheel_drive_once(
    shipped: dict[str, RuleSet], level: str, device: str, tires_n: int
) -> None:
    car = replace(rig(**SHAPES["light"], mass_lb=9_000), devices=frozenset({device}))
    assert demand_for(shipped["US-WA"], shipped["US-WA"].level(level), car).tires_min == tires_n


def test_oregon_conditional_closure_takes_no_tires_instead(shipped: dict[str, RuleSet]) -> None:
    """Traction tires do under 10,000 GVW at the level below; a conditional closure asks chains of every vehicle."""
    car = replace(rig(**SHAPES["light"], mass_lb=9_000), devices=frozenset({"studded tires"}))
    oregon = shipped["US-OR"]
    asked = [demand_for(oregon, oregon.level(x), car) for x in ("traction-tires-under-10000", "conditional-closure")]
    assert [d.tires_min for d in asked] == [0, 2]


def test_utah_four_wheel_drive_frees_no_tractor(shipped: dict[str, RuleSet]) -> None:
    """R920-6-3: four-wheel drive means autos and light trucks with M+S or mountain-snowflake tires on all wheels."""
    utah = shipped["US-UT"]
    level = utah.level("class-2")
    fitted = frozenset({"four-wheel drive", "four-wheel drive with snow tires"})
    tractor = replace(rig(**SHAPES["tractor, tandem"], mass_lb=80_000), devices=fitted)
    pickup = replace(rig(**SHAPES["light"], mass_lb=9_000), devices=fitted)
    without_tires = replace(pickup, devices=frozenset({"four-wheel drive"}))
    assert [demand_for(utah, level, r).tires_min for r in (tractor, pickup, without_tires)] == [4, 0, 2]


@pytest.mark.parametrize("shape", SHAPES)
def test_a_device_frees_a_heavy_rig_only_by_its_text(shipped: dict[str, RuleSet], shape: str) -> None:
    """A drive type or a set of tires helps only the classes that its text names."""
    heavy = rig(**SHAPES[shape], mass_lb=HEAVY_LB)
    for ruleset, level in levels(shipped):
        plain = demand_for(ruleset, level, heavy)
        for device in DEVICES:
            fitted = demand_for(ruleset, level, replace(heavy, devices=frozenset({device})))
            if weight(fitted) < weight(plain):
                assert (ruleset.jurisdiction, level.id, device) in FREES_HEAVY
                assert device not in FOR_LIGHT


def test_colorado_asks_light_traffic_on_i70_for_chains_aboard(shipped: dict[str, RuleSet]) -> None:
    """SB24-100 s.1, CRS 42-4-106(5)(a)(I)(C.5): any motor vehicle, 1 Sep to 31 May, or tires with 3/16 in of tread."""
    van, winter = rig(**SHAPES["two axles"], mass_lb=14_500), date(2027, 1, 10)
    duty = carry_duty(shipped["US-CO"], van, winter, {"i70-west"})
    assert duty is not None
    assert (duty.tires_n, duty.certain) == (2, True)
    assert carry_duty(shipped["US-CO"], replace(van, devices=frozenset({"snow tires"})), winter, {"i70-west"}) is None
    assert carry_duty(shipped["US-CO"], van, date(2027, 6, 1), {"i70-west"}) is None


@pytest.mark.parametrize(
    ("code", "level", "shape", "tires_n"),
    [
        ("US-OR", "towing-or-single-drive", "tractor, tandem", 2),  # the sign: vehicles towing
        ("US-OR", "towing-or-single-drive", "three axles", 0),  # Oregon DOT, Nov 2009
        ("IT", "chains-compulsory", "tractor, tandem", 4),  # directive of 16 Jan 2013: the driving axles
        ("CA-BC", "chain-up", "tractor, tridem", 6),  # up to 6, s.7.001 names tridem drive axles; our reading
    ],
)
def test_of_two_readings_the_stricter_stands(
    shipped: dict[str, RuleSet], code: str, level: str, shape: str, tires_n: int
) -> None:
    asked = demand_for(shipped[code], shipped[code].level(level), rig(**SHAPES[shape], mass_lb=80_000))
    assert asked.tires_min == tires_n
    if tires_n:
        assert asked.doubt

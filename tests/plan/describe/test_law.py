"""The law on a trip: what each land asks aboard and on the tires, and the duties beside them."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from alertd.notices.text.law_text import grave_duties, law_change_lines, sheet_rows, strip_lines
from alertd.plan.describe.duties import DutyScope, duty_notes
from alertd.plan.describe.law import law_change_notes
from alertd.plan.make_plan import make_plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.road_ahead.chain_need import place_laws
from alertd.plan.road_ahead.sections import fold
from alertd.road.road_class import RoadClass
from alertd.rules.clause import Clause, Sureness
from alertd.rules.practice import Practice
from alertd.rules.requirements import demand_for
from alertd.rules.rig import Rig, RigFacts
from alertd.rules.ruleset import Placement, RuleSet
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

ROOT = Path(__file__).parents[3]
JANUARY, JULY = date(2027, 1, 10), date(2027, 7, 10)


@pytest.fixture(scope="module")
def shipped() -> dict[str, RuleSet]:
    return read_rulesets(ROOT / "config/rules")


@pytest.fixture(scope="module")
def van() -> Rig:
    return read_rigs(ROOT / "config/rigs")["tractor-6x4-van-53"]


def duties(rules: RuleSet, rig: Rig, day: date = JANUARY, *, touched: frozenset[str] = frozenset()) -> dict[str, str]:
    """The texts of each kind of duty, joined."""
    out: dict[str, str] = {}
    for d in duty_notes(DutyScope(rules=rules, rig=rig, touched=touched, day=day, winter=True)):
        out[d.kind] = "; ".join(filter(None, (out.get(d.kind, ""), d.text)))
    return out


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("FI", "driving axles of vehicles over 3.5 t"),  # decree in force 2 Jan 2017
        ("SE", "Alpine-symbol"),  # TSFS 2019:44 s. 3
        ("DE", "permanently driven axles and front steering axles"),  # StVO 2(3a)
        ("AT", "at least one driven axle"),  # KFG 102(8a)
        ("NO", "winter tires on all axles"),  # the agency's page
    ],
)
def test_winter_tires_are_told_in_season_to_who_lacks_them(
    shipped: dict[str, RuleSet], van: Rig, code: str, words: str
) -> None:
    rules = shipped[code]
    assert words in duties(rules, van)["winter tires"]
    stated = duties(rules, replace(van, devices=frozenset({"winter tires"})))
    assert "winter tires" not in stated
    assert "met by winter tires" in stated["winter tires met"]
    if code != "DE":  # Germany's follows the road, not a date
        assert "winter tires" not in duties(rules, van, JULY)


def test_alaska_forbids_chains_on_paved_road_in_summer(shipped: dict[str, RuleSet], van: Rig) -> None:
    """AS 28.35.155: 1 May to 15 Sep north of 60 degrees, 15 Apr to 30 Sep south of it."""
    alaska, north, south = shipped["US-AK"], frozenset({"north"}), frozenset({"south"})
    assert "ban" in duties(alaska, van, JULY, touched=north)
    assert "ban" not in duties(alaska, van, date(2027, 4, 20), touched=north)
    assert "ban" in duties(alaska, van, date(2027, 4, 20), touched=south)
    assert "ban" not in duties(alaska, van, JANUARY, touched=south)


def test_a_restriction_binds_the_class_it_names(shipped: dict[str, RuleSet], van: Rig) -> None:
    """Oregon DOT, 14 Dec 2021: permit loads do not move on ice or snow. StVO 2(3a): placarded loads seek a place."""
    big, hazmat = (replace(van, facts=RigFacts(**{fact: True})) for fact in ("oversize", "placarded"))
    plain = replace(van, facts=RigFacts(oversize=False, placarded=False))
    oregon, germany = shipped["US-OR"], shipped["DE"]
    assert "over-dimension permit" in duties(oregon, big)["restriction"]
    assert "restriction" not in duties(oregon, plain)
    assert "placarded load" in duties(germany, hazmat)["restriction"]
    assert "placarded" not in duties(germany, plain)["restriction"]


def test_everything_else_on_file_is_told(shipped: dict[str, RuleSet], van: Rig) -> None:
    """Of each land: where chains come off, fines, exemptions with their papers, chained speeds, where to turn."""
    austria = duties(shipped["AT"], van)
    assert "without gaps" in austria["removal"]
    assert "5,000 EUR" in austria["fine"]
    assert "50 km/h (advice, not law)" in austria["speed"]
    assert "MP 1 northbound" in duties(shipped["US-OR"], van, touched=frozenset({"i5-siskiyou"}))["turn round"]
    washington = shipped["US-WA"]
    assert washington.carry[0].exemptions[0].paper == "bill of lading"
    for rules in shipped.values():
        told = duty_notes(DutyScope(rules=rules, rig=van, touched=frozenset(), day=JANUARY, winter=True))
        assert sum(d.kind == "fine" for d in told) == len(rules.fines)
        assert sum(d.kind == "removal" for d in told) == len(rules.removals)


ALL_DRIVES = Practice(
    why="all eight drive tires in the mountains", jurisdictions=("US-XX",),
    layouts=((Placement(group="drive", axles="all", per_axle="all tires"),),), aboard_n=10,
)  # fmt: skip


@pytest.fixture(scope="module")
def request_in_snow() -> PlanRequest:
    """Forty kilometres of snow at 5 %, in a land whose one level asks for chains."""
    route = make_route(40e3, grade=0.05, stops=[make_stop("a", 5e3)])
    weather = make_weather(route, lambda _, d, h: np.full(np.broadcast(d, h).shape, RoadClass.PACKED_SNOW))
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    rules = {"US-XX": make_rules(chance=1.0)}
    return PlanRequest(trip, route, make_rig(), rules, weather, PlanParams(compare_h=0.0), at_hour(2))


def test_the_strip_names_aboard_and_on_from_the_start(request_in_snow: PlanRequest) -> None:
    plan = make_plan(request_in_snow)
    (land,) = plan.law
    rules = request_in_snow.rulesets["US-XX"]
    asked = demand_for(rules, rules.level(land.level_id), request_in_snow.rig)
    assert land.power_n + land.towed_n == asked.tires_min == len(land.tires)
    assert land.basis == "expected"
    assert strip_lines(plan)[0].startswith("Now, ")
    rows = dict(sheet_rows(land))
    assert rows["clause"].startswith(asked.section)


@pytest.mark.parametrize(("chance", "basis"), [(0.6, "expected"), (0.4, "if posted")])
def test_a_control_is_expected_where_it_is_likely(request_in_snow: PlanRequest, chance: float, basis: str) -> None:
    """A sign that is less likely than not is never called expected; the tires are those of the strictest sign."""
    plan = make_plan(replace(request_in_snow, rulesets={"US-XX": make_rules(chance=chance)}))
    (land,) = plan.law
    assert max(p.probability for s in plan.stretches for p in s.postings) == pytest.approx(chance)
    assert land.basis == basis
    assert land.power_n + land.towed_n > 0


def test_a_dry_road_names_the_most_that_a_sign_may_ask(
    request_in_snow: PlanRequest, shipped: dict[str, RuleSet], van: Rig
) -> None:
    """Oregon: 4 + 2 on a tandem-drive tractor and semitrailer (trade press, 21 Sep 2021); by its mildest sign 0 + 2."""
    route = make_route(40e3, spans=[("US-OR", 0.0, 40e3)])
    dry = make_weather(route, lambda _, d, h: np.full(np.broadcast(d, h).shape, RoadClass.DRY))
    rules = {"US-OR": shipped["US-OR"]}
    plan = make_plan(replace(request_in_snow, route=route, weather=dry, rulesets=rules, rig=van))
    (land,) = plan.law
    assert (land.basis, land.power_n, land.towed_n) == ("if posted", 4, 2)
    assert "chain up to 4 tractor + 2 trailer tires if posted" in strip_lines(plan)[0]


def test_a_land_without_rules_is_said_to_be_unknown(request_in_snow: PlanRequest) -> None:
    plan = make_plan(replace(request_in_snow, rulesets={}))
    (land,) = plan.law
    assert not land.known
    assert "no rule on file, be ready for" in strip_lines(plan)[0]
    assert ("law", "NO RULE ON FILE: look at the signs, ask the road authority") in sheet_rows(land)


def test_company_practice_stands_beside_the_law(request_in_snow: PlanRequest) -> None:
    """The plan hangs what the company asks, names the law's own figure, and asks its chains aboard."""
    before = make_plan(request_in_snow)
    plan = make_plan(replace(request_in_snow, practices=(ALL_DRIVES,)))
    land, was = plan.law[0], before.law[0]
    assert land.power_n == 8 > was.power_n
    assert land.by_law_n == was.power_n + was.towed_n
    assert land.aboard_n == 10
    assert "company practice" in "; ".join(strip_lines(plan))
    assert any("company practice, not law: all eight drive tires" in c for c in plan.cautions)
    assert plan.stretches[0].hanging.singles_n >= 8


def test_practice_that_asks_less_changes_nothing(request_in_snow: PlanRequest) -> None:
    weak = replace(ALL_DRIVES, layouts=((Placement(group="drive", axles="one", per_axle="one tire"),),), aboard_n=0)
    assert make_plan(replace(request_in_snow, practices=(weak,))).law == make_plan(request_in_snow).law


def test_a_near_change_of_law_is_told_with_its_day(shipped: dict[str, RuleSet], van: Rig) -> None:
    """Colorado's carry duty grew from one road to seven on 20 May 2024 (SB24-100, signed that day)."""
    route = make_route(40e3)
    colorado = shipped["US-CO"]
    sections = fold(route, make_weather(route, lambda _, d, h: 0 * d * h).corridor.cells)
    laws = place_laws(sections, {"US-XX": replace(colorado, jurisdiction="US-XX")}, van)
    laws = tuple(replace(law, zone_spans={"us285": [(0.0, 40e3)]}) for law in laws)
    whole = {"US-XX": replace(colorado, jurisdiction="US-XX")}
    params = PlanParams()
    notes = law_change_notes(whole, laws, van, date(2024, 5, 10), params)
    assert [(n.where.split(":")[0], n.since, n.more) for n in notes] == [("US-285", date(2024, 5, 20), True)]
    assert notes[0].after == "4 chains aboard"
    early = date(2024, 5, 20) - timedelta(days=params.law_change_days + 1)
    assert law_change_notes(whole, laws, van, early, params) == ()
    assert law_change_notes(whole, laws, van, date(2024, 5, 20), params) == ()


def test_a_change_reaches_the_plan_and_the_brief(request_in_snow: PlanRequest) -> None:
    rules = request_in_snow.rulesets["US-XX"]
    soon = at_hour(2).date() + timedelta(days=5)
    clauses = (
        Clause(id="old", asks="a", sure=Sureness.TEXT, seen_standing_on=soon),
        Clause(id="new", asks="b", sure=Sureness.TEXT, seen_standing_on=soon, in_force_from=soon),
    )
    level = rules.levels[-1]
    stricter = replace(level, id="later", rank=level.rank + 1, clause="new", legal_name="Later level")
    changed = replace(rules, clauses=clauses, levels=(*rules.levels, stricter))
    plan = make_plan(replace(request_in_snow, rulesets={"US-XX": changed}))
    assert [c.since for c in plan.law_changes] == [soon]
    assert any(f"changes on {soon.isoformat()}: Later level" in c for c in plan.cautions)
    (line,) = law_change_lines([plan])
    assert plan.rig_name in line
    assert grave_duties(plan) == []

"""Clauses with dates: the law of a day, the doubts of a clause, and words under which a level is posted."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from alertd.plan.road_ahead.chain_need import zones_along
from alertd.route.build import build_route
from alertd.route.geometry.clean import clean_line
from alertd.route.model import GpxLine, Route
from alertd.rules.clause import Clause, Sureness
from alertd.rules.law_on import change_days, law_on, ruleset_on
from alertd.rules.requirements import carry_duty, demand_for
from alertd.rules.rig import IdentityKey, Rig
from alertd.rules.ruleset import RuleSet, RuleZone
from alertd.testing.factories import make_route, make_rules

NOVEMBER = date(2026, 11, 28)


def clause(**kw: object) -> Clause:
    given = {"id": "a", "asks": "chains", "sure": Sureness.TEXT, "seen_standing_on": date(2003, 7, 1)}
    return Clause(**(given | kw))


def test_an_old_section_that_rarely_changes_is_not_old() -> None:
    assert clause().aged(NOVEMBER) == ()


def test_a_changing_clause_is_doubted_after_a_winter_unseen() -> None:
    changing = clause(known_to_change="set anew each year", seen_standing_on=date(2025, 6, 30))
    assert changing.aged(NOVEMBER) == ("chains: last seen 2025-06-30, set anew each year",)
    assert replace(changing, seen_standing_on=date(2025, 7, 1)).aged(NOVEMBER) == ()


def test_an_unread_or_overdue_clause_is_always_named() -> None:
    unread = clause(sure=Sureness.UNREAD, in_force_from=date(2026, 10, 1))
    assert unread.aged(NOVEMBER) == ("chains: in force since 2026-10-01, text not read",)
    assert "due for reading" in clause(read_again_by=date(2026, 11, 27)).aged(NOVEMBER)[0]
    assert clause(sure=Sureness.MEMORY).doubts(NOVEMBER) == ("chains: from memory",)


def test_a_plan_day_selects_the_version_in_force(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """SB24-100, signed 20 May 2024, added US-285 to the corridors."""
    before, after = (law_on(shipped, day)["US-CO"] for day in (date(2024, 1, 5), date(2027, 1, 5)))
    assert carry_duty(before, rigs["TS5"], date(2024, 1, 5), {"us285"}) is None
    assert carry_duty(after, rigs["TS5"], date(2027, 1, 5), {"us285"}).clause == "carry"
    assert carry_duty(before, rigs["TS5"], date(2024, 1, 5), {"i70-west"}).clause == "carry-2021"
    assert date(2024, 5, 20) in change_days(shipped["US-CO"])


def test_days_between_two_changes_share_one_object(shipped: dict[str, RuleSet]) -> None:
    """Caches go by identity: two days of one winter must not plan from two copies."""
    assert law_on(shipped, date(2026, 12, 1)) is law_on(shipped, date(2027, 1, 5))
    assert law_on(law_on(shipped, NOVEMBER), NOVEMBER)["US-CO"] is law_on(shipped, NOVEMBER)["US-CO"]
    assert ruleset_on(shipped["US-ID"], NOVEMBER) is shipped["US-ID"]


def test_only_the_clauses_of_the_trip_are_named(shipped: dict[str, RuleSet]) -> None:
    washington = shipped["US-WA"]
    assert washington.clause_doubts(NOVEMBER, {"carry"}) == ()
    assert washington.clause_doubts(NOVEMBER, {"carry", "placement"}) == (
        "placement of chains, WAC 204-24-050(2): from memory",
    )
    assert washington.seen_standing_on({"carry"}) == date(2024, 10, 30)
    spain = shipped["ES"].freshness(NOVEMBER, ())
    assert any("RD 518/2026" in reason and "not read" in reason for reason in spain)
    assert not any(
        "RD 518/2026" in r for r in ruleset_on(shipped["ES"], date(2026, 9, 30)).freshness(date(2026, 9, 30))
    )


def test_no_shipped_american_text_is_called_old(shipped: dict[str, RuleSet]) -> None:
    """Nothing that was read shows a change of these since they were seen standing."""
    american = [r for code, r in shipped.items() if code.startswith(("US-", "CA-"))]
    assert len(american) == 17
    for ruleset in american:
        assert ruleset.freshness(NOVEMBER) == ()
    assert [code for code, r in shipped.items() if r.freshness(NOVEMBER)] == ["ES", "NO"]


def test_every_shipped_clause_from_memory_names_its_page(shipped: dict[str, RuleSet]) -> None:
    for ruleset in shipped.values():
        assert ruleset.clauses
        for c in ruleset.clauses:
            assert c.source
            assert c.page or c.in_force_until


@pytest.mark.parametrize(
    ("code", "words", "level"),
    [
        ("US-WA", "Traction tires required", "over-10000-gvw"),  # the department's signs, press of 12 Dec 2018
        ("US-WA", "TRACTION  TIRES\nADVISED", "traction-advisory"),
        ("US-WA", "Tire chains required", "all-except-awd"),
        ("US-WA", "Chains required on all vehicles", "all-vehicles"),
        ("US-OR", "Conditional road closure", "conditional-closure"),
        ("US-CA", "R2", "r-2"),
        ("ES", "amarillo", "yellow"),
        ("FR", "snowChainsCompulsory", "b26"),  # DATEX II winterEquipmentManagementType
    ],
)
def test_posted_words_give_their_level(shipped: dict[str, RuleSet], code: str, words: str, level: str) -> None:
    assert shipped[code].level_posted_as(words).id == level


def test_unknown_words_give_no_level_shared_ones_the_strictest(shipped: dict[str, RuleSet]) -> None:
    for ruleset in shipped.values():
        assert ruleset.level_posted_as("slow down, ducks crossing") is None
        for level in ruleset.levels:
            for words in (level.legal_name, *level.posted_as):
                assert ruleset.level_posted_as(words).rank >= level.rank


def test_sign_for_light_traffic_asks_chains_of_a_truck(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    washington = shipped["US-WA"]
    level = washington.level_posted_as("Traction tires required")
    assert demand_for(washington, level, rigs["TS5"]).tires_min == 5


def test_posted_chains_extend_a_dated_duty(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """WAC 204-24-050(2)(f): also at other times when chains are required."""
    day, washington = date(2026, 10, 25), shipped["US-WA"]
    asked = [
        carry_duty(washington, rigs["TS5"], day, {"i90-snoqualmie"}, posted)
        for posted in ((), {"traction-advisory"}, {"over-10000-gvw"}, {"all-vehicles"})
    ]
    assert [duty.singles_n if duty else 0 for duty in asked] == [0, 0, 7, 7]
    assert asked[2].season is None


def test_oregon_carriers_carry_where_the_road_may_require(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    """OAR 740-100-0040. A forecast that is not known counts as a road that may require chains."""
    oregon, july = shipped["US-OR"], date(2026, 7, 1)
    assert carry_duty(oregon, rigs["TS5"], july, ()).singles_n == 6
    assert carry_duty(oregon, rigs["TS5"], july, (), winter_road=False) is None


def test_pieces_of_a_line_are_one_run_of_the_route() -> None:
    """The made road runs east along 47.45 north from 116.5 west; two pieces of a line join."""
    line = ((47.45, -116.4), (47.45, -116.2), (47.45, -116.0))
    zone = RuleZone(id="z", name="z", road="R", from_point=None, to_point=None, line=line)
    assert zone.placed
    rules = replace(make_rules(), zones=(zone,))
    ((start_m, end_m),) = zones_along(make_route(), IdentityKey(rules))["z"]
    # The route follows the line up to the offset of a zone, 3 km, past each end.
    assert start_m == pytest.approx(7_540 - 3_000, abs=300)
    assert end_m == pytest.approx(37_700 + 3_000, abs=400)


# Road-point data of TravelMapping/HighwayData: I-25 from the New Mexico line, and US-160 east of Wolf Creek.
I_25 = [
    (36.993950, -104.480620), (37.184322, -104.498348), (37.293311, -104.526672), (37.427195, -104.639626),
    (37.523988, -104.698591), (37.617665, -104.759386), (37.657414, -104.793332), (37.763896, -104.835277),
    (37.925141, -104.822145), (38.114267, -104.673314), (38.267904, -104.605122), (38.511740, -104.628682),
    (38.808212, -104.806437), (39.056651, -104.851542), (39.412656, -104.868064), (39.740392, -105.014062),
]  # fmt: skip
US_160 = [
    (37.669138, -106.640832), (37.676688, -106.591587), (37.680288, -106.515058), (37.673461, -106.405034),
    (37.648422, -106.273241), (37.580569, -106.149613), (37.536444, -106.039267), (37.467671, -105.874300),
    (37.474245, -105.748515), (37.438338, -105.523092), (37.451695, -105.369658), (37.551791, -105.285115),
    (37.608758, -105.219669), (37.572338, -105.166283), (37.541413, -105.059466), (37.595940, -104.863386),
    (37.622738, -104.780377),
]  # fmt: skip


def _driven(points: list[tuple[float, float]]) -> Route:
    at = np.linspace(0, len(points) - 1, 20 * len(points))
    lat, lon = (np.interp(at, np.arange(len(points)), [p[i] for p in points]) for i in (0, 1))
    line = GpxLine(
        name="n", lat_deg=lat, lon_deg=lon, elevation_m=np.full(lat.shape, 2_000.0),
        segment_starts=np.array([0], dtype=np.intp), sha256="", where="t.gpx",
    )  # fmt: skip
    return build_route(clean_line(line))


def test_us160_takes_in_its_own_road_and_hardly_any_of_i25(shipped: dict[str, RuleSet]) -> None:
    """By two points alone the zone took in 99 miles of I-25, by five 33; the roads meet at Walsenburg."""
    colorado = IdentityKey(shipped["US-CO"])
    miles = {}
    for name, points in (("I-25", I_25), ("US-160", US_160)):
        route = _driven(points)
        inside_m = sum(b - a for a, b in zones_along(route, colorado)["us160"])
        miles[name] = (inside_m / 1609.344, route.length_m / 1609.344)
    assert miles["I-25"][0] < 7.0
    assert miles["US-160"][0] > 0.97 * miles["US-160"][1]


def test_every_road_with_a_duty_to_carry_in_wa_and_co_is_placed(shipped: dict[str, RuleSet]) -> None:
    for code in ("US-WA", "US-CO"):
        named = {z for c in shipped[code].carry for z in c.zones}
        assert all(shipped[code].zone(z).placed for z in named)
    assert shipped["US-MT"].zone("mt200-rogers").placed

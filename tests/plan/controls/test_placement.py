"""Posted controls on made roads: placed, believed, and never making a plan milder.

The truck leaves at 06:00 on a flat dry road at 62 mph (27.716 m/s): km 20 at 06:12, km 30 at 06:18; told to chain, it
hangs four chains first and is there by 07:10. Km 20 to 30 is mi 12 to 19.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.model import NoticeKind
from alertd.notices.text.driver_sms import driver_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.controls.placement import FeedNote, PostedConditions, PostedOnRoute, place_posted, posted_closures
from alertd.plan.drive import plan_drive
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD, ControlLocation, PostedControl
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.rules.ruleset import ControlLevel, Placement, RuleSet, RuleZone
from alertd.testing.factories import (
    IMMEDIATE_POLICY,
    M_PER_DEG_LON,
    at_hour,
    make_rig,
    make_route,
    make_rules,
    make_stop,
    make_weather,
)

PARAMS = PlanParams(compare_h=0.0)
STOPS = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 42e3), ("c", 71e3), ("d", 110e3))]
FLAT = make_route(60e3, stops=STOPS)


def at_m(distance_m: float) -> tuple[float, float]:
    """The place so far along the made road."""
    return 47.45, -116.5 + distance_m / M_PER_DEG_LON


def control(level: str = "chains", **other: Any) -> PostedControl:
    values: dict[str, Any] = {
        "id": "P-1",
        "jurisdiction": "US-XX",
        "level": level,
        "words": "chains required",
        "source": "the road authority",
        "where": ControlLocation(between=(at_m(20e3), at_m(30e3))),
        "since": at_hour(5.0),
        "until": None,
        "confirmed_at": at_hour(5.0),
    }
    return PostedControl(**(values | other))


def rules_of_two(chance: float = 0.0) -> RuleSet:
    """Levels "signs" (asks nothing but chains on board), "chains" (4 tires) and "all" (8 tires), mildest first."""
    base = make_rules(chance=chance, trigger="posted")
    chains = replace(base.level("chains"), rank=2)
    eight = replace(chains.demands[0], layouts=((Placement(group="drive", axles="all", per_axle="all tires"),),))
    return replace(
        base,
        levels=(
            ControlLevel(
                id="signs",
                legal_name="Carry chains",
                rank=1,
                demands=(replace(chains.demands[0], layouts=((),)),),
                carry_for_level="chains",
            ),
            chains,
            ControlLevel(id="all", legal_name="All wheels", rank=3, demands=(eight,)),
        ),
        estimates=tuple(replace(base.estimates[0], level=name) for name in ("signs", "chains", "all")),
    )


def placed(*controls: PostedControl, route: Route = FLAT, rules: RuleSet | None = None, now_h: float = 5.5) -> Any:
    rulesets = {"US-XX": rules or make_rules()}
    return place_posted(route, PostedConditions(controls=controls), rulesets, at_hour(now_h), PARAMS)


def planned(
    *controls: PostedControl,
    route: Route = FLAT,
    rules: RuleSet | None = None,
    weather: Weather | None = None,
    now_h: float = 5.5,
    depart_h: float = 6.0,
    on_route: PostedOnRoute | None = None,
) -> Plan:
    found = on_route or placed(*controls, route=route, rules=rules, now_h=now_h)
    trip = TripInput(id="QT-1", depart_at=at_hour(depart_h), posted=found, closures=posted_closures(found))
    weather = weather or make_weather(route, lambda m, d, h: RoadClass.DRY)
    rulesets = {"US-XX": rules or make_rules()}
    return make_plan(PlanRequest(trip, route, make_rig(), rulesets, weather, PARAMS, at_hour(now_h)))


def test_posted_level_is_certain_on_a_dry_road_and_not_estimate() -> None:
    assert planned().advice is Advice.CLEAR
    plan = planned(control())
    (stretch,) = plan.stretches
    assert (plan.advice, stretch.probability) == (Advice.CHAIN, 1.0)
    assert stretch.start_m <= 20e3
    assert stretch.end_m >= 30e3
    assert stretch.end_m - stretch.start_m < 16e3  # sections of 2 km at each end
    (posting,) = stretch.postings
    assert (posting.posted, posting.posted_level, posting.posted_by, posting.posted_since, posting.probability) == (
        True, "chains", "the road authority", at_hour(5.0), 1.0,
    )  # fmt: skip
    assert "POSTED: 'Chains required' in US-XX, by the road authority (law: made 1)" in stretch.reasons
    assert not [r for r in stretch.reasons if r.startswith("Our estimate")]
    assert "POSTED since Wed 21:00 PST" in driver_text(plan, stretch) or "POSTED since 21:00 PST" in driver_text(
        plan, stretch
    )
    assert plan.cautions[0] == (
        "Posted now: 'Chains required' by the road authority, mi 12 to 19, since Wed 21:00 PST: counted as posted at "
        "the truck's hour (Wed 23:10 PST); it may be raised"
    )
    (note,) = plan.posted
    assert (note.level_id, note.legal_name, note.start_m, note.end_m, note.believed_frac) == (
        "chains", "Chains required", pytest.approx(20e3, abs=1), pytest.approx(30e3, abs=1), 1.0,
    )  # fmt: skip


def test_the_road_field_of_other_trips_is_not_touched() -> None:
    """An outlook is shared by trips; what is posted is laid on a copy of it."""
    weather = make_weather(FLAT, lambda m, d, h: RoadClass.DRY)
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    rest = (FLAT, make_rig(), {"US-XX": make_rules()}, weather, PARAMS, at_hour(5.5))
    bare = plan_drive(PlanRequest(trip, *rest)).solution.encounter.hourly_need
    signed = plan_drive(PlanRequest(replace(trip, posted=placed(control())), *rest)).solution.encounter.hourly_need
    known = slice(0, bare.hours)  # the last hour stands for what is not known
    assert (bare.need[..., known].max(), signed.need[..., known].max()) == (0.0, 1.0)
    assert plan_drive(PlanRequest(trip, *rest)).solution.need_frac.max() == 0.0


def test_milder_levels_join_a_posted_one_stricter_stay_estimates() -> None:
    """Posted "chains" (4 tires): "all" (8) is not implied; posted "all": "chains" is, and 8 tires are hung."""
    mild = planned(control("chains"), rules=rules_of_two()).stretches[0]
    assert [(p.level_id, p.posted) for p in mild.postings] == [("chains", True)]
    assert len(mild.hanging.tires) == 4
    strict = planned(control("all"), rules=rules_of_two()).stretches[0]
    assert [(p.level_id, p.posted_level) for p in strict.postings] == [("chains", "all"), ("all", "all")]
    assert len(strict.hanging.tires) == 8
    assert "Comes with what is posted: 'Chains required' in US-XX (law: made 1)" in strict.reasons


def test_sign_that_asks_for_chains_on_board_is_a_carry_duty() -> None:
    """`carry_for_level` of the posted level: 4 singles, on a day when no season asks for any."""
    plan = planned(control("signs"), rules=rules_of_two())
    assert (plan.advice, plan.stretches) == (Advice.CLEAR, ())
    assert [(c.jurisdiction, c.singles_asked, c.certain) for c in plan.carry] == [("US-XX", 4, True)]
    assert planned(rules=rules_of_two()).carry == ()


def test_none_or_milder_postings_never_lower_our_estimate() -> None:
    snow = make_weather(FLAT, lambda m, d, h: RoadClass.SNOW)
    rules = make_rules(chance=0.6)
    before = planned(weather=snow, rules=rules)
    after = planned(control(NONE_POSTED, words="no restrictions"), weather=snow, rules=rules)
    assert (after.advice, after.chain_probability) == (before.advice, before.chain_probability)
    assert after.cautions[0] == (
        "Posted now: none by the road authority, mi 12 to 19, seen Wed 21:00 PST: it may be posted by the truck's "
        "hour; our estimate for that hour stands"
    )


def test_unreadable_wording_is_quoted_and_asks_for_readiness() -> None:
    plan = planned(control(NOT_UNDERSTOOD, words="use extreme caution"))
    assert plan.advice is Advice.READY
    assert "words not understood: 'use extreme caution'" in plan.cautions[0]
    assert "be ready to chain" in plan.cautions[0]
    assert not plan.stretches[0].postings
    assert plan.stretches[0].reasons[-1] == (
        "Posted by the road authority, words not understood: 'use extreme caution'"
    )


@pytest.mark.parametrize("jurisdiction", ["US-YY", "US-XX"])
def test_posted_level_without_a_rule_asks_for_readiness(jurisdiction: str) -> None:
    plan = planned(control("chains" if jurisdiction == "US-YY" else "gone", jurisdiction=jurisdiction))
    assert plan.advice is Advice.READY


def test_unplaced_control_keeps_trips_in_its_state_from_clear() -> None:
    nowhere = control(where=ControlLocation(words="at the old mill"))
    plan = planned(nowhere)
    assert (plan.advice, plan.stretches, plan.partial) == (Advice.READY, (), False)
    assert plan.cautions[0] == (
        "Posted now: 'Chains required' by the road authority, at the old mill, since Wed 21:00 PST: where is not on "
        "our map, so it may be on this way; be ready to chain"
    )
    assert planned(replace(nowhere, jurisdiction="US-YY")).advice is Advice.CLEAR
    assert planned(replace(nowhere, level=NONE_POSTED)).advice is Advice.CLEAR


@pytest.mark.parametrize(
    ("until_h", "depart_h", "advice"),
    [(6.9, 6.0, Advice.CHAIN), (6.9, 9.0, Advice.CLEAR), (None, 9.0, Advice.CHAIN), (None, 24.0, Advice.CLEAR)],
)
def test_given_end_is_used_else_six_hours_after_confirmation(
    until_h: float | None, depart_h: float, advice: Advice
) -> None:
    until = None if until_h is None else at_hour(until_h)
    assert planned(control(until=until), depart_h=depart_h).advice is advice


def test_unconfirmed_control_fades_to_our_estimate_and_shows_it() -> None:
    """Confirmed 05:00, whole until 11:00, gone at 17:00. The truck is there at hour 15, from 14:30 on: 2.5 of 6 h."""
    (span,) = placed(control()).spans
    at = np.array([at_hour(h).timestamp() for h in (4.0, 5.0, 11.4, 14.5, 18.0)])
    weights = span.weight(at - 1_800.0, at + 1_800.0)  # an hour of the road stands for half an hour either side
    np.testing.assert_allclose(weights, [0.0, 1.0, 1.0, 0.5, 0.0])
    plan = planned(control(), depart_h=15.0)
    assert plan.advice is Advice.READY
    assert plan.stretches[0].probability == pytest.approx(2.5 / 6.0, abs=0.01)
    assert not plan.stretches[0].postings[0].posted
    assert "last confirmed Wed 21:00 PST, 10 h before the truck's hour" in plan.cautions[0]
    assert "it may have changed" in plan.cautions[0]


def test_an_end_that_has_passed_is_not_believed_for_an_hour() -> None:
    ended = control(until=at_hour(5.4))
    assert planned(ended, now_h=5.5).advice is Advice.CHAIN
    assert planned(ended, now_h=6.5, depart_h=6.6).posted == ()


def test_posted_closed_holds_until_its_end_or_its_withdrawal() -> None:
    for until, held in ((None, True), (at_hour(9.0), True), (at_hour(6.1), False)):
        plan = planned(control(CLOSED, words="slide", until=until))
        assert (plan.advice is Advice.HOLD) is held
        assert [n.held for n in plan.closures] == [held]
        assert plan.closures[0].what == "Road closed (slide)"
    assert planned(control(CLOSED, since=at_hour(-40), confirmed_at=at_hour(-40))).advice is Advice.HOLD


@pytest.mark.parametrize(
    ("where", "spans"),
    [
        (ControlLocation(between=(at_m(30e3), at_m(20e3))), [(20e3, 30e3)]),
        (ControlLocation(line=(at_m(20e3), at_m(25e3), at_m(30e3))), [(20e3, 30e3)]),
        (ControlLocation(line=((47.45, at_m(20e3)[1]), (47.60, at_m(25e3)[1]), (47.45, at_m(30e3)[1]))), [(20e3,
        30e3)]),
        # Coarse, on the road at its start only, its end 2 km beside it.
        (ControlLocation(line=(at_m(20e3), at_m(22e3), (47.468, at_m(30e3)[1]))), [(20e3, 30e3)]),
        (ControlLocation(line=((47.40, at_m(25e3)[1]), (47.50, at_m(25e3)[1]))), []),  # a road that crosses ours
        (ControlLocation(line=((48.0, -116.0), (48.1, -116.0))), []),
        (ControlLocation(near=at_m(25e3)), [(20e3, 30e3)]),
        (ControlLocation(near=(47.5, -116.2)), []),
        (ControlLocation(between=((48.0, -116.2), (48.1, -116.2))), []),
        (ControlLocation(between=((47.45, -120.0), (47.45, -112.0))), [(0.0, 60e3)]),  # all of our road lies between
        (ControlLocation(near=at_m(2e3), near_m=8e3), [(0.0, 10e3)]),
        (ControlLocation(outline=((47.4, at_m(20e3)[1]), (47.5, at_m(20e3)[1]), (47.5, at_m(30e3)[1]), (47.4,
        at_m(30e3)[1]))),
         [(20e3, 30e3)]),
    ],
)  # fmt: skip
def test_places_lines_outlines_and_points_are_found_on_the_road(
    where: ControlLocation, spans: list[tuple[float, float]]
) -> None:
    found = [(s.start_m, s.end_m) for s in placed(control(where=where)).spans]
    assert len(found) == len(spans)
    for got, wanted in zip(found, spans, strict=True):
        assert got == pytest.approx(wanted, abs=600.0)


def test_zone_of_the_rule_file_is_a_place_and_unplaced_is_none() -> None:
    zone = RuleZone(id="z", name="Made Pass", road="M-1", from_point=at_m(20e3), to_point=at_m(30e3))
    rules = replace(make_rules(), zones=(zone, replace(zone, id="w", from_point=None, to_point=None)))
    assert [s.placed for s in placed(control(where=ControlLocation(zone="z")), rules=rules).spans] == [True]
    assert [s.placed for s in placed(control(where=ControlLocation(zone="w")), rules=rules).spans] == [False]
    assert [s.placed for s in placed(control(where=ControlLocation(zone="gone")), rules=rules).spans] == [False]


def test_a_control_for_the_other_direction_is_none_of_this_trip() -> None:
    assert len(placed(control(bearing_deg=45.0)).spans) == 1
    assert placed(control(bearing_deg=270.0)).spans == ()


def test_failed_feed_is_shown_in_its_state_and_eases_nothing() -> None:
    """What was posted is gone from what is known, but the feed did not answer: no relief until it does."""
    missing = PostedConditions(missing=(FeedNote(jurisdiction="US-XX", text="Posted conditions of X not known"),))
    before = planned(control())
    _, facts = plan_notices(before, None, at_hour(5.5), IMMEDIATE_POLICY)
    silent = planned(on_route=place_posted(FLAT, missing, {}, at_hour(5.6), PARAMS))
    assert silent.posted_missing == ("Posted conditions of X not known",)
    assert "Posted conditions of X not known" in silent.cautions
    notices, stopped_times = plan_notices(silent, facts, at_hour(5.6), IMMEDIATE_POLICY)
    assert (notices, stopped_times) == ((), facts)
    received, _ = plan_notices(planned(), facts, at_hour(5.6), IMMEDIATE_POLICY)
    assert {n.kind for n in received} == {NoticeKind.EASED}
    elsewhere = PostedConditions(missing=(FeedNote(jurisdiction="US-YY", text="x"),))
    assert place_posted(FLAT, elsewhere, {}, at_hour(5.6), PARAMS).missing == ()


BLOCK_M, MEMBERS = 10e3, 10
LONG = make_route(120e3, grade=0.03, stops=STOPS)


@st.composite
def storms_and_signs(draw: st.DrawFn) -> tuple[np.ndarray, PostedControl]:
    """Snow in some members and blocks of 10 km, and a sign of any kind anywhere, now or later, confirmed or not."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    snowy = rng.random((MEMBERS, 12)) < rng.choice([0.0, 0.2, 0.5, 0.9], (1, 12))
    a = draw(st.integers(0, 100)) * 1e3
    sign = control(
        draw(st.sampled_from(["signs", "chains", "all", CLOSED, NONE_POSTED, NOT_UNDERSTOOD, "gone"])),
        where=draw(
            st.sampled_from(
                [
                    ControlLocation(between=(at_m(a), at_m(a + 15e3))),
                    ControlLocation(near=at_m(a)),
                    ControlLocation(words="somewhere"),
                ]
            )
        ),
        confirmed_at=at_hour(draw(st.sampled_from([-6.0, -1.0, 5.0]))),
        since=at_hour(draw(st.sampled_from([-6.0, 5.0, 7.0]))),
        until=draw(st.sampled_from([None, at_hour(6.5), at_hour(20)])),
    )
    return snowy, sign


@given(storms_and_signs())
def test_adding_a_posted_control_lowers_the_advice_nowhere(case: tuple[np.ndarray, PostedControl]) -> None:
    """Nor the likelihood at any place. Where likelier road beside it says the same, a shower of a few members may go
    unnamed, as with more snow (test_monotone); and road that was "chain" only as part of a longer stretch, since it is
    by itself no more than "be ready", may be told as that once a sign has parted the two."""
    snowy, sign = case
    rules = rules_of_two(chance=0.6)

    def script(_: Any, d: Any, h: Any) -> Any:
        block = np.minimum(d[0, :, 0] // BLOCK_M, 11).astype(int)
        return np.where(snowy[:, block][:, :, None], RoadClass.SNOW, RoadClass.DRY) + 0 * h

    weather = make_weather(LONG, script, members=MEMBERS, friction=0.9)
    before = planned(route=LONG, rules=rules, weather=weather)
    after = planned(sign, route=LONG, rules=rules, weather=weather)
    assert after.advice.rank >= before.advice.rank
    assert after.chain_probability >= before.chain_probability - 1e-6
    for block in range(12):
        here_m = (block + 0.5) * BLOCK_M
        odds = snowy[:, block].mean() * 0.6
        if odds >= PARAMS.ready_probability:
            by_itself = Advice.HOLD if odds >= PARAMS.chain_probability else Advice.READY
            least = min(_advice_at(before, here_m), by_itself, key=lambda a: a.rank)
            assert _advice_at(after, here_m).rank >= least.rank


def _advice_at(plan: Plan, here_m: float) -> Advice:
    here = (s.advice for s in plan.stretches if s.start_m - 1.0 <= here_m <= s.end_m + 1.0)
    return max((Advice.CLEAR, *here), key=lambda a: a.rank)


def snowy_pass(rate: float, ends_h: int = 36) -> Weather:
    """Return snow at this rate from hour 0 to `ends_h` on km 20 to 30 of the flat road."""
    fall = np.where(np.arange(36) < ends_h, rate, 0.0)
    return make_weather(
        FLAT,
        lambda m, d, h: np.where((d >= 20e3) & (d <= 30e3), RoadClass.SNOW, RoadClass.DRY) + 0 * h,
        snowfall_mmwe_h=fall,
        friction=0.9,
    )


SIGNED = make_rules(chance=0.5, trigger="posted")


def test_a_posted_control_lasts_as_long_as_the_snow() -> None:
    """Posted at 05:00; the snow ended then, or goes on. Twelve hours later it is no longer believed by itself."""
    was = control(confirmed_at=at_hour(5.0))
    goes_on, ended = (
        planned(was, rules=SIGNED, weather=snowy_pass(0.3, ends), depart_h=19.0, now_h=5.5) for ends in (36, 5)
    )
    alone = planned(rules=SIGNED, weather=snowy_pass(0.3, 5), depart_h=19.0, now_h=5.5)
    assert goes_on.chain_probability > 0.3
    assert ended.chain_probability < 0.05
    assert ended.chain_probability == pytest.approx(alone.chain_probability, abs=0.02)


def test_none_posted_counts_at_first_and_the_weather_later() -> None:
    """No sign at 05:00 over all of the zone: less likely at 06:12 than without the report, as likely in the evening."""
    none = control(level=NONE_POSTED, where=ControlLocation(between=(at_m(0.0), at_m(59e3))), confirmed_at=at_hour(5.0))
    weather = snowy_pass(0.5)
    soon, later = (planned(none, rules=SIGNED, weather=weather, depart_h=h).chain_probability for h in (6.0, 20.0))
    alone = planned(rules=SIGNED, weather=weather, depart_h=6.0).chain_probability
    assert soon < 0.75 * alone
    assert later == pytest.approx(alone, abs=0.03)


def test_none_posted_on_a_part_of_a_zone_changes_nothing() -> None:
    none = control(
        level=NONE_POSTED, where=ControlLocation(between=(at_m(20e3), at_m(22e3))), confirmed_at=at_hour(5.0)
    )
    weather = snowy_pass(0.5)
    assert planned(none, rules=SIGNED, weather=weather).chain_probability == pytest.approx(
        planned(rules=SIGNED, weather=weather).chain_probability
    )


def test_none_posted_lowers_neither_grip_nor_closure_nor_unknown() -> None:
    none = control(level=NONE_POSTED, where=ControlLocation(between=(at_m(0.0), at_m(59e3))), confirmed_at=at_hour(5.0))
    for weather in (
        make_weather(FLAT, lambda m, d, h: RoadClass.UNKNOWN),
        make_weather(FLAT, lambda m, d, h: RoadClass.SNOW, snow_mmwe=150.0, friction=0.9),
    ):
        told, alone = (planned(*c, rules=SIGNED, weather=weather) for c in ((none,), ()))
        assert told.advice is alone.advice
        assert told.chain_probability == pytest.approx(alone.chain_probability, abs=0.01)

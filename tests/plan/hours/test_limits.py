"""Legal hours against worked cases of 49 CFR 395.3 and Regulation (EC) 561/2006, and on whole plans."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.hours.laws import CANADA, EU, SWISS, US, Duty, later_laws, law_at, rules_for
from alertd.plan.hours.limits import HoursUsed, Limit, Spell, limits, timeline, with_break
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import JurisdictionSpan
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

DAY = datetime(2027, 1, 14, tzinfo=UTC)
H = 3600.0
M_PER_H = 80_000.0
PARAMS = PlanParams(compare_h=0.0)


def clock(text: str) -> datetime:
    hour, minute = map(int, text.split(":"))
    return DAY + timedelta(hours=hour, minutes=minute)


def spells(*parts: tuple[Duty, float]) -> tuple[Spell, ...]:
    """A timeline of (duty, hours), 80 km for each hour driven."""
    out, at_s, at_m = [], 0.0, 0.0
    for duty, hours in parts:
        to_m = at_m + (hours * M_PER_H if duty is Duty.DRIVING else 0.0)
        out.append(Spell(duty=duty, start_s=at_s, end_s=at_s + hours * H, start_m=at_m, end_m=to_m))
        at_s, at_m = at_s + hours * H, to_m
    return tuple(out)


def of(kind: str, found: tuple[Limit, ...]) -> Limit:
    (one,) = (x for x in found if x.kind == kind)
    return one


DRIVE, WORK, OFF = Duty.DRIVING, Duty.ON_DUTY, Duty.OFF


def test_eight_hours_of_driving_without_a_break_end_at_13_30() -> None:
    """49 CFR 395.3(a)(3)(ii): on duty 05:00, driving 05:30 on; 8 h are full at 13:30, wherever the truck is then."""
    found = limits(spells((DRIVE, 9.0)), HoursUsed(on_duty_since=clock("05:00")), US, clock("05:30"))
    rest = of("break", found)
    assert rest.reached_s == 8 * H  # 13:30
    assert rest.reached_m == 8 * M_PER_H
    assert of("driving", found).reached_s is None


def test_a_chain_up_of_forty_minutes_interrupts_the_eight_hours() -> None:
    """49 CFR 395.3(a)(3)(ii): 05:30 to 11:00 driven, 40 min on duty and not driving, then 8 h afresh, to 19:40."""
    found = limits(spells((DRIVE, 5.5), (WORK, 40 / 60), (DRIVE, 2.5)), HoursUsed(), US, clock("05:30"))
    assert of("break", found).reached_s is None
    assert of("break", found).at_arrival_h == pytest.approx(2.5)
    assert of("driving", found).at_arrival_h == pytest.approx(8.0)  # chaining is not driving


def test_29_minutes_are_no_break_and_two_pauses_do_not_add_up() -> None:
    """49 CFR 395.3(a)(3)(ii): at least 30 consecutive minutes; on duty and off duty back to back are consecutive."""
    short = limits(spells((DRIVE, 4), (WORK, 29 / 60), (DRIVE, 4.5)), HoursUsed(), US, DAY)
    assert of("break", short).reached_s == pytest.approx((8 + 29 / 60) * H)
    parted = limits(spells((DRIVE, 4), (WORK, 0.25), (DRIVE, 1), (OFF, 0.25), (DRIVE, 3.5)), HoursUsed(), US, DAY)
    assert of("break", parted).reached_s == pytest.approx(8.5 * H)
    joined = limits(spells((DRIVE, 4), (WORK, 0.25), (OFF, 0.25), (DRIVE, 5)), HoursUsed(), US, DAY)
    assert of("break", joined).reached_s is None


def test_no_driving_after_hour_14_nor_11_at_the_wheel() -> None:
    """49 CFR 395.3(a)(2) and (a)(3)(i): on duty 05:00, so no driving after 19:00; never 21:00 (395.1(b)(1))."""
    found = limits(
        spells((DRIVE, 7), (WORK, 4), (DRIVE, 3.5)), HoursUsed(on_duty_since=clock("05:00")), US, clock("05:30")
    )
    assert of("window", found).reached_s == 13.5 * H  # 05:30 + 13:30 = 19:00
    assert of("driving", found).reached_s is None
    assert of("driving", found).at_arrival_h == 10.5
    eleven = limits(spells((DRIVE, 6), (OFF, 0.5), (DRIVE, 5.5)), HoursUsed(), US, DAY)
    assert of("driving", eleven).reached_s == 11.5 * H
    assert of("driving", eleven).left_h == -0.5


def test_work_past_hour_14_is_legal_while_nothing_is_driven() -> None:
    """49 CFR 395.3(a)(2) forbids driving after the 14th hour, not work."""
    found = limits(spells((DRIVE, 1), (WORK, 1)), HoursUsed(on_duty_since=DAY - timedelta(hours=12.5)), US, DAY)
    assert of("window", found).reached_s is None
    assert of("window", found).left_h == -0.5


def test_an_hour_of_chaining_can_fill_the_seventy_hours() -> None:
    """49 CFR 395.3(b)(2): 68 h on duty in 8 days, 1 h of chaining and 1.5 h of driving make 70.5."""
    found = limits(spells((WORK, 1.0), (DRIVE, 1.5)), HoursUsed(cycle_h=68.0), US, DAY)
    assert of("cycle", found).at_arrival_h == 70.5
    assert of("cycle", found).reached_s == 2 * H
    assert of("driving", found).left_h == 9.5
    sixty = limits(spells((DRIVE, 1.5)), HoursUsed(cycle_h=59.0, cycle_limit_h=60.0), US, DAY)
    assert of("cycle", sixty).reached_s == H


def test_in_europe_fitting_chains_is_no_break() -> None:
    """Regulation (EC) 561/2006 Article 7: 3 h, 45 min of chains, 1 h 40: the break was due 10 min before the end."""
    found = of("break", limits(spells((DRIVE, 3), (WORK, 0.75), (DRIVE, 100 / 60)), HoursUsed(), EU, DAY))
    assert found.reached_s == pytest.approx((3 + 0.75 + 1.5) * H)
    assert found.left_h == pytest.approx(-10 / 60)


def test_european_break_is_15_then_30_minutes_not_reversed() -> None:
    """Regulation (EC) 561/2006 Article 7: at least 15 minutes followed by at least 30."""
    right = limits(spells((DRIVE, 2), (OFF, 0.25), (DRIVE, 2), (OFF, 0.5), (DRIVE, 4)), HoursUsed(), EU, DAY)
    wrong = limits(spells((DRIVE, 2), (OFF, 0.5), (DRIVE, 2), (OFF, 0.25), (DRIVE, 1)), HoursUsed(), EU, DAY)
    assert of("break", right).reached_s is None
    assert of("break", wrong).reached_s == pytest.approx((2 + 0.5 + 2 + 0.25 + 0.5) * H)
    assert of("driving", limits(spells((DRIVE, 9.5)), HoursUsed(), EU, DAY)).reached_s == 9 * H  # Article 6(1)


def test_the_law_is_that_of_the_land_where_the_trip_starts() -> None:
    assert (rules_for(["US-MT", "CA-BC"]), rules_for(["AT", "DE"]), rules_for(["JP"]), rules_for([])) == (
        US,
        EU,
        None,
        None,
    )


# From memory: the members of the EU and the EEA, contracting parties of the AETR, and Canada's regulation SOR/2005-313.
LAWS = [
    ("US-MT", "49 CFR 395.3"),
    ("CA-BC", "SOR/2005-313"),
    ("CA-YT", "SOR/2005-313, north of 60"),
    ("NO", "Regulation (EC) 561/2006"),
    ("SI", "Regulation (EC) 561/2006"),
    ("GB", "Regulation (EC) 561/2006"),
    ("CH", "ARV 1 (SR 822.221)"),
    ("RS", "AETR"),
    ("MX", ""),
    ("", ""),
]


@pytest.mark.parametrize(("code", "name"), LAWS)
def test_each_land_has_its_own_hours_law(code: str, name: str) -> None:
    law = law_at(code)
    assert (law.name if law is not None else "") == name


def along(*codes: str) -> list[JurisdictionSpan]:
    return [JurisdictionSpan(code=c, name=c, start_m=i * 1e5, end_m=(i + 1) * 1e5) for i, c in enumerate(codes)]


def test_law_changes_at_a_border_only_with_its_numbers() -> None:
    assert later_laws(along("US-MT", "US-ID", "CA-BC", "CA-AB"), US) == ((CANADA, 2e5, 4e5),)
    assert later_laws(along("CH", "IT", "AT"), SWISS) == ()
    assert later_laws(along("CA-AB", "US-MT", "MX"), CANADA) == ((US, 1e5, 2e5),)


def test_canadian_day_is_13_h_driving_and_14_h_on_duty() -> None:
    """SOR/2005-313, sections 12 and 13 (from memory); no break between driving is due."""
    found = limits(spells((DRIVE, 8), (WORK, 2), (DRIVE, 6)), HoursUsed(), CANADA, DAY)
    assert [x.kind for x in found] == ["driving", "duty", "window"]
    assert of("driving", found).reached_s == pytest.approx(15 * H)
    assert of("duty", found).reached_s == pytest.approx(14 * H)
    assert of("window", found).reached_s is None


@given(
    st.lists(st.tuples(st.sampled_from([DRIVE, WORK, OFF]), st.floats(0.1, 4.0)), min_size=1, max_size=8),
    st.floats(0.0, 11.0),
    st.floats(0.0, 2.0),
)
def test_more_hours_used_before_never_push_a_limit_later(
    parts: list[tuple[Duty, float]], used_h: float, more_h: float
) -> None:
    whole = spells(*parts)
    for rules in (US, EU):
        little = limits(whole, HoursUsed(drive_h=used_h, cycle_h=used_h), rules, DAY)
        much = limits(whole, HoursUsed(drive_h=used_h + more_h, cycle_h=used_h + more_h), rules, DAY)
        for a, b in zip(little, much, strict=True):
            later, sooner = (np.inf if x.reached_s is None else x.reached_s for x in (a, b))
            assert sooner <= later + 1e-3


@given(st.floats(0.0, 299_000.0), st.floats(60.0, 7200.0))
def test_break_delays_all_behind_it_and_changes_no_distance(at_m: float, break_s: float) -> None:
    d = np.arange(0.0, 300_001.0, 250.0)
    whole = timeline(d, d / 20.0, [(100_000.0, 1_800.0)])
    later = with_break(whole, at_m, break_s)
    assert later[-1].end_s == pytest.approx(whole[-1].end_s + break_s)
    assert sum(x.length_s for x in later if x.duty is DRIVE) == pytest.approx(15_000.0)
    for a, b in pairwise(later):
        assert (a.end_s, a.end_m) == pytest.approx((b.start_s, b.start_m))


def test_the_timeline_of_a_clock_adds_up_to_it() -> None:
    d = np.arange(0.0, 60_001.0, 250.0)
    whole = timeline(d, d / 20.0, [(20_000.0, 2_400.0), (40_000.0, 1_200.0), (60_000.0, 600.0)])
    assert whole[-1].end_s == pytest.approx(3_000 + 2_400 + 1_200 + 600)
    assert [(x.start_m, x.length_s) for x in whole if x.duty is WORK] == [(20e3, 2400), (40e3, 1200), (60e3, 600)]


LONG = make_route(
    800e3, stops=[make_stop("a", 100e3), make_stop("b", 640e3), make_stop("c", 700e3), make_stop("d", 760e3)]
)


def plan_with(used: HoursUsed, *, snow: tuple[float, float] | None = None, code: str = "US-XX") -> Plan:
    a, b = snow or (-2.0, -1.0)
    route = make_route(800e3, stops=LONG.stops, spans=[(code, 0.0, 800e3)])
    weather = make_weather(
        route, lambda m, d, h: np.where((d >= a) & (d <= b), RoadClass.SNOW, RoadClass.DRY), hours=48
    )
    trip = TripInput(id="QT-1", depart_at=at_hour(6), used=used)
    return make_plan(
        PlanRequest(trip, route, make_rig(), {code: make_rules(code, chance=1.0)}, weather, PARAMS, at_hour(2))
    )


def test_break_due_on_snow_is_taken_at_the_last_stop_below_it() -> None:
    """8 h at 62 mph are 798.2 km: with 1 h driven before, the break is due at 698 km, here on the snow."""
    hours = plan_with(HoursUsed(drive_h=1.0), snow=(690e3, 720e3)).hours
    assert hours is not None
    # Chains are hung at 640 km for half an hour and more: that is the break.
    assert hours.breaks == ()
    assert any("interrupts driving" in r for r in hours.reasons)
    dry = plan_with(HoursUsed(drive_h=1.0)).hours
    assert dry is not None
    (one,) = dry.breaks
    assert (one.stop_id, one.at_m, one.minutes) == ("b", 640e3, 30.0)
    assert one.due_m == pytest.approx(7 * 3600 * 27.7165, abs=500)  # 62 mph = 27.7165 m/s
    assert dry.ok
    assert dry.arrival_delay_s == 1800.0


def test_plan_rests_before_a_limit_and_shows_missing_hours() -> None:
    untold = plan_with(HoursUsed()).hours
    plan = plan_with(HoursUsed(drive_h=5.0, on_duty_since=at_hour(0.5), cycle_h=40.0, since_break_h=0.0))
    result = plan.hours
    assert untold is not None
    assert result is not None
    assert plan.days is not None
    assert len(untold.not_given) == 4
    assert untold.ok
    assert result.not_given == ()
    assert result.ok
    # 11 h less 5 h driven before: the night is no farther than 6 h at 62 mph.
    (night,) = (x for x in plan.days.rests if x.kind == "rest")
    assert night.distance_m <= 6 * 3600 * 27.7165
    (driving,) = (x for x in result.limits if x.kind == "driving")
    assert (driving.reached_m, driving.section) == (None, "49 CFR 395.3(a)(3)(i)")


def test_the_two_extra_hours_are_never_planned_with() -> None:
    """49 CFR 395.2: what could be known before dispatch is no adverse driving condition; our forecast was known."""
    hours = plan_with(HoursUsed(drive_h=4.0), snow=(690e3, 720e3)).hours
    assert hours is not None
    assert hours.adverse_exception.startswith("not available: this forecast was known before departure")
    assert hours.known_at == at_hour(0)
    assert max(x.allowed_h for x in hours.limits) == 14.0


def test_where_no_hours_law_is_on_file_nothing_is_said() -> None:
    assert plan_with(HoursUsed(), code="JP").hours is None


def test_a_naive_start_of_duty_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        HoursUsed(on_duty_since=datetime(2027, 1, 14))  # noqa: DTZ001

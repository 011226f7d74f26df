"""Closed roads on made pavement, with times worked out by hand.

The truck leaves at 06:00 on a flat dry road at 62 mph (27.716 m/s), so it is at km 20 after 721.6 s (06:12:02) and at
km 30 after 1082.4 s (06:18:02).
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import pytest

from alertd.plan.controls.closures import Closure, PostedClosure, place_closures
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.testing.factories import M_PER_DEG_LON, at_hour, make_rig, make_route, make_weather

SECOND = 1 / 3600


def closed(begins_h: float = 5.0, ends_h: float | None = None, *, at: tuple[float, float] = (20e3, 30e3)) -> Closure:
    return Closure(
        start_m=at[0],
        end_m=at[1],
        begins_at=at_hour(begins_h),
        ends_at=None if ends_h is None else at_hour(ends_h),
        what="Road closed (slide)",
        source="the road authority",
        posted=True,
    )


def planned(
    *closures: Closure, now_h: float = 2.0, clock_z: Sequence[float] = (0.0,), fix: PositionFix | None = None
) -> Plan:
    route = make_route(60e3)
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY, clock_z=np.resize(clock_z, 10))
    trip = TripInput(id="QT-1", depart_at=at_hour(6), closures=closures, fix=fix)
    return make_plan(PlanRequest(trip, route, make_rig(), {}, weather, PlanParams(), at_hour(now_h)))


@pytest.mark.parametrize(
    ("begins_h", "ends_h", "held"),
    [
        (5.0, None, True),  # no end given: it never ends within the plan
        (5.0, 6.5, True),
        (5.0, 6.2 + 5 * SECOND, True),  # 06:12:05, three seconds after the truck comes to it
        (5.0, 6.2, False),  # 06:12:00
        (6.3, 7.0, True),  # begins at 06:18:00, two seconds before the truck is past it
        (6.3 + 5 * SECOND, 7.0, False),
    ],
)
def test_a_plan_that_meets_a_closure_while_it_stands_is_hold(begins_h: float, ends_h: float | None, held: bool) -> None:
    plan = planned(closed(begins_h, ends_h))
    (note,) = plan.closures
    assert (note.held, note.met) == (held, held)
    assert plan.advice is (Advice.HOLD if held else Advice.CLEAR)
    assert note.enter_at == at_hour(6) + timedelta(seconds=722)
    assert note.ends_at == (None if ends_h is None else at_hour(ends_h))
    assert not plan.partial


@pytest.mark.parametrize(
    ("z", "begins_h", "ends_h", "held"),
    [
        # An early truck: 1 sigma is 600 s + 10 % of 721.6 s = 672 s, but none is earlier than half the time: 360.8 s,
        # which is 06:06:01.
        (-1.0, 5.0, 6.1, False),
        (-1.0, 5.0, 6.1 + 5 * SECOND, True),
        # A late one is past it after 1082.4 s + 600 s + 108.2 s = 1790.6 s, 06:29:51.
        (1.0, 6.49, 7.0, True),
        (1.0, 6.5, 7.0, False),
    ],
)
def test_an_early_and_a_late_truck_count(z: float, begins_h: float, ends_h: float, held: bool) -> None:
    assert (planned(closed(begins_h, ends_h), clock_z=(z,)).advice is Advice.HOLD) is held


def test_an_end_that_has_passed_is_not_believed_for_an_hour() -> None:
    """At 06:00 an end at 05:45 may have been put off: held until 06:45, which the truck comes before."""
    plan = planned(closed(ends_h=5.75), now_h=6.0)
    assert plan.advice is Advice.HOLD
    assert "was to end Wed 21:45 PST but no end is reported: hold below it" in plan.cautions[0]
    assert planned(closed(ends_h=5.0), now_h=6.0).closures == ()


def test_what_a_closure_says_stands_first_among_the_cautions() -> None:
    """Km 20 to 30 is mi 12 to 19; 06:12 UTC is 22:12 PST the day before."""
    assert planned(closed(ends_h=7.0)).cautions[0] == (
        "Road closed (slide) by the road authority, mi 12 to 19, from Wed 21:00 PST until Wed 23:00 PST: hold below it"
    )
    assert planned(closed()).cautions[0].endswith("no end given: hold below it")
    assert (
        planned(closed(ends_h=6.1))
        .cautions[0]
        .endswith("expected to be over when the truck gets there (Wed 22:12 PST); check before it")
    )


def test_a_warning_that_asks_no_hold_is_a_caution_only() -> None:
    result = Closure(
        start_m=0.0, end_m=60e3, begins_at=at_hour(1), ends_at=None, what="High Wind Warning", source="NWS", holds=False
    )
    plan = planned(result)
    assert (plan.advice, plan.closures[0].met, plan.closures[0].held) == (Advice.CLEAR, True, False)
    assert plan.cautions[0].endswith("expected on the road at the truck's hour (Wed 22:00 PST)")


def test_closures_behind_or_far_ahead_in_time_are_not_named() -> None:
    fix = PositionFix(at=at_hour(6.5), distance_m=40e3, offset_m=0.0)
    assert planned(closed(), fix=fix, now_h=6.5).closures == ()
    assert planned(closed(12.2)).closures[0].held is False  # the truck is past it at 06:18, less than 6 h before
    assert planned(closed(12.5)).closures == ()


def test_a_truck_that_stands_in_a_closed_stretch_is_held() -> None:
    fix = PositionFix(at=at_hour(6.25), distance_m=25e3, offset_m=0.0)
    plan = planned(closed(ends_h=9.0), fix=fix, now_h=6.3)
    assert (plan.advice, plan.closures[0].enter_at) == (Advice.HOLD, at_hour(6.25))


def test_departures_into_a_closure_hold_and_the_next_is_named() -> None:
    """Closed 05:00 to 08:00. To be past by 05:00 a truck leaves by 04:41:58; to come after 08:00, from 07:47:58 on."""
    plan = planned(closed(5.0, 8.0))
    held = [d.depart_at for d in plan.departures if d.advice is Advice.HOLD]
    assert (held[0], held[-1], len(held)) == (at_hour(4.75), at_hour(7.75), 13)
    assert {d.advice for d in plan.departures} == {Advice.HOLD, Advice.CLEAR}
    assert at_hour(4.5) in [p.departure.depart_at for p in plan.picks]


def test_a_departure_delayed_by_chaining_meets_a_closure_later() -> None:
    """Snow at km 10 to 15 is chained for: the planned departure agrees with its plan on a closure that begins late."""
    route = make_route(60e3, grade=0.03)
    weather = make_weather(route, lambda m, d, h: np.where((d > 10e3) & (d < 15e3), RoadClass.ICE, RoadClass.DRY))

    def plan(begins_at: datetime) -> Plan:
        late = Closure(start_m=40e3, end_m=50e3, begins_at=begins_at, ends_at=None, what="Road closed", source="DOT")
        trip = TripInput(id="QT-1", depart_at=at_hour(6), closures=(late,))
        return make_plan(PlanRequest(trip, route, make_rig(), {}, weather, PlanParams(), at_hour(2)))

    dry = plan(at_hour(30))
    assert dry.cost_s > 1800.0
    past = dry.arrive_at - timedelta(minutes=2)  # km 50 is passed some minutes before the end, chains off again
    for begins_at, held in ((dry.arrive_unhindered, True), (past, False)):
        made = plan(begins_at)
        at_plan = next(d for d in made.departures if d.depart_at == made.depart_at)
        assert made.closures[0].held is held
        assert (at_plan.advice is Advice.HOLD) is (held or dry.advice is Advice.HOLD)


def test_posted_closure_is_between_its_ends_in_both_directions() -> None:
    def at(m: float, north_deg: float = 0.0) -> tuple[float, float]:
        return 47.45 + north_deg, -116.5 + m / M_PER_DEG_LON

    def spans(a: tuple[float, float], b: tuple[float, float], eastward: bool = True) -> list[tuple[float, float]]:
        posted = PostedClosure(
            id="C", start=a, end=b, begins_at=at_hour(1), ends_at=None, what="slide", source="the road authority"
        )
        route = make_route(60e3)
        if not eastward:
            route = make_route(60e3, start_lon_deg=-116.5 + 60e3 / M_PER_DEG_LON, eastward=False)
        return [(c.start_m, c.end_m) for c in place_closures(route, [posted])]

    for a, b in ((at(20e3), at(30e3)), (at(30e3), at(20e3)), (at(20e3, 0.004), at(30e3, -0.004))):  # 0.004 deg: 445 m
        assert spans(a, b) == [pytest.approx((20e3, 30e3), abs=60.0)]
    assert spans(at(20e3), at(30e3), eastward=False) == [pytest.approx((30e3, 40e3), abs=60.0)]
    assert spans(at(-40e3), at(100e3)) == [(0.0, 60e3)]  # a trip within closed road
    assert spans(at(20e3, 0.1), at(30e3, 0.1)) == []  # another road, 11 km north

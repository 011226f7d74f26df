"""Reports followed along a route: what can be counted from, and what is said of what cannot."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.chain_up.chains_on import Report, TruckReport, chains_on
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import PositionReport, TripPosition, locate
from alertd.route.model import Route
from alertd.testing.factories import M_PER_DEG_LON, at_hour, make_route
from alertd.units import to_miles

PARAMS = PlanParams()
ROAD = make_route(200e3)
DEPART = at_hour(6)


def there_and_back() -> Route:
    """60 km out and 60 km back on the same road: km 10 of it is km 110 of the trip."""
    route = make_route(120e3)
    d = route.distance_m
    return replace(
        route,
        lon_deg=-116.5 + np.minimum(d, 120e3 - d) / M_PER_DEG_LON,
        bearing_deg=np.where(d < 60e3, 90.0, 270.0),
    )


def report(hour: float, along_m: float, *, north_deg: float = 0.0) -> PositionReport:
    """At this place of the road, `north_deg` beside it; 0.01 degrees of latitude are 1,112 m at 47 north (WGS 84)."""
    return PositionReport(at=at_hour(hour), lat_deg=47.45 + north_deg, lon_deg=-116.5 + along_m / M_PER_DEG_LON)


def seen(
    *reports: PositionReport | TruckReport, route: Route = ROAD, now_h: float = 8.0, depart: datetime = DEPART
) -> TripPosition:
    return locate(route, reports, depart, at_hour(now_h), PARAMS)


def test_newest_report_on_the_road_is_the_place_in_any_order() -> None:
    found = seen(report(7.5, 90e3), report(7.0, 50e3))
    assert found.fix is not None
    assert (found.fix.at, found.depart_at, found.notes) == (at_hour(7.5), DEPART, ())
    assert found.fix.distance_m == pytest.approx(90e3, abs=50.0)
    assert abs(found.fix.offset_m) < 1.0


def test_no_report_leaves_the_departure() -> None:
    assert seen() == TripPosition(depart_at=DEPART)


@pytest.mark.parametrize(
    ("hours", "along_km", "wanted_km"),
    [
        ([6.5, 7.0], [30, 55], [30, 55]),  # out: the first time past
        ([6.5, 7.0, 7.5, 8.0], [30, 55, 40, 10], [30, 55, 80, 110]),  # out and back
        ([7.0, 7.1], [50, 49.8], [50, 49.8]),  # a truck that stands, its device off by 200 m
        ([7.0, 7.15], [50, 45], [50, 45]),  # turned round: km 75 of the trip cannot be reached in 9 minutes
        ([7.0, 8.0], [50, 45], [50, 75]),
    ],
    ids=["out", "and back", "standing", "turned round", "further on"],
)
def test_on_an_out_and_back_road_the_truck_continues_onward(
    hours: list[float], along_km: list[float], wanted_km: list[float]
) -> None:
    """80 mph are 129 km/h, so that 9 minutes are 19 km at most and an hour reaches all of the road back."""
    route = there_and_back()
    for n in range(1, len(hours) + 1):
        reports = [report(h, 1e3 * km) for h, km in zip(hours[:n], along_km[:n], strict=True)]
        found = seen(*reports, route=route, now_h=hours[n - 1])
        assert found.fix is not None
        assert found.fix.distance_m == pytest.approx(1e3 * wanted_km[n - 1], abs=50.0)


def test_off_road_position_is_not_used_and_distance_is_shown() -> None:
    """0.0434 degrees of latitude are 3.0 miles; 14:05 UTC is 06:05 Pacific, the zone at 116.1 west, 47.5 north."""
    found = seen(report(13.9, 50e3), report(14 + 5 / 60, 80e3, north_deg=0.0434), depart=at_hour(13.0), now_h=14.2)
    assert found.fix is not None
    assert found.fix.distance_m == pytest.approx(50e3, abs=50.0)
    (note,) = found.notes
    assert note.startswith("Truck was seen 3 mi off the route at ")
    assert note.endswith("; this plan holds only if it comes back to it")
    assert "06:05 PST" in note or "07:05 MST" in note


def test_half_a_kilometre_is_the_edge_and_a_return_counts() -> None:
    beside = seen(report(7.0, 50e3, north_deg=0.0044))  # 489 m
    assert beside.fix is not None
    assert abs(beside.fix.offset_m) == pytest.approx(489.0, abs=2.0)
    off = seen(report(7.0, 50e3, north_deg=0.0046))  # 511 m
    assert off.fix is None
    assert off.notes[0].startswith("Truck was seen 0.3 mi off the route")
    assert seen(report(7.0, 50e3, north_deg=0.1), report(7.5, 80e3)).notes == ()


def test_unreachable_place_never_shortens_the_way() -> None:
    """80 mph are 35.8 m/s: from km 50 to km 190 in 15 minutes would be 348 mph."""
    found = seen(report(7.0, 50e3), report(7.25, 190e3))
    assert found.fix is not None
    assert found.fix.distance_m == pytest.approx(50e3, abs=50.0)
    assert found.notes[0].startswith("Truck was reported 118 mi on the way at ")
    assert "further than it can have come: not counted with" in found.notes[0]
    first = seen(report(6.1, 290e3), route=make_route(300e3), now_h=6.2)  # nor before any other report
    assert first.fix is None
    assert first.notes


def test_truck_nearer_the_start_than_reported_has_more_road() -> None:
    found = seen(report(7.0, 100e3), report(7.2, 20e3))
    assert found.fix is not None
    assert found.fix.distance_m == pytest.approx(20e3, abs=50.0)


def test_before_departure_only_a_truck_on_its_way_counts() -> None:
    away = seen(report(5.0, 0.0, north_deg=0.5), report(5.5, 100.0), now_h=5.6)
    assert (away.fix, away.notes, away.depart_at) == (None, (), DEPART)
    early = seen(report(5.5, 100.0), report(5.8, 15e3), now_h=5.9)
    assert early.fix is not None
    assert early.fix.at == at_hour(5.8)


def test_truck_seen_at_its_start_after_departure_leaves_then() -> None:
    waiting = seen(report(6.5, 0.0), report(7.25, 200.0), now_h=7.3)
    assert waiting.depart_at == at_hour(7.25)
    gone = seen(report(7.25, 200.0), report(7.5, 15e3), now_h=7.6)
    assert gone.depart_at == at_hour(7.25)
    assert gone.fix is not None
    assert gone.fix.at == at_hour(7.5)


def test_a_last_place_is_kept_however_old_it_is() -> None:
    held = seen(report(6.5, 100.0), report(7.0, 50e3), now_h=9.0)
    assert held.fix is not None
    assert not held.fix.old
    for now_h in (9.01, 30.0):
        old = seen(report(6.5, 100.0), report(7.0, 50e3), now_h=now_h)
        assert old.fix == replace(held.fix, old=True)
        assert old.depart_at == held.depart_at
        (note,) = old.notes
        assert note.startswith(f"Truck was last seen {now_h - 7.0:.0f} h ago, at ")
        assert "31 mi on the way: planned from there as if it went on now" in note


def test_an_arrival_is_final_whatever_the_truck_does_then() -> None:
    """Within a mile of the end (assumed), on its way: not one that waits there since an earlier trip."""
    there = seen(report(7.0, 100e3), report(8.0, 199e3), now_h=8.1)
    assert there.arrived_at == at_hour(8.0)
    later = seen(
        report(7.0, 100e3), report(8.0, 199e3), report(9.0, 150e3), report(10.0, 50e3, north_deg=0.5), now_h=20.0
    )
    assert (later.arrived_at, later.fix, later.notes) == (at_hour(8.0), there.fix, ())
    kept = TruckReport(at=at_hour(8.0), what=Report.ARRIVED_SEEN)
    assert seen(kept, report(9.0, 150e3), now_h=20.0).arrived_at == at_hour(8.0)
    assert seen(report(5.9, 199e3), now_h=6.2).arrived_at is None


def test_a_reported_arrival_counts_unless_positions_contradict() -> None:
    result = TruckReport(at=at_hour(8.0), what=Report.ARRIVED)
    assert seen(result, now_h=9.0).arrived_at == at_hour(8.0)
    assert seen(report(7.0, 150e3), result, now_h=9.0).arrived_at == at_hour(8.0)
    assert seen(result, report(9.0, 150e3), report(9.5, 100e3), now_h=10.0).arrived_at == at_hour(8.0)
    for wrong in (
        [report(7.9, 50e3)],  # 93 miles in six minutes
        [report(8.05, 120e3)],
        [report(9.0, 60e3), report(9.5, 90e3)],
    ):
        found = seen(result, *wrong, now_h=10.0)
        assert found.arrived_at is None
        assert any(n.startswith("Arrival was reported, but the truck was seen ") for n in found.notes)


ON, OFF = Report.CHAINS_ON, Report.CHAINS_OFF


@pytest.mark.parametrize(
    ("taps", "since_h"),
    [
        ([(7.0, ON)], 7.0),
        ([(7.0, ON), (7.5, ON)], 7.0),  # repeated
        ([(7.5, OFF), (7.0, ON)], None),  # off came first, on late
        ([(7.0, ON), (7.5, OFF), (8.0, ON)], 8.0),
        ([(7.0, ON), (7.0, OFF)], None),  # both at once: "off" silences nothing
        ([(7.0, OFF), (7.0, ON)], None),
        ([(9.5, ON)], None),  # in the future
        ([(-30.0, ON)], None),  # of another day
        ([], None),
    ],
)
def test_the_newest_report_says_whether_chains_are_on(taps: list[tuple[float, Report]], since_h: float | None) -> None:
    found = chains_on([TruckReport(at=at_hour(h), what=what) for h, what in taps], at_hour(9))
    assert (None if found is None else found.since) == (None if since_h is None else at_hour(since_h))


def test_chains_on_a_truck_that_runs_a_mile_a_minute_are_doubted() -> None:
    """Chained trucks keep to 25 to 30 mph (common practice); 60 mph for a quarter of an hour are 15 miles."""
    on = TruckReport(at=at_hour(7.0), what=ON)
    slow = seen(on, report(7.0, 50e3), report(7.25, 60e3), now_h=7.3)  # 25 mph
    assert slow.chains is not None
    assert slow.chains.doubt == ""
    fast = seen(on, report(7.0, 50e3), report(7.25, 74e3), now_h=7.3)
    assert fast.chains is not None
    assert "report them off" in fast.chains.doubt
    assert fast.notes == (fast.chains.doubt,)
    before = seen(on, report(6.7, 25e3), report(7.0, 52e3), now_h=7.3)
    assert before.chains is not None
    assert before.chains.doubt == ""


def test_chains_were_hung_at_the_last_place_by_that_time() -> None:
    def hung_m(*reports: PositionReport | TruckReport) -> float | None:
        chains = seen(*reports, now_h=8.5).chains
        assert chains is not None
        return chains.hung_m

    on = TruckReport(at=at_hour(7.5), what=ON)
    assert hung_m(on, report(7.0, 30e3), report(8.0, 50e3)) == pytest.approx(30e3, abs=100.0)
    assert hung_m(on, report(7.0, 30e3), TruckReport(at=at_hour(8.0), what=ON)) == pytest.approx(30e3, abs=100.0)
    assert hung_m(replace(on, place_m=40e3), report(7.0, 30e3)) == 40e3
    assert hung_m(on, report(8.0, 50e3)) is None
    assert hung_m(replace(on, at=at_hour(5.0)), report(8.0, 50e3)) == 0.0


def test_a_truck_that_stays_within_100_m_for_ten_minutes_stands() -> None:
    found = seen(report(6.8, 40e3), report(7.0, 50e3), report(7.1, 50.05e3), report(7.5, 50.02e3), report(7.6, 55e3))
    (stood,) = found.stood
    assert (stood.began_at, stood.ended_at) == (at_hour(7.0), at_hour(7.5))
    assert stood.distance_m == pytest.approx(50e3, abs=20.0)
    assert seen(report(7.0, 50e3), report(7.1, 50e3), report(7.2, 55e3)).stood == ()


@given(st.lists(st.tuples(st.floats(4.0, 12.0), st.floats(-5e3, 205e3), st.floats(-0.01, 0.01)), max_size=12))
def test_any_report_puts_no_truck_further_than_it_can_drive(
    given_reports: list[tuple[float, float, float]],
) -> None:
    """At most two hours early and at 80 mph (both assumed), give or take half a kilometre a report."""
    found = seen(*(report(h, m, north_deg=n) for h, m, n in given_reports), now_h=12.0)
    if found.fix is not None:
        driven_s = (found.fix.at - at_hour(4.0)).total_seconds()
        assert found.fix.distance_m <= 500.0 * (1 + len(given_reports)) + PARAMS.fix_fastest_mps * driven_s
        assert abs(found.fix.offset_m) <= PARAMS.fix_off_route_m
        assert to_miles(found.fix.distance_m) <= to_miles(200e3) + 1e-9

"""Where chains go on and come off: by hand, and against every way there is."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.chain_up.chain_set import ChainSet
from alertd.plan.chain_up.departure_view import DepartureViews
from alertd.plan.chain_up.priced_view import INFEASIBLE_S, UNCHAINED_S_PER_M, WORN_OUT_S
from alertd.plan.chain_up.road_view import ChainStretch, DepartureView
from alertd.plan.chain_up.search import (
    ChainedSpan,
    ChainPlan,
    ChainSearch,
    cheapest_plan,
)
from alertd.plan.chain_up.stop_candidates import stop_candidates
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.route.stops import RouteStop, StopKind
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams()


def walk_on(
    route: Route,
    script: Any,
    depart_h: float = 6.0,
    params: PlanParams = PARAMS,
    search: bool = False,
    **choices: Any,
) -> ChainSearch:
    """The choices of a trip over this road, chained for where at least half the members have to."""
    weather = make_weather(route, script, members=10)
    rules = {"US-XX": make_rules(chance=1.0)}
    hourly_need = hourly_need_for(route, make_rig(), rules, weather.corridor, params, at_hour(0).timestamp())
    departs = at_hour(depart_h).timestamp()
    places = (
        places_with_search(hourly_need, departs, params) if search else stop_candidates(hourly_need.sections, params)
    )
    views = DepartureViews(hourly_need=hourly_need, depart_epoch_s=departs, params=params, places=places)
    return ChainSearch(
        places_m=views.places.at_m,
        dry_s=views.dry_s,
        view=views.view,
        params=params,
        required_odds=params.chain_probability,
        **choices,
    )


def snow_at(*spans_m: tuple[float, float]) -> Any:
    def script(_: Any, d: Any, h: Any) -> Any:
        white = np.logical_or.reduce([(d >= a) & (d <= b) for a, b in spans_m])
        return np.where(white, RoadClass.SNOW, RoadClass.DRY) + 0 * h

    return script


def best(search: ChainSearch) -> ChainPlan:
    chain_plan = cheapest_plan(search)
    assert chain_plan is not None
    return chain_plan


def ids(route: Route, chain_plan: ChainPlan) -> list[tuple[str, str]]:
    names = ["start", *(s.stop.id for s in route.stops), "end"]
    return [(names[x.on], names[x.off]) for x in chain_plan.spans]


def stops_of(route: Route, *snow_m: tuple[float, float], **choices: Any) -> list[tuple[str, str]]:
    return ids(route, best(walk_on(route, snow_at(*snow_m), **choices)))


def test_chains_go_on_at_last_stop_before_and_off_at_first_after() -> None:
    route = make_route(stops=[make_stop(n, m) for n, m in (("a", 5e3), ("b", 15e3), ("c", 25e3), ("d", 45e3))])
    assert stops_of(route, (20e3, 40e3)) == [("b", "d")]


def test_the_price_of_a_way_is_the_sum_by_hand() -> None:
    """Hang 4 chains 40 min, take off 20; 10 km of bare road at 20 mph, 20 km of snow at 25 mph, 30 km at 62 mph; and

    30 s of wear for each of the 10 km bare.
    """
    route = make_route(stops=[make_stop("b", 15e3), make_stop("d", 45e3)])
    chain_plan = best(walk_on(route, snow_at((20e3, 40e3))))
    mph = 0.44704
    by_hand = 2400 + 1200 + 10e3 / (20 * mph) + 20e3 / (25 * mph) + 30e3 / (62 * mph) + 0.03 * 10e3
    assert chain_plan.cost_s == pytest.approx(by_hand, rel=0.01)


@pytest.mark.parametrize(
    "poor",
    [
        {"kind": StopKind.TURNOUT, "spaces": 2},
        {"kind": StopKind.TURNOUT, "spaces": None},
        {"kind": StopKind.TRUCK_STOP, "spaces": 0},
    ],
)
def test_cramped_place_is_skipped_when_another_is_near_enough(poor: dict[str, Any]) -> None:
    stops = [
        make_stop("a", 5e3),
        make_stop("poor", 15e3, **poor),
        make_stop("poor2", 42e3, **poor),
        make_stop("d", 5e4),
    ]
    assert stops_of(make_route(stops=stops), (20e3, 40e3)) == [("a", "d")]


def test_cramped_place_beats_an_hour_chained_on_bare_road() -> None:
    """30 km at 20 instead of 62 mph loses 38 min and wears 15 min off the chains; the cramped place is worth 30."""
    stops = [make_stop("far", 5e3), make_stop("poor", 35e3, kind=StopKind.TURNOUT), make_stop("d", 6e4)]
    assert stops_of(make_route(80e3, stops=stops), (38e3, 55e3)) == [("poor", "d")]


def test_stop_on_a_steep_grade_is_skipped_when_another_exists() -> None:
    d = np.arange(0.0, 60_001.0, 250.0)
    stops = [make_stop("a", 5e3), make_stop("steep", 15e3), make_stop("d", 55e3)]
    route = make_route(grade=np.where((d > 12e3) & (d < 18e3), 0.06, 0.01), stops=stops)
    assert stops_of(route, (20e3, 40e3)) == [("a", "d")]


def test_a_dark_stop_is_passed_over_at_night_only() -> None:
    """Midnight UTC is five in the afternoon at this road in January, and dark; at 20 UTC the sun is up."""
    dark = make_stop("dark", 16e3)
    dark = replace(dark, stop=replace(dark.stop, lit=False))
    lit = make_stop("lit", 14e3)
    route = make_route(stops=[replace(lit, stop=replace(lit.stop, lit=True)), dark, make_stop("d", 45e3)])
    snow = snow_at((20e3, 40e3))
    assert ids(route, best(walk_on(route, snow, depart_h=3.0))) == [("lit", "d")]
    assert ids(route, best(walk_on(route, snow, depart_h=20.0))) == [("dark", "d")]


def test_snow_from_the_start_is_chained_where_the_trip_starts() -> None:
    route = make_route(stops=[make_stop("in", 3e3), make_stop("d", 50e3)])
    assert stops_of(route, (0.0, 40e3)) == [("start", "d")]


def test_snow_to_the_end_keeps_chains_on_to_the_end() -> None:
    route = make_route(stops=[make_stop("a", 5e3), make_stop("in", 50e3)])
    assert stops_of(route, (20e3, 60e3)) == [("a", "end")]


def test_without_any_stop_the_trip_ends_are_named() -> None:
    assert stops_of(make_route(120e3), (90e3, 100e3)) == [("start", "end")]


def test_the_only_stop_close_to_the_snow_beats_one_inside_it() -> None:
    """A place 200 m short of the snow is nearer than we like, and still better than one in it."""
    route = make_route(120e3, stops=[make_stop("edge", 79.8e3), make_stop("inside", 85e3), make_stop("d", 105e3)])
    assert stops_of(route, (80e3, 100e3)) == [("edge", "d")]


def test_stop_inside_the_snow_is_used_only_without_one_before() -> None:
    """Chains do not bear 80 km of bare road from the trip's start."""
    route = make_route(120e3, stops=[make_stop("inside", 85e3), make_stop("d", 105e3)])
    assert stops_of(route, (80e3, 100e3)) == [("inside", "d")]


def test_stretches_with_no_stop_between_share_one_hanging() -> None:
    route = make_route(stops=[make_stop("a", 5e3), make_stop("d", 55e3)])
    assert stops_of(route, (10e3, 15e3), (40e3, 50e3)) == [("a", "d")]


def test_short_bare_gap_is_driven_chained_when_change_costs_more() -> None:
    """8 km at 20 instead of 62 mph loses 10 min and wears 4; taking off and hanging again takes 60."""
    stops = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 21e3), ("c", 29e3), ("d", 55e3))]
    assert stops_of(make_route(stops=stops), (10e3, 20e3), (30e3, 50e3)) == [("a", "d")]


def test_chains_come_off_over_a_gap_longer_than_they_bear() -> None:
    stops = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 21e3), ("c", 38e3), ("d", 55e3))]
    params = replace(PARAMS, hang_min_s=2e4)
    assert stops_of(make_route(stops=stops), (10e3, 20e3), (40e3, 50e3), params=params) == [("a", "b"), ("c", "d")]


def test_chains_stay_on_for_a_stretch_that_may_need_them() -> None:
    """Three in ten at km 32 to 36, 2 km behind road that certainly needs them: to keep chains on 10 km longer costs

    ten minutes and a bit; to be caught without them, 0.3 * 120 min. Twenty km on, it is not worth it.
    """

    def script(at_m: float) -> Any:
        def classes(m: Any, d: Any, h: Any) -> Any:
            sure, maybe = (d >= 10e3) & (d <= 25e3), (d >= at_m) & (d <= at_m + 4e3) & (m < 3)
            return np.where(sure | maybe, RoadClass.SNOW, RoadClass.DRY) + 0 * h

        return classes

    stops = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 27e3), ("c", 40e3), ("d", 75e3))]
    route = make_route(90e3, stops=stops)
    assert ids(route, best(walk_on(route, script(32e3)))) == [("a", "c")]
    assert ids(route, best(walk_on(route, script(60e3)))) == [("a", "b")]


def test_a_delay_moves_the_road_behind_it() -> None:
    """Snow from the ninth hour on at km 160: chained at km 10 the truck is there at 9.3 h, else at 8.0."""
    stops = [make_stop(n, m) for n, m in (("a", 10e3), ("b", 45e3), ("c", 150e3), ("d", 190e3))]
    route = make_route(200e3, stops=stops)

    def script(first: bool) -> Any:
        return lambda _, d, h: np.where(
            (first & (d >= 20e3) & (d <= 40e3)) | ((d >= 160e3) & (d <= 180e3) & (h >= 9)),
            RoadClass.SNOW,
            RoadClass.DRY,
        )

    assert ids(route, best(walk_on(route, script(first=True)))) == [("a", "b"), ("c", "d")]
    assert ids(route, best(walk_on(route, script(first=False)))) == []


def test_the_next_best_place_costs_what_it_is_said_to() -> None:
    """Without the stop at km 15 chains go on at km 5: 10 km more at 20 instead of 62 mph, and their wear."""
    route = make_route(stops=[make_stop("a", 5e3), make_stop("b", 15e3), make_stop("d", 45e3)])
    search = walk_on(route, snow_at((20e3, 40e3)))
    chain_plan = best(search)
    other = best(replace(search, excluded_stops=frozenset({chain_plan.spans[0].on})))
    assert ids(route, other) == [("a", "d")]
    mph = 0.44704
    assert other.cost_s - chain_plan.cost_s == pytest.approx(10e3 * (1 / (20 * mph) - 1 / (62 * mph) + 0.03), rel=0.01)


def every_way(search: ChainSearch) -> float:
    """The least cost over every way there is, each walked to its end: this test's own reading of the rules."""
    final = search.places_m.size - 1

    def scene_at(place: int, minute: int) -> DepartureView:
        late_s = minute * 60.0 - search.view(0).reach_s[place]
        return search.view(max(round(late_s / 900.0), 0))

    def least(i: int, minute: int, removed: bool = False) -> float:
        if i == final:
            return 0.0
        now = scene_at(i, minute)
        run_s = float(now.reach_s[i + 1] - now.reach_s[i])
        minutes = round(now.reach_s[i + 1] / 60) - round(now.reach_s[i] / 60)
        found = [run_s + unchained_price(search, now, i) + least(i + 1, minute + minutes)]
        for j in range(i + 1, final + 1) if not removed else ():  # never off and on again at one place
            chains = chains_to(search, now, i, j)
            if chains is not None:
                hang_s = max(1800.0, 600.0 * (chains.hanging.singles_used + chains.hanging.singles_short))
                then = scene_at(i, minute + round(hang_s / 60))
                reach = then.chained_s(chains.speed_limit_mps)
                takes_s = hang_s + float(reach[j] - reach[i]) + search.params.remove_s
                price = chained_price(search, now, then, i, j)
                found.append(takes_s + price + least(j, minute + round(takes_s / 60), removed=True))
        return min(found)

    return least(0, 0)


# By hand: 30 min, and 15 of 100 times 2 h and a fifth of a fine of USD 579 at 90.78 an hour.
SIGN_S = 1800 + 0.15 * (7200 + 0.2 * 579 / 90.78 * 3600)
SLIP_S = 2700 + 0.015 * (14400 + 5000 / 90.78 * 3600)


def asked(search: ChainSearch, x: ChainStretch) -> bool:
    """Chains are planned: by the odds, or because hanging 40 min, 20 off and 20 slow miles of 1280 s cost less."""
    ahead_s = 2400 + 1200 + 20 * 3600 * (1 / 25 - 1 / 45)
    loss_s = max(x.probability * (ahead_s + SIGN_S), x.slip_probability * (ahead_s + SLIP_S))
    return x.probability >= search.required_odds or loss_s >= ahead_s


def unchained_price(search: ChainSearch, view: DepartureView, i: int) -> float:
    (a, b), cost = search.places_m[i : i + 2], 0.0
    for x in view.stretches:
        over = max(min(b, x.end_m) - max(a, x.start_m), 0.0)
        if asked(search, x):
            cost += UNCHAINED_S_PER_M * over + (INFEASIBLE_S if over > 0 and b >= x.end_m else 0)
        else:
            # Ten members that need chains for certain or not at all, with a rig that slips in none or in all of these.
            by_sign, by_slip = x.probability * (4880 + SIGN_S), x.slip_probability * (4880 + SLIP_S)
            cost += max(by_sign, by_slip) * over / (x.end_m - x.start_m)
    return cost


def chains_to(search: ChainSearch, view: DepartureView, i: int, j: int) -> ChainSet | None:
    """The chains to hang at i when they come off at j; None where that is no choice."""
    a, b, final = search.places_m[i], search.places_m[j], search.places_m.size - 1
    done = [n for n, x in enumerate(view.stretches) if x.end_m > a and (x.end_m <= b or j == final)]
    if may_wait(search, view, i):
        return None
    in_snow = j != final and any(x.start_m < b < x.end_m for x in view.stretches)
    if in_snow or not any(asked(search, view.stretches[n]) for n in done):
        return None
    return view.chains(done[0], done[-1])


def may_wait(search: ChainSearch, view: DepartureView, i: int) -> bool:
    """Ahead is road that only may need chains, and past it a place no worse than one to look for."""
    a, final = search.places_m[i], search.places_m.size - 1
    ahead = [x for x in view.stretches if x.end_m > a]
    must = next((n for n, x in enumerate(ahead) if asked(search, x)), 0)
    fair = max(hang_price(search, view, i), search.params.unlisted_s)
    return must > 0 and any(
        ahead[must - 1].end_m <= search.places_m[k] <= ahead[must].start_m and hang_price(search, view, k) <= fair
        for k in range(i + 1, final)
    )


def hang_price(search: ChainSearch, view: DepartureView, i: int) -> float:
    p, a = search.params, search.places_m[i]
    edge = i > 0 and any(0 <= x.start_m - a < p.stop_clearance_m for x in view.stretches)
    return float(view.price_s[i]) + p.edge_s * edge


def chained_price(search: ChainSearch, now: DepartureView, then: DepartureView, i: int, j: int) -> float:
    p, a, b, final = search.params, search.places_m[i], search.places_m[j], search.places_m.size - 1
    cost = p.wear_s_per_m * float(then.bare_m[j] - then.bare_m[i]) + float(now.price_s[i] + then.price_s[j])
    cost += p.edge_s * (i > 0 and any(0 <= x.start_m - a < p.stop_clearance_m for x in now.stretches))
    cost += p.edge_s * (j < final and any(0 <= b - x.end_m < p.stop_clearance_m for x in then.stretches))
    on = [x for x in then.stretches if x.end_m >= a and x.start_m <= b]
    from_m, to_m = then.bare_m[i], then.bare_m[j]
    bare = [(from_m, on[0].bare_from_m, 40e3), (on[-1].bare_to_m, to_m, 40e3)] if on else [(0, 1, 0)]
    bare += [(on[n].bare_to_m, on[n + 1].bare_from_m, 16e3) for n in range(len(on) - 1)]
    return cost + WORN_OUT_S * sum(end - start > bears for start, end, bears in bare)


@st.composite
def roads(draw: st.DrawFn, *, moving: bool) -> tuple[Route, Any]:
    """Up to six stops good and bad, up to four stretches of snow in some of the members, that come and go by hours."""
    length_km = draw(st.integers(20, 150))
    kinds = st.sampled_from(list(StopKind))
    stops = [
        make_stop(str(i), at_km * 1000.0, kind=draw(kinds), spaces=draw(st.sampled_from([None, 0, 2, 3, 40])))
        for i, at_km in enumerate(draw(st.lists(st.floats(0.1, length_km - 0.1), max_size=6)))
    ]
    edges = sorted(draw(st.lists(st.integers(0, length_km), min_size=2, max_size=8, unique=True)))
    snow = []
    for a, b in zip(edges[::2], edges[1::2], strict=False):
        members = draw(st.sampled_from([2, 4, 5, 7, 10]))
        first_h, last_h = sorted(draw(st.tuples(st.integers(6, 12), st.integers(6, 12)))) if moving else (0, 99)
        snow.append((a * 1000.0, b * 1000.0, members, first_h, last_h))
    d = np.arange(0.0, length_km * 1000.0 + 125.0, 250.0)
    grade = np.full(d.shape, 0.01)
    for km in draw(st.lists(st.integers(0, length_km), max_size=3)):
        grade[(d >= km * 1000.0) & (d <= km * 1000.0 + 3000.0)] = -0.05

    def script(m: Any, d: Any, h: Any) -> Any:
        white = [(d >= a) & (d <= b) & (m < n) & (h >= f) & (h <= t) for a, b, n, f, t in snow]
        return np.where(np.logical_or.reduce(white), RoadClass.SNOW, RoadClass.DRY)

    return make_route(length_km * 1000.0, grade=grade, stops=stops), script


@given(roads(moving=True))
def test_best_way_is_the_least_of_all_while_the_road_changes(case: tuple[Route, Any]) -> None:
    search = walk_on(*case, prune_dominated=False)
    assert best(search).cost_s == pytest.approx(every_way(search), rel=1e-9)


@given(roads(moving=False))
def test_skipped_ways_are_never_better_while_the_road_stays(case: tuple[Route, Any]) -> None:
    assert best(walk_on(*case)).cost_s == pytest.approx(every_way(walk_on(*case)), rel=1e-3, abs=60.0)


def good(stop: RouteStop, route: Route, search: ChainSearch) -> bool:
    """The oracle's own reading: room for a combination, level enough, and off the snow."""
    room = stop.stop.spaces is None and stop.stop.kind is not StopKind.TURNOUT
    room = room or (stop.stop.spaces is not None and stop.stop.spaces >= 3)
    level = abs(float(np.interp(stop.distance_m, route.distance_m, route.grade))) <= 0.035
    return room and level and not any(x.start_m <= stop.distance_m <= x.end_m for x in search.view(0).stretches)


@given(roads(moving=False))
def test_chains_are_on_wherever_needed_if_any_stop_allows_it(case: tuple[Route, Any]) -> None:
    route, _ = case
    search = walk_on(*case)
    chain_plan, places = best(search), search.places_m
    for x in search.view(0).stretches:
        over = [s for s in chain_plan.spans if places[s.on] < x.end_m and places[s.off] >= x.end_m]
        assert len(over) == (1 if over or search.is_required(x) else 0)
        before = [s for s in route.stops if s.distance_m <= x.start_m and x.start_m - s.distance_m < 40e3]
        if search.is_required(x) and any(good(s, route, search) for s in before):
            assert places[over[0].on] <= x.start_m
    for s in chain_plan.spans:
        assert _is_in_order(s, chain_plan)


def _is_in_order(span: ChainedSpan, chain_plan: ChainPlan) -> bool:
    return span.on < span.off and all(x is span or x.off <= span.on or x.on >= span.off for x in chain_plan.spans)


@given(st.integers(40, 120), st.integers(20, 80), st.integers(10, 40), st.integers(0, 2), st.booleans())
def test_places_to_look_for_are_chosen_among_as_any_other(
    length_km: int, from_km: int, snow_km: int, stops_n: int, moving: bool
) -> None:
    """Few candidates, so that every way can be walked; snow in all members, from hour 7 on where it moves."""
    stops = [make_stop(str(i), (i + 1) * length_km * 300.0) for i in range(stops_n)]
    route = make_route(length_km * 1000.0, stops=stops)
    a, b = from_km * 1000.0, (from_km + snow_km) * 1000.0

    def script(_: Any, d: Any, h: Any) -> Any:
        return np.where((d >= a) & (d <= b) & (h >= 7 * moving), RoadClass.SNOW, RoadClass.DRY)

    params = replace(PARAMS, search_spacing_m=12e3)
    search = walk_on(route, script, params=params, prune_dominated=not moving, search=True)
    assert best(search).cost_s == pytest.approx(every_way(search), rel=1e-3, abs=60.0)

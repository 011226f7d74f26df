"""The search for rests against every combination of stands, judged by the law's own arithmetic on spells."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np
import pytest

from alertd.plan.days.day_law import day_law, state_of
from alertd.plan.days.labels import STEP_MIN, Dwell, RoadTable, Stand, Window
from alertd.plan.days.naive import best_plan, naive_plan
from alertd.plan.days.search import RestSearch
from alertd.plan.days.stand_rules import BREAK_PRICE, REST_PRICE, SHORT_PRICE, SPLIT_PRICE
from alertd.plan.hours.laws import EU, US, Duty, HoursRules
from alertd.plan.hours.legal import violations
from alertd.plan.hours.limits import HoursUsed, Spell

START = datetime(2027, 1, 14, 6, 0, tzinfo=UTC)
FRESH = HoursUsed(drive_h=0.0, on_duty_since=START, cycle_h=0.0, since_break_h=0.0, week_drive_h=0.0, short_rests=1)


def table(rng: np.random.Generator, places: int, *, edge_min: tuple[int, int], hours: int = 120) -> RoadTable:
    """A road with a storm on some of its edges for some hours: slower, and with a price."""
    departs = np.arange(0, 60 * hours, STEP_MIN)
    base = rng.integers(*edge_min, size=places - 1)[:, None]
    begins, lasts = rng.integers(0, 2_400, size=(places - 1, 1)), rng.integers(120, 900, size=(places - 1, 1))
    stormy = (rng.random((places - 1, 1)) < 0.4) & (departs >= begins) & (departs < begins + lasts)
    zeros = np.zeros((places, departs.size), dtype=np.int64)
    return RoadTable(
        drive=np.where(stormy, base * 5 // 4, base).astype(np.int64),
        work=np.zeros((places - 1, departs.size), dtype=np.int64),
        price=(180 * stormy).astype(np.int64),
        rest_price=zeros + rng.integers(0, 30, size=(places, 1)),
        break_price=zeros,
        can_rest=np.ones(places, dtype=np.bool_),
        changes=np.ones(places, dtype=np.bool_),
    )


def search_of(
    road: RoadTable, law: HoursRules, *, exact: bool, used: HoursUsed = FRESH, **changes: object
) -> RestSearch:
    return RestSearch(
        table=road,
        law=day_law((law,), used),
        state=state_of(used, law, START),
        exact=exact,
        **changes,  # type: ignore[arg-type]
    )


Choice = tuple[Stand, int]


def brute_force(road: RoadTable, law: HoursRules, options: tuple[Choice, ...], used: HoursUsed = FRESH) -> float:
    """The least cost of all combinations of stands that the law allows."""
    best = np.inf
    for stands in product(options, repeat=road.places - 2):
        at, price, spells, pending = 0, 0, [], 0
        for place in range(road.places - 1):
            stand, takes = (Stand.NONE, 0) if place == 0 else stands[place - 1]
            column = min(at // STEP_MIN, road.drive.shape[1] - 1)
            if stand is Stand.SPLIT_FIRST:
                if pending and takes != pending:
                    break
                price += (REST_PRICE if pending else SPLIT_PRICE) + int(road.rest_price[place, column])
                pending = 0 if pending else 600 - takes
            elif stand in (Stand.REST, Stand.SHORT_REST, Stand.RESTART, Stand.WEEK, Stand.SHORT_WEEK):
                price += REST_PRICE + SHORT_PRICE * (stand is Stand.SHORT_REST) + int(road.rest_price[place, column])
                pending = 0
            elif stand in (Stand.BREAK, Stand.BREAK_FIRST, Stand.BREAK_SECOND):
                price += BREAK_PRICE
            at_m = 1_000.0 * place
            if takes:
                spells.append(_spell(Duty.OFF, at, takes, at_m, at_m))
                at += takes
            if (dwell := road.dwells.get(place)) is not None:
                takes = max(dwell.opens - at, 0) + dwell.service
                price += round(dwell.late_price * max(at - dwell.closes, 0))
                spells.append(_spell(Duty.ON_DUTY, at, takes, at_m, at_m))
                at += takes
                continue
            column = min(at // STEP_MIN, road.drive.shape[1] - 1)
            drive = int(road.drive[place, column])
            spells.append(_spell(Duty.DRIVING, at, drive, at_m, at_m + 1_000.0))
            at, price = at + drive, price + int(road.price[place, column])
        else:
            if at + price < best and not violations(spells, used, law, START):
                best = float(at + price)
    return best


def _spell(duty: Duty, at: int, takes: int, start_m: float, end_m: float) -> Spell:
    return Spell(duty=duty, start_s=60.0 * at, end_s=60.0 * (at + takes), start_m=start_m, end_m=end_m)


US_OPTIONS = (
    (Stand.NONE, 0), (Stand.BREAK, 30), (Stand.REST, 600), (Stand.REST, 840), (Stand.SPLIT_FIRST, 420),
    (Stand.SPLIT_FIRST, 180),
)  # fmt: skip
EU_OPTIONS = ((Stand.NONE, 0), (Stand.BREAK, 45), (Stand.REST, 660), (Stand.REST, 900), (Stand.SHORT_REST, 540))


@pytest.mark.parametrize("seed", range(6))
def test_search_equals_brute_force_in_the_us(seed: int) -> None:
    road = table(np.random.default_rng(seed), 6, edge_min=(150, 330))
    found = search_of(road, US, exact=True, waits=(0, 240), break_waits=(0,)).best()
    expected = brute_force(road, US, US_OPTIONS)
    assert found is not None or expected == np.inf
    assert found is None or found.cost == expected


@pytest.mark.parametrize("seed", range(4))
def test_search_equals_brute_force_in_the_eu(seed: int) -> None:
    road = table(np.random.default_rng(100 + seed), 6, edge_min=(120, 250))
    found = search_of(road, EU, exact=True, waits=(0, 240), break_waits=(0,)).best()
    # A short rest may also be longer: the search has it with the same waits.
    expected = brute_force(road, EU, (*EU_OPTIONS, (Stand.SHORT_REST, 600 + 180)))
    assert found is not None
    assert found.cost == expected


SPLIT_OPTIONS = (
    (Stand.NONE, 0), (Stand.REST, 600), (Stand.SPLIT_FIRST, 420), (Stand.SPLIT_FIRST, 180), (Stand.SPLIT_FIRST, 480),
    (Stand.SPLIT_FIRST, 120),
)  # fmt: skip


@pytest.mark.parametrize("seed", range(3))
def test_search_equals_brute_force_with_sleeper_in_7_3_and_8_2(seed: int) -> None:
    road = table(np.random.default_rng(300 + seed), 5, edge_min=(200, 400))
    found = search_of(road, US, exact=True, waits=(0,), break_waits=(0,)).best()
    expected = brute_force(road, US, (*SPLIT_OPTIONS, (Stand.BREAK, 30)))
    assert (np.inf if found is None else found.cost) == expected


@pytest.mark.parametrize(("cycle_h", "limit_h"), [(62.0, 70.0), (53.0, 60.0), (40.0, 70.0)])
def test_search_equals_brute_force_with_a_restart(cycle_h: float, limit_h: float) -> None:
    used = replace(FRESH, cycle_h=cycle_h, cycle_limit_h=limit_h)
    road = table(np.random.default_rng(7), 5, edge_min=(200, 330))
    found = search_of(road, US, exact=True, used=used, waits=(0,), break_waits=(0,), split=False).best()
    options = ((Stand.NONE, 0), (Stand.BREAK, 30), (Stand.REST, 600), (Stand.RESTART, 2_040))
    assert found is not None
    assert found.cost == brute_force(road, US, options, used)
    assert any(x.stand is Stand.RESTART for x in found.stands) == (cycle_h > 50.0)


WEEK_OPTIONS = (
    (Stand.NONE, 0), (Stand.BREAK, 45), (Stand.BREAK_FIRST, 15), (Stand.BREAK_SECOND, 30), (Stand.REST, 660),
    (Stand.SHORT_REST, 540), (Stand.WEEK, 2_700), (Stand.SHORT_WEEK, 1_440),
)  # fmt: skip


@pytest.mark.parametrize(
    ("since_h", "reduced", "long_days", "week_h"),
    [(130.0, False, 0, 0.0), (130.0, None, 2, 0.0), (60.0, True, 0, 0.0), (10.0, None, 1, 45.0)],
)
def test_search_equals_brute_force_over_an_eu_week(
    since_h: float, reduced: bool | None, long_days: int, week_h: float
) -> None:
    used = replace(
        FRESH, long_days=long_days, weekly_rest_ended_at=START - timedelta(hours=since_h), weekly_rest_reduced=reduced,
        week_drive_h=week_h, fortnight_drive_h=week_h + 30.0,
    )  # fmt: skip
    road = table(np.random.default_rng(11), 5, edge_min=(170, 260), hours=160)
    found = search_of(road, EU, exact=True, used=used, waits=(0,), break_waits=(0,)).best()
    expected = brute_force(road, EU, WEEK_OPTIONS, used)
    assert (np.inf if found is None else found.cost) == expected


@pytest.mark.parametrize("law", [US, EU])
@pytest.mark.parametrize(("opens", "closes"), [(0, 300), (420, 500), (900, 1_000)])
def test_search_equals_brute_force_with_a_stop_to_serve(law: HoursRules, opens: int, closes: int) -> None:
    road = table(np.random.default_rng(21), 6, edge_min=(170, 260))
    at_stop = np.arange(5) == 2
    road = replace(
        road, drive=np.where(at_stop[:, None], 0, road.drive), price=np.where(at_stop[:, None], 0, road.price),
        work=np.where(at_stop[:, None], 60, road.work), dwells={2: Dwell(opens=opens, closes=closes, service=60)},
    )  # fmt: skip
    found = search_of(road, law, exact=True, waits=(0,), break_waits=(0,), split=False).best()
    parts = ((Stand.BREAK_FIRST, 15), (Stand.BREAK_SECOND, 30)) if law is EU else ()
    rests = ((Stand.REST, 660), (Stand.SHORT_REST, 540)) if law is EU else ((Stand.REST, 600),)
    options = ((Stand.NONE, 0), (Stand.BREAK, 45 if law is EU else 30), *parts, *rests)
    assert found is not None
    assert found.cost == brute_force(road, law, options)
    (dwell,) = (x for x in found.stands if x.stand is Stand.DWELL)
    assert dwell.begins + dwell.minutes >= opens + 60


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_quick_search_is_within_one_percent(seed: int) -> None:
    road = table(np.random.default_rng(200 + seed), 22, edge_min=(50, 80))
    best = search_of(road, US, exact=True, waits=(0, 240), break_waits=(0,), split=False).best()
    quick = search_of(road, US, exact=False, waits=(0, 240), break_waits=(0,), split=False).best()
    assert best is not None
    assert quick is not None
    assert best.cost <= quick.cost <= 1.01 * best.cost


def test_search_waits_for_a_storm_to_end() -> None:
    road = table(np.random.default_rng(1), 12, edge_min=(90, 91))
    price = np.zeros_like(road.price)
    price[8, : 30 * 60 // STEP_MIN] = 600  # a pass on the second day, bad for 30 h
    stormy = RoadTable(
        drive=np.full_like(road.drive, 90), work=road.work, price=price, rest_price=road.rest_price * 0,
        break_price=road.break_price, can_rest=road.can_rest, changes=road.changes,
    )  # fmt: skip
    found, naive = search_of(stormy, US, exact=False).best(), naive_plan(search_of(stormy, US, exact=False))
    assert found is not None
    assert naive is not None
    assert found.price < naive.price  # the naive driver sleeps when he is full, and meets the storm
    assert found.cost < naive.cost
    assert found.minutes > naive.minutes


def test_naive_driver_stops_when_full() -> None:
    road = table(np.random.default_rng(3), 26, edge_min=(60, 61))
    naive = naive_plan(search_of(road, US, exact=False))
    assert naive is not None
    first, second = naive.stands[:2]
    assert (first.stand, second.stand) == (Stand.BREAK, Stand.REST)  # after 8 h and 11 h on an hour's grid
    assert first.place <= 8
    assert second.place <= 11


def test_late_delivery_is_a_price() -> None:
    road = table(np.random.default_rng(4), 20, edge_min=(60, 61))
    free = search_of(road, US, exact=False).best()
    assert free is not None
    late = search_of(road, US, exact=False, window=Window(closes=free.minutes - 60)).best()
    assert late is not None
    assert late.cost >= free.cost
    assert late.minutes <= free.minutes


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_of_the_naive_driver_loses_nothing(seed: int) -> None:
    road = table(np.random.default_rng(seed), 24, edge_min=(60, 120))
    search = search_of(road, US, exact=False, split=False, waits=(0,), break_waits=(0,))
    free, bounded = search.best(), best_plan(search)
    assert free is not None
    assert bounded is not None
    assert bounded.cost <= free.cost

"""Duties to carry hold on local dates, at both ends of the trip; cautions name what is missing."""

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest

from alertd.plan.describe.provenance import carry_notes, rule_notes
from alertd.plan.road_ahead.chain_need import LawSpan
from alertd.road.road_class import RoadClass
from alertd.route.model import JurisdictionSpan
from alertd.rules.duties import Season
from alertd.testing.factories import make_rig, make_route, make_rules, make_stop, make_weather

WINTER = Season(start=(11, 1), end=(3, 31))
PACIFIC, MOUNTAIN = "America/Los_Angeles", "America/Denver"


def law(season: Season = WINTER, code: str = "US-MT") -> LawSpan:
    return LawSpan(
        span=JurisdictionSpan(code=code, name="", start_m=0.0, end_m=1.0),
        rules=make_rules(code, season=season),
        at=slice(0, 1),
        levels=(),
        zone_spans={},
    )


def asked(depart: datetime, arrive: datetime, *zones: str, season: Season = WINTER) -> bool:
    return bool(carry_notes([law(season)], make_rig(), depart, arrive, zones))


@pytest.mark.parametrize(
    ("depart", "arrive", "bound"),
    [
        (datetime(2026, 10, 31, 15, tzinfo=UTC), datetime(2026, 10, 31, 20, tzinfo=UTC), False),
        (datetime(2026, 11, 1, 15, tzinfo=UTC), datetime(2026, 11, 1, 20, tzinfo=UTC), True),
        # 1 Nov begins at 06:00 UTC in Denver, which is still on daylight time.
        (datetime(2026, 10, 31, 22, tzinfo=UTC), datetime(2026, 11, 1, 5, 59, tzinfo=UTC), False),
        (datetime(2026, 10, 31, 22, tzinfo=UTC), datetime(2026, 11, 1, 6, 0, tzinfo=UTC), True),
        # The last day is held to its end: 31 March ends at 06:00 UTC on 1 April.
        (datetime(2027, 4, 1, 5, 59, tzinfo=UTC), datetime(2027, 4, 1, 9, tzinfo=UTC), True),
        (datetime(2027, 4, 1, 6, 0, tzinfo=UTC), datetime(2027, 4, 1, 9, tzinfo=UTC), False),
    ],
)
def test_a_trip_is_held_to_every_local_day_it_touches(depart: datetime, arrive: datetime, bound: bool) -> None:
    assert asked(depart, arrive, MOUNTAIN) is bound


def test_the_day_may_begin_earlier_across_the_line() -> None:
    """Lookout Pass divides Pacific from Mountain time: 23:30 on 31 Oct in Idaho is 00:30 on 1 Nov in Montana."""
    depart, arrive = datetime(2026, 11, 1, 4, tzinfo=UTC), datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    assert not asked(depart, arrive, PACIFIC)
    assert asked(depart, arrive, PACIFIC, MOUNTAIN)


def test_the_larger_of_two_days_duties_stands() -> None:
    """A season that ends at midnight is not forgotten because the next day asks nothing."""
    depart, arrive = datetime(2027, 4, 1, 4, tzinfo=UTC), datetime(2027, 4, 1, 12, tzinfo=UTC)
    (note,) = carry_notes([law()], make_rig(singles=1), depart, arrive, [MOUNTAIN])
    assert (note.singles_asked, note.singles_short, note.certain) == (4, 3, True)


def test_a_rule_text_past_its_review_is_said_to_be_overdue() -> None:
    assert [r.overdue for r in rule_notes([law()], date(2027, 9, 1))] == [False]
    assert [r.overdue for r in rule_notes([law()], date(2027, 9, 2))] == [True]


def test_rule_text_older_than_last_winter_marks_the_plan(planned: Any) -> None:
    """The made text is of 1 July 2026: last winter's on 30 June 2028, older from 1 July 2028."""
    for day, aged in ((date(2027, 6, 30), False), (date(2028, 7, 1), True)):
        (note,) = rule_notes([law()], day)
        assert ("is of 2026-07-01, older than the last winter season" in note.aged) == aged
    old = replace(make_rules(), text_date=date(2020, 1, 1))
    plan = planned(
        make_route(40e3), make_weather(make_route(40e3), lambda m, d, h: RoadClass.DRY + 0 * d), rules={"US-XX": old}
    )
    (caution,) = [c for c in plan.cautions if "may no longer be the law" in c]
    assert "Land of US-XX's is of 2020-01-01" in caution


def test_times_are_told_in_the_zone_of_the_place(planned: Any) -> None:
    """Eastward over Lookout Pass (-115.695): from Pacific to Mountain time."""
    stops = [make_stop("west", 5e3), make_stop("east", 75e3)]
    route = make_route(80e3, start_lon_deg=-116.2, stops=stops)
    plan = planned(route, make_weather(route, lambda m, d, h: np.where((d > 2e4) & (d < 4e4), RoadClass.SNOW, 0)))
    assert (plan.depart_zone, plan.arrive_zone) == (PACIFIC, MOUNTAIN)

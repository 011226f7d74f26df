"""The first lines of a plan: what is worst on the road, whether to wait, hours, both arrivals. Read at 4 a.m."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.notices.formats.webhook_event import plan_event
from alertd.notices.headline import arrival, headlines
from alertd.notices.model import NoticeKind
from alertd.notices.reports.brief_text import brief_text
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

ROUTE = make_route(120e3, stops=[make_stop("a", 20e3), make_stop("b", 90e3)])
PARAMS = PlanParams(compare_h=0.0)


def plan(surface: RoadClass, to_m: float = 70e3, members: int = 10, chance: float = 0.0, **trip: Any) -> Plan:
    """This surface from km 50 on, in so many of ten members."""
    weather = make_weather(
        ROUTE,
        lambda m, d, h: np.where((d >= 50e3) & (d <= to_m) & (m < members), surface, RoadClass.DRY) + 0 * h,
    )
    asked = TripInput(id="T", depart_at=at_hour(6), **trip)
    laws = {"US-XX": make_rules(chance=chance)}
    return make_plan(PlanRequest(asked, ROUTE, make_rig(), laws, weather, PARAMS, at_hour(2)))


@pytest.mark.parametrize(
    ("surface", "words"),
    [
        (RoadClass.GLAZE, "GLAZE mi 30-44"),
        (RoadClass.ICE, "ICE mi 30-44"),
        (RoadClass.SNOW, "SNOW mi 30-44"),
        (RoadClass.SLUSH, "SLUSH mi 30-44"),
        (RoadClass.RIME, "FROST mi 30-44"),
    ],
)
def test_every_winter_surface_is_a_headline_and_never_clear(surface: RoadClass, words: str) -> None:
    p = plan(surface, members=8)
    assert p.advice is Advice.SLOW
    (line,) = headlines(p)
    assert line.startswith(words.split(",")[0])
    assert "8 in 10: max " in line
    brief = brief_text("Made", [p], [], at_hour(3), "America/Denver")
    assert line.split(",")[0] in brief
    assert "CLEAR" not in brief
    assert plan_event("n", NoticeKind.PLAN, p, at_hour(3))["data"]["headline"] == [line]


def test_frost_is_driven_near_dry_speed_with_a_caution() -> None:
    p = plan(RoadClass.RIME)
    assert "Bridges and shade first; chains do not help." in headlines(p)[0]
    assert 0.0 < p.cost_s < 20e3 / 27.7 * 0.15  # at 0.9 of 62 mph: a ninth more time on 20 km


def test_frost_with_ice_beside_it_does_not_deny_chains() -> None:
    """Chains bite on ice and snow, not on frost (common practice, no source)."""
    p = plan(RoadClass.RIME)
    (run,) = p.surfaces
    mixed = replace(p, surfaces=(replace(run, surfaces=(("rime", 0.55), ("ice", 0.19), ("snow", 0.03))),))
    (line,) = headlines(mixed)
    assert line.startswith("FROST mi 30-44")
    assert line.endswith("Bridges and shade first; chains help on ice 2 in 10, not on frost.")


def test_the_place_to_chain_comes_before_likelier_snow_without() -> None:
    p = plan(RoadClass.SNOW, chance=1.0)
    assert p.stretches[0].advice is Advice.CHAIN
    (near,) = plan(RoadClass.SNOW, members=8).surfaces
    less = replace(p.stretches[0], surfaces=(("snow", 0.6),))
    likelier = [replace(near, start_m=m, end_m=m + 20e3, surfaces=(("snow", 0.9),)) for m in (75e3, 98e3)]
    both = replace(p, stretches=(less,), surfaces=tuple(likelier))
    lines = headlines(both)
    assert len(lines) == 2
    assert lines[0].endswith("Plan to chain.")
    later = replace(less, start_m=96e3, end_m=100e3)
    ice = replace(near, start_m=101e3, end_m=119e3, surfaces=(("ice", 0.3), ("snow", 0.5)), icy=True)
    lines = headlines(replace(both, stretches=(less, later), surfaces=(*likelier, ice)))
    assert [line.split()[0] for line in lines] == ["SNOW", "ICE"]  # ice before a second order to chain


def test_a_stretch_is_named_by_what_chains_bite_on() -> None:
    p = plan(RoadClass.SNOW, members=4, chance=1.0)
    mixed = replace(p.stretches[0], surfaces=(("rime", 0.5), ("snow", 0.3), ("dry", 0.2)))
    (line,) = headlines(replace(p, stretches=(mixed,)))
    assert line.startswith("SNOW mi ")
    assert ", 3 in 10: max " in line


@pytest.mark.parametrize(("probability", "icy", "shown"), [(0.2, False, False), (0.4, False, True), (0.2, True, True)])
def test_unlikely_snow_adds_no_line_to_a_chain_plan(probability: float, icy: bool, shown: bool) -> None:
    p = plan(RoadClass.SNOW, chance=1.0)
    (run,) = plan(RoadClass.SNOW, members=8).surfaces
    other = replace(run, start_m=90e3, end_m=110e3, probability=probability, icy=icy)
    assert len(headlines(replace(p, surfaces=(other,)))) == 1 + shown
    assert len(headlines(replace(p, stretches=(), surfaces=(other,)))) == 1  # alone it is always named


def test_a_speed_for_unlikely_snow_holds_only_on_it() -> None:
    assert "3 in 10: max 31 mph on it." in headlines(plan(RoadClass.SNOW, members=3))[0]
    assert "8 in 10: max 31 mph. " in headlines(plan(RoadClass.SNOW, members=8))[0]


def test_winter_road_on_little_of_a_run_is_in_places() -> None:
    """A speed for the whole run would contradict the arrival, which counts the surface only where it is met."""
    p = plan(RoadClass.SNOW, members=8)
    (run,) = p.surfaces
    assert "in places" not in headlines(p)[0]
    (line,) = headlines(replace(p, surfaces=(replace(run, start_m=10e3, end_m=119e3),)))
    assert line.startswith("SNOW in places mi 6-74")
    assert "max 31 mph on it." in line


def test_uncertain_chains_are_two_arrivals_everywhere() -> None:
    p = plan(RoadClass.SNOW, members=4, chance=1.0)
    assert p.advice is Advice.READY
    words = arrival(p)
    assert words.startswith("unchained ")
    assert words.endswith("chains 4 in 10")
    assert "max 25 mph chained. Chains may be required." in headlines(p)[0]
    brief = " ".join(brief_text("Made", [p], [], at_hour(3), "America/Denver").split())
    assert words in brief
    assert plan_event("n", NoticeKind.PLAN, p, at_hour(3))["data"]["arrival"] == words


def test_hours_that_run_out_get_a_rest_on_the_way() -> None:
    """49 CFR 395.3(a)(3)(i): after 11 h of driving, 10 h off duty; half an hour is left of them here."""
    route = make_route(120e3, stops=ROUTE.stops, spans=[("US-XX", 0.0, 120e3)])
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY + 0 * (m + d.astype(np.int64) + h))
    trip = TripInput(id="T", depart_at=at_hour(6), used=HoursUsed(drive_h=10.5))
    laws = {"US-XX": make_rules()}
    p = make_plan(PlanRequest(trip, route, make_rig(), laws, weather, PARAMS, at_hour(2)))
    assert p.hours is not None
    assert p.hours.ok
    assert p.days is not None
    rests = [r for r in p.days.rests if r.ends_at - r.begins_at >= timedelta(hours=10)]
    assert len(rests) == 1
    assert not [line for line in headlines(p) if line.startswith("NOT LEGAL")]


@pytest.mark.parametrize("language", ["es", "fr"])
def test_headlines_are_translated(language: str) -> None:
    for p in (plan(RoadClass.GLAZE, to_m=119e3), plan(RoadClass.SNOW, members=4, chance=1.0)):
        english, other = headlines(p), headlines(p, load_translator(language))
        assert len(english) == len(other)
        assert all(a != b for a, b in zip(english, other, strict=True))
        assert arrival(p) != arrival(p, load_translator(language))


def test_dry_road_has_no_headline() -> None:
    assert headlines(plan(RoadClass.DRY)) == []

"""The strip says what its plan says, at the place where the plan says it."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, View
from alertd.notices.charts.elevation_profile import LEFT, MARGIN, draw_profile, steep_runs
from alertd.notices.charts.markers import road_runs
from alertd.notices.charts.palette import ROAD
from alertd.notices.text import phrases
from alertd.plan.model.notes import BridgeNote, ClosureNote
from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_route

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("width_px", [PHONE_PX, DESKTOP_PX])
def test_marks_stand_where_the_plan_puts_them(drawn: Any, shapes: Callable, width_px: int) -> None:
    picture = draw_profile(drawn.plan, drawn.route, View(width_px=width_px))
    assert [s.advice for s in drawn.plan.stretches][:2] == [Advice.CHAIN, Advice.READY]
    stems = np.asarray([line[0, 0] for line in shapes(picture, "stem")])
    px_of = (width_px - LEFT - MARGIN) / drawn.route.length_m
    places = [p.distance_m for s in drawn.plan.stretches for p in (s.chain_up, s.chain_off)]
    for at_m in (*places, *(s.distance_m for s in drawn.route.summits)):
        assert np.abs(stems - (LEFT + at_m * px_of)).min() <= 0.06


def test_road_runs_change_where_the_pavement_does(drawn: Any) -> None:
    runs = road_runs(drawn.plan)
    assert [style for *_, style in runs] == [
        ROAD[c] for c in (RoadClass.WET, RoadClass.SNOW, RoadClass.WET, RoadClass.UNKNOWN)
    ]  # over Tarn Pass four members of ten have snow: wet is likelier
    assert (runs[0][0], runs[-1][1]) == (0.0, 160e3)
    assert [runs[1][0], runs[1][1], runs[3][0]] == pytest.approx(
        [40e3, 50e3, 150e3], abs=1_300.0
    )  # of points 1 km apart


def test_text_names_every_stop_time_stretch_and_summit(drawn: Any) -> None:
    output = " ".join(draw_profile(drawn.plan, drawn.route, View()).alt_text)
    for s in drawn.plan.stretches:
        assert phrases.likely(s) in output
        for stop in (s.chain_up, s.chain_off):
            assert f"{phrases.clock_time(stop.arrive_at, stop.zone)}, {phrases.stop_words(stop)}" in output
    assert "Summit Larch Pass, 4,590 ft, at 28 mi" in output  # 1400 m, 45 km
    assert "not known most likely" in output
    assert phrases.SIGNS in output
    assert "Land of US-YY: to 99 mi." in output  # 160 km


def test_svg_carries_title_and_text_for_who_cannot_see_it(drawn: Any) -> None:
    picture = draw_profile(drawn.plan, drawn.route, View())
    root = ElementTree.fromstring(picture.svg())
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == picture.title == "QT-1: a made road"
    assert root.find(f"{SVG}desc").text == " ".join(picture.alt_text)
    drawn_words = {t.text for t in root.iter(f"{SVG}text")}
    assert {"ON 1", "OFF 1", "ON? 2", "OFF? 2", "▲ Larch Pass", "XX", "YY", "mi", "ft", "6%"} <= drawn_words


def test_metric_readers_get_metric_lengths(drawn: Any) -> None:
    picture = draw_profile(drawn.plan, drawn.route, View(metric=True))
    drawn_words = {t.text for t in ElementTree.fromstring(picture.svg()).iter(f"{SVG}text")}
    assert {"km", "m", "150"} <= drawn_words
    assert "Summit Larch Pass, 1,400 m, at 45 km" in " ".join(picture.alt_text)


def test_unknown_road_is_not_drawn_as_road_without_winter(drawn: Any, shapes: Callable) -> None:
    """The last ten kilometres have no forecast: hatched under the profile and in the rows of the road and of odds."""
    picture = draw_profile(drawn.plan, drawn.route, View())
    begins = [xy[:, 0].min() for xy in shapes(picture, "unknown", "profile")]
    assert begins == pytest.approx([road_runs(drawn.plan)[-1][0]] * 3, abs=300.0)
    svg = picture.inline()
    for kind in ("under unknown", "along unknown", "odds unknown"):
        assert f'fill="url(#road360-1)" class="{kind}"' in svg


def test_height_and_odds_are_those_of_the_plan(drawn: Any, shapes: Callable) -> None:
    along, picture = drawn.plan.along, draw_profile(drawn.plan, drawn.route, View(width_px=DESKTOP_PX, metric=True))
    (height,) = shapes(picture, "height", "profile")
    pixel_m = 1.3 * np.ptp(along.elevation_m) / 150.0
    drawn_m = np.interp(along.distance_m, height[:, 0], height[:, 1])
    steep = np.abs(np.gradient(along.elevation_m, along.distance_m)) > 0.03  # there a tenth of a pixel along is more
    assert drawn_m[~steep] == pytest.approx(np.asarray(along.elevation_m)[~steep], abs=pixel_m)
    (odds,) = [xy for xy in shapes(picture, "odds", "odds") if len(xy) > 4]
    assert odds[:, 1].max() == pytest.approx(max(along.winter_frac), abs=0.05)


def test_closures_have_a_row_of_their_own(drawn: Any) -> None:
    closed = ClosureNote(
        what="slide", source="office", where="", start_m=70e3, end_m=71e3, zone="UTC", enter_at=at_hour(7),
        begins_at=at_hour(2), ends_at=at_hour(9), met=True, held=True, posted=True,
    )  # fmt: skip
    picture = draw_profile(replace(drawn.plan, closures=(closed,)), drawn.route, View())
    drawn_words = [t.text for t in ElementTree.fromstring(picture.svg()).iter(f"{SVG}text")]
    assert "closed" in drawn_words
    assert "X" in drawn_words
    assert "closed road, 43 mi to 44 mi until Thu 14 Jan 09:00 UTC: slide." in picture.alt_text


def test_bridges_that_may_be_icy_alone_are_marked_where_they_are(drawn: Any, shapes: Callable) -> None:
    deck = BridgeNote(
        name="Heron Creek", start_m=20e3, end_m=20.2e3, zone="UTC", arrive_at=at_hour(7), probability=0.4,
        surfaces=(), road_unknown=False,
    )  # fmt: skip
    picture = draw_profile(replace(drawn.plan, bridges=(deck,)), drawn.route, View())
    (deck,) = shapes(picture, "deck", "profile")
    assert deck[0, 0] == pytest.approx(20e3, abs=50.0)
    assert "◆: 1 bridge that may be icy alone, first of all Heron Creek at 12 mi, 4 in 10." in picture.alt_text


def test_hills_are_marked_from_five_percent_over_3000_feet() -> None:
    """MUTCD 2009, 2C.16: a hill sign from 5 % over 3,000 ft (914 m) on."""
    d = np.arange(0.0, 20e3 + 1.0, 250.0)
    grade = np.select(
        [(d >= 2e3) & (d <= 3e3), (d >= 8e3) & (d <= 8.5e3), (d >= 14e3) & (d <= 16e3)], [0.05, 0.08, -0.07]
    )
    assert steep_runs(make_route(20e3, grade=grade)) == [(2e3, 3e3, 0.05), (14e3, 16e3, -0.07)]

"""The map: places where the route has them, lengths true, borders that are there."""

from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, View
from alertd.notices.charts.map import DEGREE_M, draw_map
from alertd.testing.factories import M_PER_DEG_LON

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("width_px", [PHONE_PX, DESKTOP_PX])
def test_a_mile_is_as_long_east_as_north(drawn: Any, width_px: int) -> None:
    field = draw_map(drawn.plan, drawn.route, drawn.boundaries, View(width_px=width_px)).canvas.panels["map"]
    middle = np.radians((field.y_from + field.y_to) / 2.0)
    east_px = field.width / ((field.x_to - field.x_from) * np.cos(middle))
    north_px = field.height / (field.y_to - field.y_from)
    assert east_px == pytest.approx(north_px, rel=0.01)


def test_scale_bar_is_as_long_as_it_says(drawn: Any, shapes: Callable) -> None:
    """50 miles of a road that is as straight as a ruler, against the road itself."""
    picture = draw_map(drawn.plan, drawn.route, drawn.boundaries, View())
    texts = [t.text for t in ElementTree.fromstring(picture.svg()).iter(f"{SVG}text")]
    output = texts[texts.index("N ↑") - 1]
    (bar,) = shapes(picture, "scale")
    field = picture.canvas.panels["map"]
    m_px = (field.x_to - field.x_from) * M_PER_DEG_LON / field.width
    assert np.ptp(bar[:, 0]) * m_px / 1609.344 == pytest.approx(float(output.split()[0]), rel=0.01)
    assert DEGREE_M * np.cos(np.radians(47.45)) == pytest.approx(M_PER_DEG_LON, rel=0.001)


def test_chain_places_and_border_stand_on_the_road(drawn: Any, shapes: Callable) -> None:
    picture = draw_map(drawn.plan, drawn.route, drawn.boundaries, View(width_px=DESKTOP_PX))
    (road,) = shapes(picture, "roads", "map")
    assert road[:, 1] == pytest.approx(47.45, abs=0.005)
    ties = np.asarray([line[0] for line in shapes(picture, "tie", "map")])
    for s in drawn.plan.stretches:
        for stop in (s.chain_up, s.chain_off):
            assert np.hypot(*(ties - (stop.lon_deg, 47.45)).T).min() < 0.002
    border = np.concatenate([line[:, 0] for line in shapes(picture, "border", "map")])
    assert np.abs(border - (-116.5 + 80e3 / M_PER_DEG_LON)).min() < 0.002
    shown = {t.text for t in ElementTree.fromstring(picture.svg()).iter(f"{SVG}text")}
    assert {"Westland", "Eastland", "START", "END", "ON 1", "OFF 1", "N ↑"} <= shown


def test_text_gives_the_way_land_by_land(drawn: Any) -> None:
    output = draw_map(drawn.plan, drawn.route, drawn.boundaries, View()).alt_text
    assert "The way is 99 mi long, with 4 listed stops." in output
    assert "Land of US-XX: to 50 mi." in output


def test_each_state_of_the_road_is_where_the_plan_has_it(drawn: Any, shapes: Callable) -> None:
    """Snow over Larch Pass from km 40 to 50, no forecast from km 150 on; points of the plan are 1 km apart."""
    picture = draw_map(drawn.plan, drawn.route, drawn.boundaries, View(width_px=DESKTOP_PX))
    for kind, begins_m, ends_m in (("s-snow", 40e3, 50e3), ("s-unknown", 150e3, 160e3)):
        at_m = (np.concatenate(shapes(picture, kind, "map"))[:, 0] + 116.5) * M_PER_DEG_LON
        assert (at_m.min(), at_m.max()) == pytest.approx((begins_m, ends_m), abs=1_300.0)

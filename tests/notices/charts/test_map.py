"""The map: places where the route has them, lengths true, borders that are there."""

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
    sheet = draw_map(drawn.plan, drawn.route, drawn.boundaries, View(width_px=width_px)).canvas
    ax = sheet.figure.axes[0]
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    box = ax.get_position()
    east_px = box.width * width_px / ((east - west) * np.cos(np.radians((south + north) / 2.0)))
    north_px = box.height * sheet.height_px / (north - south)
    assert east_px == pytest.approx(north_px, rel=0.01)


def test_scale_bar_is_as_long_as_it_says(drawn: Any) -> None:
    """50 miles of a road that is as straight as a ruler, against the road itself."""
    sheet = draw_map(drawn.plan, drawn.route, drawn.boundaries, View()).canvas
    field, bar = sheet.figure.axes[:2]
    texts = [t.get_text() for t in sheet.figure.texts]
    output = texts[texts.index("N ↑") - 1]
    bar_px = bar.get_position().width * PHONE_PX
    west, east = field.get_xlim()
    m_px = (east - west) * M_PER_DEG_LON / (field.get_position().width * PHONE_PX)
    assert bar_px * m_px / 1609.344 == pytest.approx(float(output.split()[0]), rel=0.01)
    assert DEGREE_M * np.cos(np.radians(47.45)) == pytest.approx(M_PER_DEG_LON, rel=0.001)


def test_chain_places_and_border_stand_on_the_road(drawn: Any) -> None:
    picture = draw_map(drawn.plan, drawn.route, drawn.boundaries, View(width_px=DESKTOP_PX))
    ax = picture.canvas.figure.axes[0]
    points = {
        (round(float(x), 6), round(float(y), 6)) for line in ax.lines for x, y in zip(*line.get_data(), strict=True)
    }
    for s in drawn.plan.stretches:
        for stop in (s.chain_up, s.chain_off):
            assert (round(stop.lon_deg, 6), 47.45) in points
    border = ax.lines[0].get_xdata()
    assert np.nanmin(np.abs(np.asarray(border) - (-116.5 + 80e3 / M_PER_DEG_LON))) < 1e-6
    shown = {t.text for t in ElementTree.fromstring(picture.svg()).iter(f"{SVG}text")}
    assert {"Westland", "Eastland", "START", "END", "ON 1", "OFF 1", "N ↑"} <= shown


def test_text_gives_the_way_land_by_land(drawn: Any) -> None:
    output = draw_map(drawn.plan, drawn.route, drawn.boundaries, View()).alt_text
    assert "The way is 99 mi long, with 4 listed stops." in output
    assert "Land of US-XX: to 50 mi." in output

"""The fleet's map: each truck and pass counted once, roads in their worst state, allowed by a strict policy."""

import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from alertd.notices.charts.fleet_map import NARROW_PX, WIDE_PX, Mark, OnMap, fleet_map, legend
from alertd.notices.charts.text_width import text_width
from alertd.notices.reports.truck_lines import place_group
from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass

SVG = "{http://www.w3.org/2000/svg}"


def trucks(drawn: Any, n: int) -> list[OnMap]:
    plans = [replace(drawn.plan, id=f"p{i}", trip_id=f"T-{i}", singles_short=2 * (i == 0)) for i in range(n)]
    return [OnMap(plan=p, route=drawn.route, at_m=1e3 * i) for i, p in enumerate(plans)]


def texts(svg: str) -> list[str]:
    return [e.text or "" for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("width_px", [WIDE_PX, NARROW_PX])
def test_every_truck_is_in_one_mark_and_each_pass_on_a_plate(drawn: Any, width_px: int) -> None:
    fleet = trucks(drawn, 40)
    svg = fleet_map(fleet, (), drawn.boundaries, width_px)
    circles = ElementTree.fromstring(svg).findall(f"{SVG}g[{SVG}circle]")
    numbers = [g.findtext(f"{SVG}text") or "" for g in circles]
    assert sum(int(n) if n.isdecimal() else 1 for n in numbers) == 40
    for s in drawn.plan.stretches:
        letter = {Advice.CHAIN: "C", Advice.READY: "R", Advice.HOLD: "H"}[s.advice]
        assert f"{letter} 40" in texts(svg)
        assert f"{place_group(s)}, 1 short" in texts(svg)
        assert f"{place_group(s)}: 40 trucks may chain." in svg


def test_the_policy_of_the_pages_allows_the_picture(drawn: Any) -> None:
    """style-src 'self' forbids style elements and attributes; colors are classes of the page's sheet."""
    svg = fleet_map(trucks(drawn, 3), (), drawn.boundaries)
    assert not re.search(r"<style|\sstyle=|#[0-9a-f]{6}|href", svg)


def test_signs_and_closures_are_escaped_and_on_their_place(drawn: Any) -> None:
    lat, lon = float(drawn.route.lat_deg[0]), float(drawn.route.lon_deg[0])
    svg = fleet_map(trucks(drawn, 1), [Mark(lat_deg=lat, lon_deg=lon, letter="X", words="<slide>")], drawn.boundaries)
    assert "X" in texts(svg)
    assert "&lt;slide&gt;." in svg
    assert "<slide>" not in svg


def test_a_road_is_drawn_in_its_worst_state(drawn: Any) -> None:
    """Two trucks on one road: one meets dry road, the other road that is not known, or snow."""
    (one,) = trucks(drawn, 1)

    def on(*classes: RoadClass) -> str:
        fleet = []
        for i, c in enumerate(classes):
            along = replace(one.plan.along, surface=(c.label,) * len(one.plan.along.surface))
            fleet.append(replace(one, plan=replace(one.plan, id=f"p{i}", along=along)))
        return fleet_map(fleet, (), drawn.boundaries)

    assert 's-unknown"' in on(RoadClass.DRY, RoadClass.UNKNOWN)
    assert 's-dry"' not in on(RoadClass.DRY, RoadClass.UNKNOWN)
    both = on(RoadClass.UNKNOWN, RoadClass.SNOW)
    assert ('s-snow"' in both, 's-unknown"' in both) == (True, False)


def test_without_a_route_there_is_no_map(drawn: Any) -> None:
    assert fleet_map([], (), drawn.boundaries) == ""
    assert {name for _, name in legend(trucks(drawn, 1))} >= {"snow"}


def test_text_is_as_wide_as_in_the_widest_usual_font() -> None:
    """Against the font's own metrics, as matplotlib reads them; metpy of the extra `compare` brings it."""
    pytest.importorskip("matplotlib", reason="no matplotlib here (pip install '.[compare]')")
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    for text, bold in (("Fourth of July Pass WB, 7 short", True), ("Washington", False), ("C 21", True)):
        prop = FontProperties(family="DejaVu Sans", size=12, weight="bold" if bold else "normal")
        expected = text_to_path.get_text_width_height_descent(text, prop, ismath=False)[0]
        assert text_width(text, 12.0, bold=bold) == pytest.approx(expected, abs=np.ceil(0.03 * expected))

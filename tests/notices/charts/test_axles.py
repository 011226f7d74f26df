import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from alertd.notices.charts.axles import axle_svg, axle_text
from alertd.rules.requirements import cover, demand_for
from alertd.rules.rig import Rig, Tire
from alertd.rules.ruleset import RuleSet

SVG = "{http://www.w3.org/2000/svg}"


def test_a_phone_shows_it_at_its_own_size(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    for rig in rigs.values():
        drawn = ElementTree.fromstring(axle_svg(rig, _washington(shipped, rig), "Washington"))
        assert drawn.get("width") == "360"


def _washington(shipped: dict[str, RuleSet], rig: Rig) -> tuple[Tire, ...]:
    level = shipped["US-WA"].level("over-10000-gvw")
    return cover(rig, [demand_for(shipped["US-WA"], level, rig)]).tires


def test_text_picture_shows_each_axle_with_its_chains(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    rows = axle_text(rigs["tractor-6x4-van-53"], _washington(shipped, rigs["tractor-6x4-van-53"])).splitlines()
    assert [re.sub(" +", " ", r).strip() for r in rows[1:7]] == [
        "steer axle [ ]-----[ ]",
        "front drive axle [C][ ]-----[ ][C]",
        "rear drive axle [C][ ]-----[ ][C]",
        "",
        "trailer front axle [ ][ ]-----[ ][ ]",
        "trailer rear axle [ ][ ]-----[ ][C]",
    ]


def test_inside_tire_is_drawn_at_the_middle(rigs: dict[str, Rig]) -> None:
    text = axle_text(rigs["straight-truck-4x2"], [Tire(1, "left", "inside"), Tire(1, "right", "inside")])
    assert "[ ][C]-----[C][ ]" in text


def test_every_tire_is_drawn_once_and_chains_not_by_color_alone(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    for rig in rigs.values():
        tires = _washington(shipped, rig)
        drawn = ElementTree.fromstring(axle_svg(rig, tires, "Washington"))
        by_class = [e.get("class", "").split(" ")[0] for e in drawn.iter()]
        key_n = 1
        assert by_class.count("bare") == len(rig.tires()) - len(tires) + key_n
        assert by_class.count("edge") == by_class.count("letter") == len(tires) + key_n
        assert by_class.count("hatch") == 4 * (len(tires) + key_n)
        assert axle_text(rig, tires).count("[C]") == len(tires) + key_n


def test_picture_says_in_words_what_it_shows(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    rig = replace(rigs["tractor-6x4-van-53"], name="Rig <7> & van")
    drawn = ElementTree.fromstring(axle_svg(rig, _washington(shipped, rig), "Chains & all"))
    assert drawn.get("role") == "img"
    assert drawn.find(f"{SVG}title").text == "Chains & all"
    output = drawn.find(f"{SVG}desc").text
    assert "Rig <7> & van" in output
    assert "4 drive: outside dual left+right, both drive axles" in output


def test_drawing_stays_inside_its_frame(shipped: dict[str, RuleSet], rigs: dict[str, Rig]) -> None:
    for rig in rigs.values():
        drawn = ElementTree.fromstring(axle_svg(rig, _washington(shipped, rig), "x", ["y " * 90]))
        width, height = float(drawn.get("width")), float(drawn.get("height"))
        for e in drawn.iter():
            if e.tag in (f"{SVG}rect", f"{SVG}text") and e.get("class") != "f-paper":
                assert 0 <= float(e.get("x")) <= width
                assert 0 <= float(e.get("y")) <= height - float(e.get("height", 5))


@pytest.mark.parametrize("tires", [(), (Tire(0, "left", "single"),)])
def test_picture_of_no_or_one_steer_tire(tires: tuple[Tire, ...], rigs: dict[str, Rig]) -> None:
    svg = axle_svg(rigs["tractor-6x4-van-53"], tires, "x")
    assert ("No tire is asked." in svg) == (not tires)

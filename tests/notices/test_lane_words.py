"""What is said of a ploughed and of an untouched road. The wording is ours; the numbers are the plan's."""

from dataclasses import replace

import pytest

from alertd.i18n import LANGUAGES, Language
from alertd.notices.lane_words import lane_line
from alertd.plan.model.stretches import SurfaceStretch
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import make_surface

Shares = tuple[tuple[str, float], ...]


def lanes(serviced: Shares, untouched: Shares) -> SurfaceStretch:
    return replace(make_surface(), serviced_surfaces=serviced, untouched_surfaces=untouched)


def test_both_lanes_are_said_where_they_differ_much() -> None:
    line = lane_line(lanes((("packed snow", 0.6), ("wet", 0.3)), (("snow", 0.9),)))
    assert line == "Ploughed road: packed snow 6 in 10; not ploughed: snow 9 in 10. Do not count on the plough."


def test_ice_on_the_ploughed_road_is_not_left_out() -> None:
    line = lane_line(lanes((("packed snow", 0.5), ("glaze", 0.2)), (("snow", 0.9), ("glaze", 0.2))))
    assert line.count("glaze 2 in 10") == 2


def test_a_ploughed_road_is_never_called_clear() -> None:
    line = lane_line(lanes((("wet", 1.0),), (("snow", 0.9),)))
    assert line.startswith("Ploughed road: snow or ice under 1 in 10;")
    assert line.endswith("Do not count on the plough.")


@pytest.mark.parametrize(
    ("serviced", "untouched"),
    [((), (("snow", 0.9),)), ((("snow", 0.8),), (("snow", 0.9),)), ((("wet", 1.0),), (("wet", 1.0),))],
)
def test_lanes_that_differ_little_are_not_said(serviced: Shares, untouched: Shares) -> None:
    assert lane_line(lanes(serviced, untouched)) == ""


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_line_is_in_the_drivers_language(language: Language) -> None:
    line = lane_line(lanes((("wet", 1.0),), (("snow", 0.9),)), load_translator(language))
    assert line
    assert ("Ploughed" in line) == (language == "en")

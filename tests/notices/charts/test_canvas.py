"""How a picture leaves: the same bytes, small, in both lights, alone on a page or with others."""

import re
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, View, simplified
from alertd.notices.charts.palette import ADVICE, DARK, LIGHT, ROAD
from alertd.notices.charts.plan_charts import axle_charts, plan_charts
from alertd.notices.charts.text_width import text_width, wrap_text
from alertd.rules.rig import Rig

MOST_BYTES = 25_000


def _pictures(drawn: Any, view: View) -> dict[str, Any]:
    return plan_charts(drawn.plan, drawn.route, drawn.weather.corridor, drawn.boundaries, view)


@pytest.mark.parametrize("width_px", [PHONE_PX, DESKTOP_PX])
def test_pictures_are_small_whole_and_as_wide_as_the_screen(drawn: Any, width_px: int) -> None:
    for picture in _pictures(drawn, View(width_px=width_px)).values():
        svg = picture.svg()
        assert len(svg.encode()) < MOST_BYTES
        root = ElementTree.fromstring(svg)
        assert root.get("width") == str(width_px)
        assert root.get("viewBox") == f"0 0 {width_px} {root.get('height')}"


def test_same_plan_gives_the_same_bytes(drawn: Any) -> None:
    first, again = (_pictures(drawn, View()) for _ in range(2))
    for name, picture in first.items():
        assert picture.svg() == again[name].svg() == picture.svg()
        assert not re.search(r"20\d\d-\d\d-\d\dT", picture.svg())


def test_letters_are_no_smaller_than_eleven_pixels(drawn: Any) -> None:
    for picture in _pictures(drawn, View()).values():
        sizes = [float(s) for s in re.findall(r'font-size="([\d.]+)"', picture.svg())]
        assert sizes
        assert min(sizes) >= 11.0


def test_light_picture_turns_dark_with_its_reader(drawn: Any) -> None:
    svg = _pictures(drawn, View())["road"].svg()
    style, drawing = svg.split("</style>")
    light, dark = style.split("@media screen and (prefers-color-scheme:dark)")
    assert f".f-snow{{fill:{LIGHT['snow']}}}" in light
    assert f".f-snow{{fill:{DARK['snow']}}}" in dark
    assert not re.search("#[0-9a-f]{6}", re.sub(r"url\(#[\w-]+\)", "", drawing))  # every color is a class


def test_the_policy_of_the_pages_allows_every_picture(drawn: Any, rigs: dict[str, Rig]) -> None:
    """style-src 'self' forbids style elements and attributes; colors are classes of the page's sheet. A short
    description takes the place of the sentences that the page has itself, and so do heading and notes."""
    view = View(bare=True)
    pictures = _pictures(drawn, view) | axle_charts(drawn.plan, rigs["tractor-6x4-van-53"], bare=True)
    for picture in pictures.values():
        svg = picture.inline(["In short."])
        assert not re.search(r"<style|\sstyle=|href", svg)
        assert not re.search("#[0-9a-f]{6}", re.sub(r"url\(#[\w-]+\)", "", svg))
        assert "<desc>In short.</desc>" in svg
        assert "Posted signs" not in svg


def test_pictures_on_one_page_share_no_id(drawn: Any) -> None:
    pages = [_pictures(drawn, View(width_px=w)).values() for w in (PHONE_PX, DESKTOP_PX)]
    markup = "".join(picture.inline() for page in pages for picture in page)
    ids = re.findall(r'\sid="([^"]+)"', markup)
    assert len(set(ids)) == len(ids)
    assert set(re.findall(r"url\(#([^)]+)\)", markup)) == set(ids)


def test_a_thinned_line_stays_within_its_tolerance() -> None:
    x = np.linspace(0.0, 300.0, 600)
    line = np.column_stack((x, 40.0 * np.sin(x / 25.0)))
    kept = simplified(line, 0.3)
    assert len(kept) < 0.2 * len(line)
    assert np.abs(np.interp(x, kept[:, 0], kept[:, 1]) - line[:, 1]).max() <= 0.6  # 0.3 across a slope of 1.6 at most
    square = np.asarray([(0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0), (0.0, 0.0)])
    assert simplified(square).tolist() == square.tolist()


def test_no_two_roles_share_a_color_and_both_lights_know_all() -> None:
    assert len(set(LIGHT.values())) == len(LIGHT)
    assert LIGHT.keys() == DARK.keys()


def _luminance(color: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(color[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    low, high = sorted((_luminance(a), _luminance(b)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("colors", "worse"), [(LIGHT, -1), (DARK, 1)])
def test_a_worse_road_stays_a_step_apart_in_black_and_white(colors: dict[str, str], worse: int) -> None:
    order = ["dry", "moist", "wet", "slush", "snow", "packed"]
    steps = [worse * _luminance(colors[role]) for role in order]
    assert steps == sorted(steps)
    assert worse * _luminance(colors["glaze"]) > worse * _luminance(colors["ice"])
    asked = [worse * _luminance(colors[role]) for role in ("clear", "slow", "ready", "chain", "hold")]
    assert asked == sorted(asked)


@pytest.mark.parametrize("colors", [LIGHT, DARK])
def test_letters_stand_out_from_their_paper(colors: dict[str, str]) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text."""
    for ink in ("ink", "quiet"):
        for paper in ("paper", "land"):
            assert _contrast(colors[ink], colors[paper]) >= 4.5


def test_color_is_never_alone() -> None:
    letters = [style.letter for style in ROAD.values()]
    assert all(letters)
    assert len(set(letters)) == len(letters)
    hatched = [(style.hatch, style.tile_px) for style in ROAD.values() if style.hatch]
    assert len(set(hatched)) == len(hatched) == 7  # all but dry, damp and wet
    assert len({style.letter for style in ADVICE.values()}) == len(ADVICE)


def test_wrapped_lines_fit_and_lose_no_word() -> None:
    text = "Cinder Ford chain-up area (I-90 MT MP 6), then the next place after it"
    lines = wrap_text(text, 120.0)
    assert " ".join(lines) == text
    assert max(map(text_width, lines)) <= 120.0

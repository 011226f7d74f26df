"""The diagram's points are the bins of its numbers."""

from collections.abc import Callable
from xml.etree import ElementTree

import numpy as np
import pytest

from alertd.forecast.verification import reliability as binned
from alertd.notices.charts.canvas import View
from alertd.notices.charts.reliability import draw_reliability


def test_points_and_words_are_those_of_the_bins(shapes: Callable) -> None:
    prob = np.array([0.05, 0.05, 0.35, 0.35, 0.35, 0.35, 0.95, 0.95])
    happened = np.array([0, 0, 1, 0, 0, 0, 1, 1])
    picture = draw_reliability("chains needed", prob, happened, View())
    (points,) = shapes(picture, "points", "diagram")
    assert points[:, 0] == pytest.approx([0.05, 0.35, 0.95], abs=0.002)
    assert points[:, 1] == pytest.approx([0.0, 0.25, 1.0], abs=0.002)
    assert points[:, 1] == pytest.approx(binned(prob, happened).happened_frac[[0, 3, 9]], abs=0.002)
    text = " ".join(picture.alt_text)
    assert "Forecast 35% on average, 4 times: it happened in 25%" in text
    assert "POD 0.67, FAR 0.00, CSI 0.67" in text  # two hits, one miss
    assert ElementTree.fromstring(picture.svg()).get("width") == "360"


def test_nothing_to_score_is_refused() -> None:
    with pytest.raises(ValueError, match="no forecast"):
        draw_reliability("chains needed", [np.nan], [True], View())

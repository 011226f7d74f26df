"""Depths of snow for people: a range, never narrower than it is known."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from alertd.notices.text import phrases
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import driver_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice


@pytest.mark.parametrize(
    ("low_m", "high_m", "expected"),
    [
        (0.0, 0.0, ""),
        (0.0059, 0.0139, ""),  # 0.99 cm in the middle
        (0.0061, 0.0143, "up to 1 in of snow on an unploughed road"),
        (0.0249, 0.058, "up to 3 in of snow on an unploughed road"),
        (0.1016, 0.2286, "about 4-9 in of snow on an unploughed road"),  # 4 and 9 in: exact inches of 25.4 mm
        (0.25, 0.6, "about 9-24 in of snow on an unploughed road"),
        (0.47, 1.10, "about 1.5-4 ft of snow on an unploughed road"),  # 1.54 and 3.61 ft
    ],
)
def test_snow_is_told_as_a_range_rounded_outwards(low_m: float, high_m: float, expected: str, two_passes: Plan) -> None:
    stretch = replace(two_passes.stretches[0], snow_depth_low_m=low_m, snow_depth_high_m=high_m)
    assert phrases.snow_depth(stretch) == expected


def test_the_office_reads_the_depth_and_the_driver_is_spared_it(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    deep = replace(plan.stretches[0], snow_depth_low_m=0.11, snow_depth_high_m=0.22)
    assert "snow  about 4-9 in of snow on an unploughed road" in dispatcher_text(replace(plan, stretches=(deep,)))
    assert driver_text(plan, deep) == driver_text(plan, plan.stretches[0])

"""The field by place and hour, the truck's path over it, and other departures."""

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.notices.charts.canvas import DESKTOP_PX, View
from alertd.notices.charts.time_distance import _boxes, draw_time_distance, window_of
from alertd.plan.model.alternatives import DeparturePick
from alertd.plan.model.notes import HoldNote
from alertd.plan.model.plan import Along
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import at_hour

HOUR = timedelta(hours=1)


def test_path_is_the_plans_own_clock(drawn: Any, shapes: Callable) -> None:
    picture = draw_time_distance(drawn.plan, drawn.route, drawn.hours, View())
    (way,) = shapes(picture, "plan", "field")
    along, field = drawn.plan.along, picture.canvas.panels["field"]
    expected = along.begins_at.timestamp() + np.asarray(along.reach_s)
    pixels = field.xy(way[:, 0], way[:, 1])
    assert {tuple(p) for p in pixels[[0, -1]].round(0)} == {
        tuple(p) for p in field.xy(along.distance_m, expected)[[0, -1]].round(0)
    }
    still = np.diff(expected, prepend=expected[0]) > 900.0  # chains go on or off: an upright line, no function of place
    clear = ~(still | np.roll(still, 1) | np.roll(still, -1))
    drawn_s = np.interp(along.distance_m, way[:, 0], way[:, 1])
    pixel_s = (field.y_to - field.y_from) / field.height
    assert drawn_s[clear] == pytest.approx(expected[clear], abs=2.0 * pixel_s)


def test_window_holds_the_trip_and_what_is_worth_weighing(drawn: Any) -> None:
    first, last = window_of(drawn.plan)
    assert first <= drawn.plan.depart_at
    assert last >= drawn.plan.arrive_late
    assert (last - first).total_seconds() >= 12 * 3600
    field = draw_time_distance(drawn.plan, drawn.route, drawn.hours, View()).canvas.panels["field"]
    assert (field.y_from, field.y_to) == (first.timestamp(), last.timestamp())


def test_window_covers_the_reason_for_a_hold(drawn: Any) -> None:
    """The hours of the hold come before those of other departures, which may be more than the 36 hours away."""
    plan, stop = drawn.plan, drawn.plan.stretches[0].chain_up
    hold = HoldNote(
        what="Ice over a long way", start_m=30e3, end_m=60e3, zone=stop.zone, enter_at=plan.depart_at + HOUR, wait=stop,
        at_start=False, until=plan.arrive_late + 9 * HOUR, not_before=None,
    )  # fmt: skip
    assert hold.until is not None
    first, last = window_of(replace(plan, hold=hold))
    assert (first <= plan.depart_at, last >= hold.until) == (True, True)
    before = replace(plan.departures[0], depart_at=plan.depart_at - 40 * HOUR)
    early = DeparturePick(departure=before, leave_later_s=-144e3, arrive_later_s=-144e3, reasons=())
    first, last = window_of(replace(plan, hold=hold, picks=(early,), departures=()))
    assert (first <= plan.depart_at, last >= hold.until, last - first <= 36 * HOUR) == (True, True, True)
    endless = replace(hold, until=None, enter_at=plan.arrive_late)
    assert window_of(replace(plan, hold=endless))[1] >= plan.arrive_late + 6 * HOUR


def test_text_gives_when_the_pass_is_clear_and_what_then_applies(drawn: Any) -> None:
    """Larch Pass has snow until the state of 12:00 UTC, 04:00 in its zone; who leaves late enough meets none."""
    text = draw_time_distance(drawn.plan, drawn.route, drawn.hours, View()).alt_text
    (larch,) = [line for line in text if line.startswith("Larch Pass: ")]
    assert "snow 20:00 PST to 03:00 PST, wet 04:00 PST" in larch
    asks = [line for line in text if line.startswith("Leaving ")]
    assert any("plan to chain" in line for line in asks)
    later = [d for d in drawn.plan.departures if d.depart_at > at_hour(13)]
    assert later
    assert {d.advice for d in later} != {Advice.CHAIN}
    for label in ("ON 1", "OFF 1"):
        assert any(line.startswith(f"{label}: ") for line in text)


def test_nothing_is_drawn_of_the_road_behind_a_truck_under_way(drawn: Any, shapes: Callable) -> None:
    """Seen past Larch Pass: its snow is neither in the field nor in the legend, and no letter lies off the field."""
    along = drawn.plan.along
    rest = {f.name: getattr(along, f.name)[60:] for f in fields(along) if f.name != "begins_at"}
    plan = replace(drawn.plan, along=Along(begins_at=along.begins_at, **rest), departures=(), picks=())
    picture = draw_time_distance(plan, drawn.route, drawn.hours, View())
    field = picture.canvas.panels["field"]
    assert (field.x_from, field.x_to) == (along.distance_m[60], 160e3)
    states = shapes(picture, "state", "field")
    assert states
    assert min(xy[:, 0].min() for xy in states) >= along.distance_m[60] - 1_600.0
    assert shapes(picture, "snow", "field") == []
    assert ">snow</text>" not in picture.svg()


def test_field_has_each_class_where_the_corridor_has_it(drawn: Any, shapes: Callable) -> None:
    picture = draw_time_distance(drawn.plan, drawn.route, drawn.hours, View(width_px=DESKTOP_PX))
    snow = np.concatenate(shapes(picture, "snow", "field"))
    assert snow[:, 0].min() == pytest.approx(40e3, abs=1_700.0)  # places are 1.6 km long
    assert snow[:, 0].max() == pytest.approx(50e3, abs=1_700.0)
    # the last hour with snow is 11:00, drawn half an hour around
    assert snow[:, 1].max() == pytest.approx(at_hour(11.5).timestamp(), abs=60.0)


def test_boxes_cover_the_same_cells() -> None:
    """Runs that stay the same for some hours become one box."""
    here = np.zeros((6, 5), dtype=np.bool_)
    here[1:3, 0:3], here[4, 1], here[0:6, 4] = True, True, True
    covered = np.zeros_like(here)
    boxes = _boxes(here)
    for a, b, first, end in boxes:
        assert not covered[a:b, first:end].any()
        covered[a:b, first:end] = True
    assert (covered == here).all()
    assert (1, 3, 0, 3) in boxes

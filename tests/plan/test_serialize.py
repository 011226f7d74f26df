"""A plan as JSON: canonical, UTC, and honest about what is not a number."""

import json
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, timezone
from enum import StrEnum
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan import serialize
from alertd.plan.serialize import _text_of, canonical, plan_json, plan_text, to_plain, with_id
from alertd.road.road_class import RoadClass
from alertd.testing.factories import make_route, make_stop, make_weather


class Word(StrEnum):
    A = "a"


@dataclass(frozen=True)
class Pair:
    x: float
    y: Any


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (float("nan"), None),
        (np.float64("nan"), None),
        (1.00004, 1.0),
        (np.float64(0.12345678), 0.1235),
        (datetime(2027, 1, 14, 4, 45, 30, 999_999, tzinfo=timezone(timedelta(hours=-7))), "2027-01-14T11:45:30Z"),
        (date(2027, 1, 14), "2027-01-14"),
        (Word.A, "a"),
        (frozenset(("b", "a")), ["a", "b"]),
        (
            Pair(x=float("nan"), y=(1, None, True, Pair(x=2.0, y="é"))),
            {"x": None, "y": [1, None, True, {"x": 2.0, "y": "é"}]},
        ),
    ],
)
def test_values_become_plain(value: Any, plain: Any) -> None:
    assert to_plain(value) == plain


def test_canonical_text_is_sorted_and_has_no_spaces() -> None:
    assert canonical({"b": 1, "a": [None, "é"]}) == '{"a":[null,"é"],"b":1}'


def test_infinity_is_refused_rather_than_written() -> None:
    with pytest.raises(ValueError, match="JSON"):
        canonical(to_plain(float("inf")))


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.floats(allow_infinity=False) | st.text(), st.lists))
def test_plain_values_survive_json(value: Any) -> None:
    plain = to_plain(value)
    assert json.loads(canonical(plain)) == plain


def test_a_plans_text_is_that_of_its_plain_values(planned: Any) -> None:
    route = make_route(stops=[make_stop("a", 5e3)])
    for road in (RoadClass.UNKNOWN, RoadClass.SNOW, RoadClass.DRY):
        plan = planned(route, make_weather(route, lambda m, d, h, road=road: road))
        again = with_id(plan)
        assert (again.id, plan_text(again)) == (plan.id, plan_text(plan))
        assert plan_text(plan) == canonical(to_plain(plan))
        raised = replace(plan, advice="hold")  # a changed plan keeps its id, and has a text of its own
        assert plan_text(raised) == canonical(to_plain(raised)) != plan_text(plan)


@given(st.lists(st.sampled_from((0.1, 2.0, -0.0, 1e-9, 1 / 3, 12345.678901, float("nan"))), min_size=33, max_size=70))
def test_a_column_of_figures_is_written_like_each(values: list[float]) -> None:
    assert _text_of(tuple(values)) == canonical([to_plain(v) for v in values])


def test_infinity_in_a_column_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON"):
        _text_of((float("inf"),) * 40)


def test_a_plan_is_standard_json_with_nulls_for_the_unknown(planned: Any) -> None:
    route = make_route(stops=[make_stop("a", 5e3)])
    plan = planned(route, make_weather(route, lambda m, d, h: RoadClass.UNKNOWN))

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    result = json.loads(plan_json(plan), parse_constant=refuse)
    assert result["format"] == "alertd.plan/1"
    assert result["along"]["air_temp_c"][0] is None
    assert result["depart_at"] == "2027-01-14T06:00:00Z"
    assert list(result) == sorted(result)


def test_texts_are_kept_within_a_bound(planned: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    route = make_route(stops=[make_stop("a", 5e3)])
    plan = planned(route, make_weather(route, lambda m, d, h: RoadClass.SNOW))
    monkeypatch.setattr(serialize, "_KEPT_CHARS", 3 * len(plan_text(plan)))
    plans = [with_id(replace(plan, trip_id=f"T-{n}")) for n in range(6)]
    assert len(serialize._kept) <= 3
    assert [json.loads(plan_text(p))["trip_id"] for p in plans] == [f"T-{n}" for n in range(6)]

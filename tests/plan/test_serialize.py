"""A plan as JSON: canonical, UTC, and honest about what is not a number."""

import json
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone
from enum import StrEnum
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.serialize import canonical, plan_json, to_plain
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

"""Two JSON texts differ exactly where they say other things."""

import json

import pytest

from alertd.plan.diff import ABSENT, Difference, differences


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ({"a": 1, "b": [1, 2]}, {"a": 1, "b": [1, 2]}, []),
        ({"a": {"b": 1}}, {"a": {"b": 2}}, [("a.b", 1, 2)]),
        ({"a": [1, 2, 3]}, {"a": [1, 9]}, [("a[1]", 2, 9), ("a[2]", 3, ABSENT)]),
        ({"b": 1}, {"a": 1}, [("a", ABSENT, 1), ("b", 1, ABSENT)]),
        ({"a": [{"x": None}]}, {"a": [{"x": 0}]}, [("a[0].x", None, 0)]),
        ({"a": 1}, {"a": True}, [("a", 1, True)]),
        ({"a": [1]}, {"a": {"b": 1}}, [("a", [1], {"b": 1})]),
    ],
)
def test_each_field_that_differs_is_named_with_both_sides(
    old: object, new: object, found: list[tuple[str, object, object]]
) -> None:
    result = differences(json.dumps(old), json.dumps(new))
    assert result == tuple(Difference(path=path, old=a, new=b) for path, a, b in found)


def test_texts_that_say_the_same_in_other_bytes_are_not_the_same() -> None:
    assert len(differences('{"a":1}', '{"a": 1}')) == 1

"""Answers of an Overpass server: cut short, of another shape, or with places that are nowhere.

The server reports a query that ran out of time in `remark`, under status 200 (wiki.openstreetmap.org, Overpass API).
"""

from typing import Any

import pytest

from alertd.errors import SourceChanged, SourceDown
from alertd.sources.openstreetmap.elements import merge, read_answer
from alertd.testing import overpass_answer as made


def test_answer_is_read_with_its_time() -> None:
    found = read_answer(made.answer())
    assert (len(found.elements), found.data_at) == (24, "2026-11-20T06:00:00Z")
    assert [e.key for e in found.elements if e.type == "way" and not e.line] == ["way/60", "way/61"]


def test_answer_that_ran_out_of_time_is_refused() -> None:
    content = {**made.answer(), "remark": 'runtime error: Query timed out in "query" at line 1 after 26 seconds.'}
    with pytest.raises(SourceDown, match="OpenStreetMap: it did not finish: runtime error: Query timed out"):
        read_answer(content)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ([], "no list of elements"),
        ({"elements": {}}, "no list of elements"),
        ({"elements": [{"type": "road", "id": 1}]}, "no type or id"),
        ({"elements": [{"type": "node", "id": 1, "tags": {}}]}, "node/1 has no position"),
        ({"elements": [{"type": "node", "id": 1, "lat": "x", "lon": 2}]}, "not two numbers"),
        ({"elements": [{"type": "node", "id": 1, "lat": 95.0, "lon": 2.0}]}, "nowhere on Earth"),
        ({"elements": [{"type": "way", "id": 7, "tags": {"ref": 90}}]}, "way/7 has tags that are not texts"),
        ({"elements": [{"type": "way", "id": 7, "geometry": [{"lat": 1.0}]}]}, "way/7 has a position"),
        ({"elements": [{"type": "way", "id": 7, "nodes": ["a"]}]}, "way/7 has nodes"),
    ],
)
def test_answers_of_another_shape_give_one_line(content: Any, problem: str) -> None:
    with pytest.raises(SourceChanged, match=problem) as caught:
        read_answer(content)
    assert "\n" not in str(caught.value)


def test_a_way_met_in_two_parts_keeps_its_line() -> None:
    whole = made.way(1, 0, 6_000, highway="motorway")
    bare = {"type": "way", "id": 1, "center": {"lat": 47.4, "lon": -115.8}, "tags": {"highway": "motorway"}}
    parts = [
        {"elements": [bare], "osm3s": {"timestamp_osm_base": "b"}},
        {"elements": [whole], "osm3s": {"timestamp_osm_base": "a"}},
    ]
    found = merge(read_answer(p) for p in parts)
    assert (len(found.elements), len(found.elements[0].line), found.data_at) == (1, 5, "a")

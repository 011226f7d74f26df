"""Side of traffic, units and language of lands: common knowledge, from memory."""

import pytest

from alertd.route.lands import drives_left, home_in_miles, home_language, left_spans, signs_in_miles
from alertd.route.model import JurisdictionSpan


@pytest.mark.parametrize(
    ("code", "left", "miles"),
    [("US-MT", False, True), ("CA-BC", False, False), ("GB", True, True), ("IE", True, False), ("JP", True, False)],
)
def test_side_and_unit_of_a_land(code: str, left: bool, miles: bool) -> None:
    assert (drives_left(code), signs_in_miles(code)) == (left, miles)


@pytest.mark.parametrize(
    ("lands", "miles", "language"),
    [
        ((), True, "en"),
        (("US-WA", "CA-BC"), True, "en"),
        (("CA-BC", "US-WA"), False, "en"),
        (("CA-QC",), False, "fr"),
        (("ES", "FR"), False, "es"),
        (("AT",), False, "en"),
    ],
)
def test_a_trip_reads_as_where_it_starts(lands: tuple[str, ...], miles: bool, language: str) -> None:
    assert (home_in_miles(lands), home_language(lands)) == (miles, language)


def test_left_side_runs_as_far_as_its_lands() -> None:
    ends = [("FR", 0.0, 10.0), ("GB", 10.0, 20.0), ("IE", 20.0, 30.0)]
    spans = [JurisdictionSpan(code=c, name=c, start_m=a, end_m=b) for c, a, b in ends]
    assert left_spans(spans) == ((10.0, 30.0),)
